"""What a stuck pin makes the unit draw from its supply.

In each trial: the current with the pin let go and at rest, less that just before the press. The supply's constant error
drops out, and so do other pins that an earlier trial left latched. A release changes what the unit draws by nothing, so
that the mean of the trials that stuck is compared with that of trials that released under the same condition. The
scatter of single differences is told from the latter, and counts for both means (two samples of equal scatter):
u² = s² (1/n + 1/m), m − 1 degrees of freedom.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from results.analysis.findings import PinFinding, TrialFinding
from results.analysis.found.supply_draw import SupplyDraw
from results.analysis.value import Value
from results.analysis.verdict import STUCK
from results.record.run_record import RunRecord
from results.record.trial import NO_RESISTOR, Condition

FEWEST = 4
"""Trials that released, under one condition, from which a scatter can be told."""

CONFIDENCE = 0.95

TOGETHER = "released together"
"""The state of neighbours that are pressed before, and let go after: their own currents change too."""


def with_supply_draw(record: RunRecord, pins: tuple[PinFinding, ...]) -> tuple[PinFinding, ...]:
    """The pins, each that stuck with no resistor with what the unit drew meanwhile; nothing where no supply measures.

    Pure.
    """
    if record.supply is None:
        return pins
    at_rest = {condition: _released_a(pins, condition) for condition in {pin.condition for pin in pins}}
    return tuple(replace(pin, supply=_draw(record, pin, at_rest[pin.condition])) for pin in pins)


def _draw(record: RunRecord, pin: PinFinding, released_a: Sequence[float]) -> SupplyDraw | None:
    stuck_a = [a for row in pin.rows if _is_bare_and_stuck(row) and (a := _ampere(row)) is not None]
    if not stuck_a:
        return None
    n, m = len(stuck_a), len(released_a)
    if pin.condition.neighbours == TOGETHER:
        return SupplyDraw(n, m, reason="what its neighbours drew went with them")
    if m < FEWEST:
        return SupplyDraw(n, m, reason=f"{m} trials released under this condition, {FEWEST} are needed to compare with")
    from scipy.stats import t

    extra_a = float(np.mean(stuck_a) - np.mean(released_a))
    scatter_u = float(np.std(released_a, ddof=1)) * math.sqrt(1.0 / n + 1.0 / m)
    assert record.supply is not None
    gain_u = abs(extra_a) * record.supply.accuracy_reading / math.sqrt(3.0)
    half_a = math.hypot(float(t.ppf(0.5 + CONFIDENCE / 2.0, m - 1)) * scatter_u, 2.0 * gain_u)
    return SupplyDraw(n, m, Value(extra_a, math.hypot(scatter_u, gain_u)), half_a, extra_a > half_a)


def _released_a(pins: Sequence[PinFinding], condition: Condition) -> list[float]:
    """By how much what the unit draws changed in every trial under that condition that released."""
    rows = [row for pin in pins if pin.condition == condition for row in pin.rows]
    return [a for row in rows if row.verdict == "released" and (a := _ampere(row)) is not None]


def _is_bare_and_stuck(row: TrialFinding) -> bool:
    return row.trial.resistor == NO_RESISTOR and row.verdict in STUCK


def _ampere(row: TrialFinding) -> float | None:
    """Drawn at rest after the release, less before the press."""
    seen = row.observation
    if seen is None or seen.supply_a is None or seen.supply_before_a is None:
        return None
    return seen.supply_a - seen.supply_before_a
