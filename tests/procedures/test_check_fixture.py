"""What hangs on the bare bus: meter, leakage and capacitance, from circuits whose values are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from drivers.bare_bus import BareLog
from drivers.meter import Readings
from procedures.check_fixture import judge_input, judge_leakage, slow_leakage, two_way_load
from results.analysis.findings import Value
from results.record.run_record import Fixture
from tests.procedures.test_check_resistors import ASKED, behind


def test_two_ways_to_the_rail_tell_the_load_of_the_bus() -> None:
    for loads, true_s in (((), 1e-7), ((5e6,), 3e-7)):
        by_rail = [behind(10e3, *loads).value + step for step in (-20e-6, 0.0, 0.0, 20e-6)]
        by_press = [behind(1e3, *loads).value] * 4
        found = two_way_load(by_rail, by_press, Value(10e3, 3.0), Value(1e3, 0.5))
        assert found is not None
        assert found.value == pytest.approx(true_s, rel=1e-6)
        # 14 µV of scatter (√(Σ/(4·1))) over 9 kΩ at 3.3 V, and what the resistors are uncertain by.
        assert found.u == pytest.approx(np.hypot(14.1e-6 / 9e3 / 3.3, 3.4e-4 * true_s), rel=0.05)
    assert two_way_load([0.01] * 4, [0.01] * 4, Value(10e3, 3.0), Value(1e3, 0.5)) is None


def falling(tau_s: float) -> BareLog:
    time_s = np.arange(200) * 5e-3
    return BareLog(Readings(time_s, 3.3 * np.exp(-np.maximum(time_s - 0.01, 0.0) / tau_s)), 5e-3, 5e-3)


def test_a_bus_that_falls_by_itself_tells_its_leakage() -> None:
    """C/G = 120 pF over 0.4 nS = 0.3 s; half of the meter's 10 GΩ is taken off."""
    found = slow_leakage(falling(0.3), Value(120e-12, 1e-12), 10e9, 3.3)
    assert isinstance(found, Value)
    assert found.value == pytest.approx(0.4e-9 - 0.05e-9, rel=1e-3)
    assert found.u >= 0.05e-9 / 3**0.5
    assert slow_leakage(falling(1e3), Value(120e-12, 1e-12), 10e9, 3.3) == "the bus does not fall within the log"
    assert slow_leakage(falling(1e-3), Value(120e-12, 1e-12), 10e9, 3.3) == "the bus falls at once"


def test_a_meter_of_another_input_and_a_fixture_that_leaks_are_told_apart() -> None:
    asked = replace(ASKED, fixture=Fixture(0.1e-9, 120e-12))
    none, leak = Value(0.1e-9, 0.05e-9), Value(1e-6, 1e-9)
    assert judge_input(Value(100.1e-9, 0.3e-9), none, asked).verdict == "pass"
    wrong = judge_input(Value(200.1e-9, 0.5e-9), none, asked)
    assert wrong.verdict == "fail"
    assert wrong.value == pytest.approx(5e6)
    assert judge_input(Value(1.1e-6, 1e-9), leak, asked).verdict != "fail"
    assert judge_leakage(leak, asked).verdict == "fail"
    assert judge_leakage(none, asked).verdict == "pass"


def test_where_they_are_not_told_apart_the_note_says_so() -> None:
    item = judge_input(Value(100.1e-9, 0.3e-9), "no high impedance", replace(ASKED, fixture=Fixture(0.1e-9)))
    assert item.verdict == "pass"
    assert item.note == "the fixture's leakage is in it, less what the bench file states"
    assert judge_leakage("no high impedance", ASKED).verdict == "not determined"
