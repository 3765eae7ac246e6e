"""Preferred values of IEC 60063, series E3 to E192."""

from __future__ import annotations

import math
from bisect import bisect_right
from functools import cache

from results.errors import QuantityError

_E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
"""E24 in tenths, as tabulated (it does not follow the rounding rule); E12, E6 and E3 are parts of it."""

SERIES = ("E3", "E6", "E12", "E24", "E48", "E96", "E192")

_EQUAL = 1e-6
"""Relative: far closer than two neighbours of E192 (1.2 %), far wider than the rounding of a computed resistance."""


@cache
def values(series: str) -> tuple[float, ...]:
    """The preferred values of one decade, 1.0 <= value < 10, ascending.

    E3 to E24 as tabulated; E48, E96, E192 are 10^(i/N) rounded to two decimals, save 9.20 of E192, where the rule
    gives 9.19 (IEC 60063). Raises QuantityError for an unknown series.
    """
    return tuple(hundredths / 100.0 for hundredths in _hundredths(series))


def largest_at_most(series: str, ohm: float) -> float:
    """The largest preferred value that is not above `ohm`, to one part in a million.

    Raises QuantityError for an unknown series, and unless `ohm` is positive and finite.
    """
    below, above = _around(series, ohm)
    return above if _same(above, ohm) else below


def neighbours(series: str, ohm: float) -> tuple[float, float]:
    """The preferred values next below and next above `ohm`; a preferred value itself is left out.

    neighbours("E12", 8200) is (6800, 10000). Raises QuantityError unless `ohm` is positive and finite.
    """
    below, above = _around(series, ohm)
    if _same(below, ohm):
        below, _ = _around(series, below * (1.0 - 10.0 * _EQUAL))
    if _same(above, ohm):
        _, above = _around(series, above * (1.0 + 10.0 * _EQUAL))
    return below, above


def is_preferred(series: str, ohm: float) -> bool:
    """Whether `ohm` is a value of the series, to one part in a million."""
    return any(_same(value, ohm) for value in _around(series, ohm))


@cache
def _hundredths(series: str) -> tuple[int, ...]:
    if series not in SERIES:
        raise QuantityError(f"{series!r}: unknown series of preferred values: one of {', '.join(SERIES)}")
    count = int(series[1:])
    if count <= 24:
        return tuple(10 * tenths for tenths in _E24[:: 24 // count])
    rounded = tuple(round(100.0 * 10.0 ** (index / count)) for index in range(count))
    return tuple(920 if hundredths == 919 else hundredths for hundredths in rounded)


def _around(series: str, ohm: float) -> tuple[float, float]:
    """The values with below <= ohm < above."""
    if not (math.isfinite(ohm) and ohm > 0.0):
        raise QuantityError(f"a resistance must be positive and finite: {ohm!r} Ω")
    decade = math.floor(math.log10(ohm))
    candidates = [
        _scaled(hundredths, power) for power in (decade - 1, decade, decade + 1) for hundredths in _hundredths(series)
    ]
    index = bisect_right(candidates, ohm)
    return candidates[index - 1], candidates[index]


def _scaled(hundredths: int, power: int) -> float:
    """hundredths x 10^(power - 2), as the float nearest to the decimal number: 8200.0, never 8199.999999999999."""
    return float(f"{hundredths}e{power - 2}")


def _same(value: float, ohm: float) -> bool:
    return math.isclose(value, ohm, rel_tol=_EQUAL)
