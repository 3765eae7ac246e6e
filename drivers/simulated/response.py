"""What instruments answer with: numbers as text, or IEEE 488.2 definite-length blocks (8.7.9)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

OVERLOAD = 9.9e37
"""SCPI-99 volume 1, 7.2.1.4: infinity, which stands for a reading beyond the range."""


def number_text(value: float) -> str:
    """NR3: +1.234567890E+00."""
    return f"{value:+.9E}"


def block(payload: bytes) -> bytes:
    """`#`, the number of digits, the length, the payload."""
    length = str(len(payload))
    return f"#{len(length)}{length}".encode() + payload


@dataclass
class ResponseFormat:
    """FORMat[:DATA] and FORMat:BORDer. `kind`: ASC, REAL32 or REAL64; `swapped`: least significant byte first."""

    kind: str = "ASC"
    swapped: bool = False

    def power_on(self) -> None:
        """As power finds it."""
        self.kind, self.swapped = "ASC", False

    def data_text(self) -> str:
        return {"ASC": "ASC,0", "REAL32": "REAL,32", "REAL64": "REAL,64"}[self.kind]

    def encode(self, values: Sequence[float]) -> bytes:
        """Readings as comma separated text, or as one block."""
        if self.kind == "ASC":
            return ",".join(number_text(value) for value in values).encode()
        dtype = ("<" if self.swapped else ">") + ("f4" if self.kind == "REAL32" else "f8")
        return block(np.asarray(values, dtype=dtype).tobytes())
