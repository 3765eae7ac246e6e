"""How a quantity spreads over the pins of a unit: plain data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from results.analysis.uncertainty.tolerance_limit import ToleranceLimits
from results.record.trial import Condition

SpreadOf = Literal["required conductance", "pull-down", "leakage"]


@dataclass(frozen=True)
class PinSpread:
    """One quantity (siemens, ohm or ampere) over the pins under one condition, with 95/95 tolerance limits.

    `pins` have a value, `without` have none. `mean` and `deviation` are those of the values as measured.
    """

    quantity: SpreadOf
    condition: Condition
    pins: int
    without: int
    mean: float
    deviation: float
    limits: ToleranceLimits
