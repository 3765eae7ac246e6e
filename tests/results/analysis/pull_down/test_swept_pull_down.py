"""A leakage beside a pull-down that is no resistor is right where the same pin was swept with its buffer off."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from procedures.forced_sweep import forced_sweep
from results.analysis.budgets.budgets import LEAKAGE, NET_CURRENT
from results.analysis.findings import PinFinding, TrialFinding
from results.analysis.load_line import NetCurrent
from results.analysis.pull_down.swept_pull_down import AS_SWEPT, with_swept_pull_down
from results.analysis.sweep.sweep import sweep_finding
from results.record.run_record import RunRecord
from results.record.trace import FloatArray
from results.record.trial import NO_RESISTOR, Condition
from tests.procedures.curve_bench import (
    RULES as SWEEP_RULES,
)
from tests.procedures.curve_bench import SWEEP, CurveBench, Errors, memoryless, mos, record, settings
from tests.results.analysis.made_pins import Bench, analysed, logistic, record_of

TRANSISTOR = mos(76e-6, 1.2)
"""Draws 55 µA from 1.2 V on, as much at 2 V as at the rail."""
ERRORS = Errors(gain_v=-1e-4, offset_v=0.3e-3, gain_a=4e-4, offset_a=-10e-9, noise_v=10e-6, noise_a=2e-9)


def leak(volts: FloatArray) -> FloatArray:
    return 120e-6 * logistic((volts - 0.75) / 0.06) * logistic(-(volts - 1.98) / 0.055)


def pin_curve(volts: FloatArray) -> FloatArray:
    return leak(volts) - np.vectorize(TRANSISTOR)(volts)


def run(net: NetCurrent, *, home: str | None = "buffer off", swept: bool = True) -> tuple[RunRecord, list[PinFinding]]:
    """A pin tried with its buffer on, and swept with it off."""
    known = record(SWEEP_RULES)
    made = CurveBench(memoryless(lambda volts: -TRANSISTOR(volts)), ERRORS)
    sweep = sweep_finding(known, known.pin("D1"), SWEEP, forced_sweep(made.as_bench(), SWEEP, settings(SWEEP_RULES)))
    on = analysed(net)
    off = replace(on, condition=replace(on.condition, pin_setup="buffer off"), rows=(), sweep=sweep if swept else None)
    bench = Bench()
    rules = replace(bench.rules, pull_down_setup=home)
    return replace(record_of(replace(bench, rules=rules)), source=known.source), [on, off]


def bare(pin: PinFinding) -> TrialFinding:
    return next(row for row in pin.rows if row.trial.resistor == NO_RESISTOR)


def test_the_leak_beside_a_transistor_is_what_the_curve_says() -> None:
    """At 2.0 V the made leak is known; a straight line from the hold level makes it a quarter too small."""
    known, pins = run(pin_curve)
    straight, found = bare(pins[0]), bare(with_swept_pull_down(known, tuple(pins))[0])
    assert straight.leakage is not None
    assert found.leakage is not None
    assert found.settled is not None
    true_a = float(leak(np.array([found.settled.value]))[0])
    net = found.net_current
    assert net is not None
    # Kirchhoff: at rest the true leak is what the transistor and the meter take.
    assert true_a == pytest.approx(TRANSISTOR(found.settled.value) + net.value, rel=1e-3)
    assert straight.leakage.value < 0.8 * true_a
    assert abs(found.leakage.value - true_a) <= 2.0 * found.leakage.u
    assert found.leakage.u < 0.01 * true_a


def test_the_pin_and_its_budgets_follow() -> None:
    known, pins = run(pin_curve)
    on = with_swept_pull_down(known, tuple(pins))[0]
    assert on.leakage == max((row.leakage for row in on.rows if row.leakage), key=lambda one: one.value)
    stated = {one.budget.quantity: one.budget for one in on.budgets}
    assert on.leakage is not None
    assert stated[LEAKAGE].value == pytest.approx(on.leakage.value, rel=1e-9, abs=0.0)
    assert stated[LEAKAGE].u == pytest.approx(on.leakage.u, rel=1e-6, abs=0.0)
    assert stated[NET_CURRENT].value < stated[LEAKAGE].value
    names = [part.source.name for part in stated[LEAKAGE].contributions]
    assert "source gain, sweep" in names
    # One meter, one gain: what it does to the node and to the curve is one contribution.
    assert names.count("meter gain") == 1
    assert "meter gain, sweep" not in names
    assert AS_SWEPT in on.note
    assert "as linear" not in on.note


@pytest.mark.parametrize(("home", "swept"), [(None, True), ("buffer off", False), ("another", True)])
def test_without_such_a_sweep_all_stays(home: str | None, swept: bool) -> None:
    known, pins = run(pin_curve, home=home, swept=swept)
    assert with_swept_pull_down(known, tuple(pins)) == tuple(pins)


def test_next_to_zero_volt_the_straight_line_stays() -> None:
    """A pin that rests at 55 mV: 10 nA of the source's offset would say less than a line through 0 V."""
    known, pins = run(lambda volts: 5e-6 * np.tanh(volts / 0.01) - np.vectorize(TRANSISTOR)(volts))
    settled = bare(pins[0]).settled
    assert settled is not None
    assert settled.value == pytest.approx(0.056, abs=2e-3)
    assert bare(with_swept_pull_down(known, tuple(pins))[0]).leakage == bare(pins[0]).leakage


def test_a_sweep_under_another_rail_says_nothing_of_this_one() -> None:
    known, pins = run(pin_curve)
    elsewhere = replace(pins[1], condition=Condition("buffer off", 3.0))
    assert with_swept_pull_down(known, (pins[0], elsewhere))[0] == pins[0]
