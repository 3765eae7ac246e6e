"""A trace: the logged voltage of one trial, as logged. Times are not shifted; the edge is found later."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Trace:
    """Samples of the node voltage.

    `time_s`, `voltage_v`: shape (n,), seconds and volts as logged. An overload of the meter is NaN in `voltage_v`.
    `current_a`: shape (n,) where the instrument logged a current too, else None.
    """

    time_s: FloatArray
    voltage_v: FloatArray
    current_a: FloatArray | None = field(default=None)

    @property
    def overload(self) -> NDArray[np.bool_]:
        """Shape (n,): True where the meter was overloaded."""
        return np.isnan(self.voltage_v)

    def __len__(self) -> int:
        return int(self.time_s.size)
