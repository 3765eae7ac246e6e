"""V_IL and V_IH by the name of the standard that sets them."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from results.errors import QuantityError
from results.quantity import show


@dataclass(frozen=True)
class _Standard:
    """Input levels of one interface standard.

    `rail_v`: the supply range in volt (low, high) that the levels hold for. `v_il`, `v_ih`: the largest low and
    the smallest high input, in volt, or as a share of the supply where `of_rail` says so.
    """

    rail_v: tuple[float, float]
    v_il: float
    v_ih: float
    of_rail: bool = False


_STANDARDS = {
    "JESD8C.01 3.3 V": _Standard((3.0, 3.6), 0.8, 2.0),
    "JESD8-5A 2.5 V": _Standard((2.3, 2.7), 0.7, 1.7),
    "JESD8-7A 1.8 V": _Standard((1.65, 1.95), 0.35, 0.65, of_rail=True),
    "5 V TTL": _Standard((4.75, 5.25), 0.8, 2.0),
    "5 V CMOS": _Standard((4.5, 6.0), 0.3, 0.7, of_rail=True),
}
"""Input levels and normal supply range of JESD8C.01, JESD8-5A, JESD8-7A (the ranges as commonly quoted; the standards'
own texts were not at hand), of 5 V TTL, and the 0.3/0.7 rule of 5 V CMOS."""


def known_standards() -> tuple[str, ...]:
    """The names that `levels` knows, as a plan writes them."""
    return tuple(_STANDARDS)


def levels(standard: str, rail_v: float) -> tuple[float, float]:
    """(V_IL, V_IH) in volt of a standard at a nominal rail in volt.

    The name may be written without its voltage ("JESD8C.01"), in any case and spacing. Raises QuantityError for an
    unknown name (it lists the known ones) and for a rail outside the range that the standard holds for.
    """
    name = full_name(standard)
    found = _STANDARDS[name]
    low, high = found.rail_v
    if not (math.isfinite(rail_v) and low <= rail_v <= high):
        raise QuantityError(
            f"{standard!r}: holds for a rail of {show(low, 'V')} to {show(high, 'V')}, not for {rail_v:g} V"
        )
    share = rail_v if found.of_rail else 1.0
    return found.v_il * share, found.v_ih * share


def full_name(standard: str) -> str:
    """The name as listed by `known_standards`. Raises QuantityError for an unknown one."""
    for name in _STANDARDS:
        if _squeezed(standard) in (_squeezed(name), _squeezed(re.sub(r" \d\.\d V$", "", name))):
            return name
    raise QuantityError(f"{standard!r}: unknown standard of logic levels: one of {', '.join(_STANDARDS)}")


def _squeezed(name: str) -> str:
    return re.sub(r"\s+", "", name).lower()
