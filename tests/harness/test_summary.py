"""The last lines of a run: one resistor for the whole unit, or why there is none."""

from __future__ import annotations

from dataclasses import replace

from harness.errors import ALL_RELEASED, OTHER_VERDICT
from harness.summary import status_of, summary_lines
from results.analysis.findings import RunFinding
from results.analysis.found.dwell_finding import DwellFinding
from results.analysis.resistor.board_advice import board_advice
from results.record.run_record import RateAsked
from tests.results.report.test_fit_section import two_stick
from tests.results.report.test_rate_section import asked_of


def fit_lines(finding: RunFinding) -> list[str]:
    return [line for line in summary_lines(finding) if line.startswith("one value")]


def test_one_value_for_the_whole_unit_with_its_worst_pin() -> None:
    [line] = fit_lines(two_stick())
    assert line.startswith("one value for the whole unit: 4.7 kΩ, the smallest of the values of 2 of 3 pins")
    assert line.endswith("at D1, reset default, 3.3 V")


def test_a_pin_without_a_value_is_named() -> None:
    finding = two_stick()
    pins = (replace(finding.pins[0], advice=replace(finding.pins[0].advice, ohm=None)), *finding.pins[1:])
    assert fit_lines(replace(finding, pins=pins, board_advice=board_advice(finding.record, pins))) == [
        "one value for the whole unit: not determined, as none can be named for D1; "
        "4.7 kΩ suits all others that need one"
    ]


def test_where_none_is_needed_nothing_is_said_of_it() -> None:
    finding = two_stick()
    pins = finding.pins[2:]
    assert fit_lines(replace(finding, pins=pins, board_advice=board_advice(finding.record, pins))) == []


def test_the_rate_that_was_asked_about_is_answered() -> None:
    lines = list(summary_lines(asked_of(RateAsked(0.5, 0.8, 3))))
    assert "asked: rate below 50 % with 80 % confidence: not shown on D1" in lines
    finding = asked_of(RateAsked(0.5, 0.8, 3))
    free = replace(finding, pins=finding.pins[1:])
    assert "asked: rate below 50 % with 80 % confidence: shown on every pin" in list(summary_lines(free))
    assert not [line for line in summary_lines(two_stick()) if line.startswith("asked")]


def test_a_pin_tried_under_several_conditions_has_one_line_with_the_worst() -> None:
    """Three findings of D1 are one pin; the hot one asks for more than the cold one, which sticks as well."""
    finding = two_stick()
    cold, mild, sound = finding.pins
    hot = replace(cold, condition=replace(cold.condition, temperature_c=60.0))
    mild = replace(mild, pin=cold.pin, condition=replace(cold.condition, temperature_c=-10.0))
    lines = list(summary_lines(replace(finding, pins=(mild, hot, sound))))
    assert lines[0] == "Fernhill irrigation controller FH-2417-001: 1 of 2 pins released every time without a resistor"
    assert lines[1].startswith("  D1: stuck high under reset default, 3.3 V, 60 °C (of 2 conditions), rests at 2.03")
    assert not [line for line in lines[2:] if line.startswith("  ")]


def test_a_pin_that_minutes_show_otherwise_is_no_all_clear() -> None:
    finding = two_stick()
    pin = finding.pins[2]
    free = replace(finding, pins=(pin,), trials=pin.rows)
    assert status_of(free) == ALL_RELEASED
    dwell = DwellFinding(pin.rows[0].trial, early_word="released", late_word="released")
    for early, late, status in (
        ("released", "released", ALL_RELEASED),
        ("released", "stuck between", OTHER_VERDICT),
        ("stuck high", "released", OTHER_VERDICT),
        (None, None, OTHER_VERDICT),
    ):
        held = replace(dwell, early_word=early, late_word=late)  # type: ignore[arg-type]
        assert status_of(replace(free, pins=(replace(pin, dwell=held),))) == status
