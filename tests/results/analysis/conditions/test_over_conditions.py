"""Which condition of a pin decides, and that each condition is judged by its own levels."""

from __future__ import annotations

from dataclasses import replace

import pytest

from results.analysis.analysis import analyse
from results.analysis.conditions.over_conditions import bare_settled, measured_c, required_s, stepped_pins, worst_of
from results.analysis.findings import PinFinding
from results.record.observation import Observation
from results.record.run_record import Levels, RailLevels
from results.record.trial import NO_RESISTOR, Condition, Trial
from tests.results.analysis.made_pins import SETUP, Bench, analysed, d1, d2, d3, record_of
from tests.results.analysis.test_analysis import sampled


def under(pin: PinFinding, **changes: object) -> PinFinding:
    return replace(pin, condition=replace(SETUP, **changes))  # type: ignore[arg-type]


def test_each_condition_is_judged_by_the_levels_of_its_rail() -> None:
    """5 V CMOS, V_IL 0.3 of the rail: 1.5 V at rest is above 1.35 V (4.5 V), and below 1.65 V (5.5 V)."""
    made = []
    for number, rail_v in enumerate((4.5, 5.5), start=1):
        trial = Trial(number, "press_release", "D1", NO_RESISTOR, Condition("reset default", rail_v), 1)
        made.append((trial, Observation(sampled(1.5, seed=number, held_v=rail_v), rail_v=rail_v)))
    record = replace(
        record_of(Bench(), [trial for trial, _ in made]),
        rail_v=5.0,
        levels=Levels(1.5, 3.5, "5 V CMOS"),
        rail_levels=(RailLevels(4.5, Levels(1.35, 3.15)), RailLevels(5.5, Levels(1.65, 3.85))),
    )
    assert [pin.verdict for pin in analyse(record, made).pins] == ["stuck between", "released"]


def test_only_what_was_stepped_counts_as_steps() -> None:
    """Two pin setups at one rail are no steps; the state as found is none either."""
    pin = analysed(d3)
    assert stepped_pins([pin, under(pin, pin_setup="buffer off")]) == {}
    found = replace(
        under(pin, pin_setup="as found", rail_v=3.0),
        rows=tuple(replace(row, trial=replace(row.trial, as_found=True)) for row in pin.rows),
    )
    assert stepped_pins([pin, found]) == {}
    rails = [pin, under(pin, rail_v=3.0), under(pin, pin_setup="buffer off")]
    assert stepped_pins(rails) == {pin.pin: rails[:2]}
    assert len(stepped_pins([under(pin, neighbours="floating"), under(pin, neighbours="pressed")])[pin.pin]) == 2


def test_the_worst_verdict_decides_and_of_equal_ones_the_smallest_safe_resistance() -> None:
    """D1 needs 9.38 kΩ, D2 (half its plateau) more than twice that; both stick."""
    released, mild, severe = under(analysed(d3), temperature_c=-10.0), under(analysed(d2)), under(analysed(d1))
    assert worst_of([released, mild, severe]) is severe
    assert worst_of([severe, mild]) is severe
    assert worst_of([released]) is released
    assert severe.leakage is not None
    leaky = replace(severe, leakage=replace(severe.leakage, value=2.0 * severe.leakage.value))
    assert worst_of([severe, leaky]) is leaky
    assert required_s(severe) > required_s(mild) > required_s(released) == 0.0


def test_where_nothing_was_measured_nothing_decides() -> None:
    assert worst_of([replace(analysed(d1), verdict="not tested")]) is None


def test_the_highest_bare_voltage_and_the_mean_temperature_stand_for_a_condition() -> None:
    pin = analysed(d1)
    settled = bare_settled(pin)
    assert settled is not None
    assert settled.value == pytest.approx(2.03, abs=0.01)
    assert measured_c(pin) is None
    rows = []
    for row, celsius in zip(pin.rows, (60.0, 60.4), strict=False):
        assert row.observation is not None
        rows.append(replace(row, observation=replace(row.observation, temperature_c=celsius)))
    assert measured_c(replace(pin, rows=tuple(rows))) == pytest.approx(60.2)
