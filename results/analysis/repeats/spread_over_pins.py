"""How the pins of a unit spread: within which limits 95 % of such pins lie, with 95 % confidence."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from results.analysis.findings import PinFinding, RunFinding
from results.analysis.found.pin_spread import PinSpread, SpreadOf
from results.analysis.uncertainty.tolerance_limit import FEWEST, Sides, ToleranceLimits, tolerance_limits
from results.record.trial import Condition


def _required(pin: PinFinding) -> float | None:
    """G_req of the worse branch of the sweep."""
    return None if pin.sweep is None or pin.sweep.worse is None else pin.sweep.worse.required.value


def _pull_down(pin: PinFinding) -> float | None:
    """As measured: what the plan expects is no value."""
    return None if pin.pull_down is None or pin.pull_down_from == "plan range" else pin.pull_down.value


def _leakage(pin: PinFinding) -> float | None:
    return None if pin.leakage is None else pin.leakage.value


QUANTITIES: tuple[tuple[SpreadOf, Sides, Callable[[PinFinding], float | None]], ...] = (
    ("required conductance", "upper", _required),
    ("pull-down", "both", _pull_down),
    ("leakage", "upper", _leakage),
)
"""What too much of is bad has an upper limit; a pull-down can be too weak or too strong."""


def with_spread(finding: RunFinding) -> RunFinding:
    """The finding with the spread of each quantity that ten pins or more have, condition by condition."""
    found = [
        spread
        for condition in dict.fromkeys(pin.condition for pin in finding.pins)
        for quantity, sides, value_of in QUANTITIES
        if (spread := _spread(finding.pins, condition, quantity, sides, value_of)) is not None
    ]
    return replace(finding, spread=tuple(found))


def _spread(
    pins: Sequence[PinFinding],
    condition: Condition,
    quantity: SpreadOf,
    sides: Sides,
    value_of: Callable[[PinFinding], float | None],
) -> PinSpread | None:
    mine = [value_of(pin) for pin in pins if pin.condition == condition]
    values = [value for value in mine if value is not None]
    if len(values) < FEWEST:
        return None
    without = len(mine) - len(values)
    limits = tolerance_limits(values, sides)
    if without:
        # A pin of which nothing is known may be the worst: what is left is no random sample.
        limits = ToleranceLimits("not determined", reason=f"{without} of {len(mine)} pins have no value")
    mean, deviation = float(np.mean(values)), float(np.std(values, ddof=1))
    return PinSpread(quantity, condition, len(values), without, mean, deviation, limits)
