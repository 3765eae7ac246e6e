"""The tree of an instrument's commands: which headers, in all their spellings, name which command."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from typing import Generic, TypeVar

from drivers.simulated.command import Unit
from drivers.simulated.scpi_error import ScpiError

Value = TypeVar("Value")


class CommandTree(Generic[Value]):
    """Headers to values. A pattern writes the short form in capitals and optional nodes in brackets:
    `[SENSe:]VOLTage[:DC]:RANGe[:UPPer]`, and a query with its question mark."""

    def __init__(self) -> None:
        self._values: dict[tuple[tuple[str, ...], bool], Value] = {}

    def add(self, pattern: str, value: Value) -> None:
        query = pattern.endswith("?")
        for header in _expansions(pattern.removesuffix("?")):
            self._values[header, query] = value

    def find(self, unit: Unit) -> Value:
        """The value for a unit's header. Raises ScpiError −113, or −114 for a numeric suffix other than 1."""
        plain = tuple(re.sub(r"(?<=[A-Z])1$", "", mnemonic) for mnemonic in unit.header)
        value = self._values.get((plain, unit.query))
        if value is not None:
            return value
        bare = tuple(mnemonic.rstrip("0123456789") for mnemonic in unit.header)
        shown = ":".join(unit.header) + ("?" if unit.query else "")
        raise ScpiError(-114 if (bare, unit.query) in self._values else -113, shown)


def _expansions(pattern: str) -> Iterator[tuple[str, ...]]:
    """Every spelling of a pattern, in capitals."""
    choices: list[list[tuple[str, ...]]] = []
    for chunk in re.findall(r"\[[^\]]+\]|[^\[\]]+", pattern):
        for mnemonic in chunk.strip("[]").strip(":").split(":"):
            short = "".join(char for char in mnemonic if not char.islower())
            forms: list[tuple[str, ...]] = [(form,) for form in dict.fromkeys((short, mnemonic.upper()))]
            choices.append([*forms, ()] if chunk.startswith("[") else forms)
    for choice in itertools.product(*choices):
        yield tuple(itertools.chain.from_iterable(choice))
