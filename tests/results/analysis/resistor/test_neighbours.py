"""The recommended resistor and its neighbours, by hand: margin, current, power, and whether it clears the pin."""

from __future__ import annotations

from dataclasses import replace

import pytest

from results.analysis.findings import Advice, LeakLine, PinFinding
from results.analysis.found.fitting import SafeLimit
from results.analysis.resistor.neighbours import around, clears, margin_to, with_neighbours
from results.analysis.resistor.safe_resistance import largest_safe, required_conductance
from results.analysis.resistor.sweep_advice import advise_with_sweep
from results.analysis.value import Value
from results.record.run_record import Rules
from results.series import largest_at_most
from tests.results.analysis.made_pins import RULES, Bench, analysed, d1, d3, record_of
from tests.results.report.made_sweeps import swept_run

RECORD = record_of(Bench())
EXACT = Rules(30e3, 90e3, 0.05, 0.12, series="E24", advised_tolerance=0.0, margin=0.0)


def with_limit(limit: SafeLimit | None, ohm: float = 8.2e3) -> PinFinding:
    pin = replace(analysed(d1), pull_down=Value(60e3, 100.0))
    return replace(pin, advice=Advice(ohm, True, None, "made", limit))


def test_the_neighbours_are_those_of_the_series() -> None:
    """E12: 6.8, 8.2, 10; E24: 7.5, 8.2, 9.1; E96 from 8.25: 8.06, 8.45 (IEC 60063)."""
    for series, ohm, expected in (
        ("E12", 8.2e3, (6.8e3, 8.2e3, 10e3)),
        ("E24", 8.2e3, (7.5e3, 8.2e3, 9.1e3)),
        ("E96", 8.25e3, (8.06e3, 8.25e3, 8.45e3)),
        ("E6", 1e3, (680.0, 1e3, 1.5e3)),
    ):
        record = replace(RECORD, rules=replace(RULES, series=series))
        values = around(record, with_limit(None, ohm), ohm)
        assert tuple(value.ohm for value in values) == expected
        assert [value.which for value in values] == ["next down", "recommended", "next up"]


def test_the_margin_of_each_value_by_hand() -> None:
    """Safe up to 9.09 kΩ: 9.09/(6.8 · 1.01) − 1 = 32 %, 9.8 %, −10 %; 10 kΩ − 1 % lies above 9.5 kΩ: sticks."""
    down, middle, up = around(RECORD, with_limit(SafeLimit(9.09e3, 9.5e3, "sweep")), 8.2e3)
    assert down.margin == pytest.approx(9.09 / 6.868 - 1, rel=1e-9)
    assert middle.margin == pytest.approx(9.09 / 8.282 - 1, rel=1e-9)
    assert up.margin == pytest.approx(-0.1, rel=1e-9)
    assert [value.clears for value in (down, middle, up)] == ["clears", "clears", "sticks"]
    assert [value.keeps_margin for value in (down, middle, up)] == [True, False, False]


def test_between_the_limits_nothing_is_shown() -> None:
    limit = SafeLimit(9.09e3, 10.5e3, "sweep")
    assert clears(limit, 10e3, RULES) == "not shown"
    assert clears(replace(limit, high_ohm=None), 1e6, RULES) == "not shown"
    assert clears(replace(limit, high_ohm=9.8e3), 10e3, RULES) == "sticks"
    # 10 kΩ may be 9.9 kΩ as bought.
    assert clears(replace(limit, high_ohm=9.95e3), 10e3, RULES) == "not shown"
    assert clears(None, 1.0, RULES) == "not shown"


def test_current_and_power_while_pressed() -> None:
    """3.3 V on 8.2 kΩ beside 60 kΩ: 402.4 + 55 µA; 1.328 mW in the resistor, 1.5096 mW from the rail (Ohm's law)."""
    value = around(RECORD, with_limit(None), 8.2e3)[1]
    assert value.pressed_a == pytest.approx(3.3 / 8.2e3 + 3.3 / 60e3, rel=1e-12)
    assert value.resistor_w == pytest.approx(1.32805e-3, rel=1e-5)
    assert value.rail_w == pytest.approx(3.3 * value.pressed_a, rel=1e-12)
    assert value.pull_down_counted
    unknown = around(RECORD, replace(with_limit(None), pull_down=None), 8.2e3)[1]
    assert (unknown.pressed_a, unknown.pull_down_counted) == (3.3 / 8.2e3, False)


def test_a_pull_down_against_a_bus_hold_current_as_in_a_public_tutorial() -> None:
    """Bus-hold inputs, public tutorial: a constant holding current of 75 µA is overridden at 2.0 V by 26.7 kΩ to ground
    (printed as 26K), of 500 µA at 3.1 V − 1.5 V by 3.2 kΩ to the rail: R = V/I, within 1 %."""
    for volts, ampere, ohm, preferred in ((2.0, 75e-6, 26.7e3, 24e3), (3.1 - 1.5, 500e-6, 3.2e3, 3.0e3)):
        line = LeakLine(3, Value(ampere, 0.0), Value(0.0, 0.0), 0.0, 1.0, 1, 0.5, True, "")
        safe = largest_safe(required_conductance(line, volts), 2.0)
        assert safe is not None
        assert safe.value == pytest.approx(ohm, rel=0.01)
        limit = SafeLimit(safe.value, safe.value, "line")
        assert margin_to(limit, safe.value, EXACT) == pytest.approx(0.0, abs=1e-12)
        assert largest_at_most("E24", safe.value) == preferred
        assert (clears(limit, preferred, EXACT), clears(limit, ohm * 1.02, EXACT)) == ("clears", "sticks")


def test_a_pin_that_needs_none_has_no_neighbours() -> None:
    [pin] = with_neighbours(RECORD, [analysed(d3)])
    assert pin.advice.neighbours == ()


def test_the_value_that_a_sweep_names_is_the_largest_that_keeps_the_margin() -> None:
    """Of its neighbours the one up does not keep it; the sweep's own limit stands behind all three."""
    finding = swept_run()
    pin = next(one for one in finding.pins if one.pin == "D1")
    assert pin.sweep is not None
    advice = advise_with_sweep(pin.advice, pin.sweep, finding.record.rules, 0.0)
    assert advice.limit == SafeLimit(pin.sweep.safe_low_ohm or 0.0, pin.sweep.safe_high_ohm, "sweep")
    down, middle, up = pin.advice.neighbours
    assert middle.ohm == pin.advice.ohm == 6.8e3
    assert middle.margin == pin.advice.margin
    assert (down.keeps_margin, middle.keeps_margin, up.keeps_margin) == (True, True, False)
    assert up.clears == "clears"


def test_the_limit_behind_trials_is_the_proven_resistor_with_the_bench_beside_it() -> None:
    """D1: 8.2 kΩ released (− 1 %, 10 MΩ in parallel: 8.111 kΩ), 10 kΩ + 1 % stuck."""
    limit = analysed(d1).advice.limit
    assert limit is not None
    assert limit.low_ohm == pytest.approx(1 / (1 / (8.2e3 * 0.99) + 1e-7), rel=1e-9)
    assert (limit.high_ohm, limit.source) == (pytest.approx(10.1e3), "trials")
