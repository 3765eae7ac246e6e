"""Faults that many tables share: a name that stands twice, a time that does not fit another, hum that stands still."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from harness.user_file import Fault, Location, at
from results.quantity import show

if TYPE_CHECKING:
    pass


def twice(where: Location, names: tuple[str, ...]) -> Iterator[Fault]:
    first: dict[str, int] = {}
    for index, name in enumerate(names):
        if first.setdefault(name, index) != index:
            yield Fault((*where, index), f"already stands in the list as its no. {first[name] + 1}")


def unequal(raw: dict[str, Any], where: Location, value_s: float, how: str, other: str, other_s: float) -> Fault:
    named = show(value_s, "s") if at(raw, where) is None else None
    return Fault(where, f"must not be {how} than {other} of {show(other_s, 's')}", named)


def unless_written(raw: dict[str, Any], where: Location, text: str) -> str | None:
    """What a message says for a value that stands nowhere in the file; None where it does."""
    return text if at(raw, where) is None else None


def stands_still(where: Location, interval_s: float, line_hz: float) -> Iterator[Fault]:
    if is_whole(interval_s * line_hz):
        rule = f"must not be a whole number of mains periods ({show(line_hz, 'Hz')}): hum would look like a level"
        yield Fault(where, rule)


def is_whole(periods: float) -> bool:
    return round(periods) >= 1 and math.isclose(periods, round(periods), rel_tol=1e-3)
