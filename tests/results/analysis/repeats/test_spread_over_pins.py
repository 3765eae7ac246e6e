"""The spread over the pins of a unit: which quantities, which pins, and never from a chosen part of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from results.analysis.findings import PinFinding, RunFinding, SweepBranch, SweepFinding, Value
from results.analysis.repeats.spread_over_pins import with_spread
from results.analysis.uncertainty.tolerance_limit import one_sided_factor, two_sided_factor
from results.record.trial import NO_RESISTOR, Condition, Trial
from tests.results.analysis.made_pins import SETUP, Bench, analysed, d1, record_of

BENCH = Bench()
REQUIRED_S = np.random.default_rng(4).normal(50e-6, 5e-6, 12)
PULL_DOWN_OHM = np.random.default_rng(5).normal(60e3, 4e3, 12)
MADE = analysed(d1, BENCH)


def pin(number: int, condition: Condition = SETUP, **changes: object) -> PinFinding:
    """Pin of that number with its own G_req, measured pull-down and leakage."""
    swept = SweepFinding(Trial(1, "forced_sweep", f"D{number}", NO_RESISTOR, condition, 1, kind="sweep"), None)
    branch = SweepBranch("down", Value(float(REQUIRED_S[number]), 1e-8), 2e-8, 1.0)
    known: dict[str, object] = {
        "pin": f"D{number}",
        "condition": condition,
        "sweep": replace(swept, worse=branch),
        "pull_down": Value(float(PULL_DOWN_OHM[number]), 100.0),
        "pull_down_from": "hold level",
        "leakage": None,
    }
    return replace(MADE, **(known | changes))  # type: ignore[arg-type]


def spread(pins: list[PinFinding]) -> RunFinding:
    return with_spread(RunFinding(record_of(BENCH), (), tuple(pins)))


def test_required_conductance_has_an_upper_limit_and_the_pull_down_two() -> None:
    required, pull_down = spread([pin(number) for number in range(12)]).spread
    assert (required.quantity, pull_down.quantity) == ("required conductance", "pull-down")
    assert (required.pins, required.without) == (12, 0)
    expected = REQUIRED_S.mean() + one_sided_factor(12) * REQUIRED_S.std(ddof=1)
    assert (required.limits.low, required.limits.high) == (None, pytest.approx(expected))
    half = two_sided_factor(12) * PULL_DOWN_OHM.std(ddof=1)
    assert pull_down.limits.low == pytest.approx(PULL_DOWN_OHM.mean() - half)
    assert pull_down.limits.high == pytest.approx(PULL_DOWN_OHM.mean() + half)


def test_a_pin_without_a_value_leaves_the_limits_open() -> None:
    """It may be the worst one."""
    pins = [pin(number) for number in range(11)] + [pin(11, sweep=None, pull_down_from="plan range")]
    required, pull_down = spread(pins).spread
    for one in (required, pull_down):
        assert (one.pins, one.without, one.limits.high) == (11, 1, None)
        assert one.limits.reason == "1 of 12 pins have no value"


def test_fewer_than_ten_pins_have_no_spread() -> None:
    assert spread([pin(number) for number in range(9)]).spread == ()


def test_conditions_are_not_mixed() -> None:
    hot = Condition("reset default", 3.3, 85.0)
    pins = [pin(number, condition) for condition in (SETUP, hot) for number in range(12)]
    found = spread(pins).spread
    assert [one.condition for one in found] == [SETUP, SETUP, hot, hot]
    assert {one.pins for one in found} == {12}
