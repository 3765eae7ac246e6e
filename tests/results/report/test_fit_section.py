"""The section on the resistor to fit: a value for the unit, and three rows a pin that needs one."""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import pytest

from harness.summary import summary_lines
from results.analysis.findings import Advice, RunFinding
from results.analysis.resistor.board_advice import board_advice
from results.analysis.resistor.neighbours import with_neighbours
from results.record.trial import Pin
from results.report.advice_csv import write_advice_csv
from results.report.content import report_content
from results.report.fit_section import fit_section, margin_text
from results.report.headline import headline
from results.report.more_tables import table_names
from tests.results.analysis.made_pins import Bench, analysed, d1, d2, d3, record_of


@cache
def two_stick(margin: float = 0.2) -> RunFinding:
    """D1 and D2 stick, D3 does not; each tried with five resistors."""
    bench = Bench()
    names = ("D1", "D2", "D3")
    record = replace(
        record_of(bench), rules=replace(bench.rules, margin=margin), pins=tuple(Pin(name) for name in names)
    )
    made = (replace(analysed(curve), pin=name) for name, curve in (("D1", d1), ("D2", d2), ("D3", d3)))
    pins = with_neighbours(record, tuple(made))
    rows = tuple(row for pin in pins for row in pin.rows)
    return RunFinding(record, rows, pins, (), board_advice(record, pins))


def test_three_values_for_the_unit_and_three_a_pin() -> None:
    [section] = fit_section(two_stick())
    unit, pins = section.tables
    assert section.title == "The resistor to fit"
    assert [row[0] for row in unit.rows] == [{"n": n, "unit": "kΩ"} for n in ("3.9", "4.7", "5.6")]
    assert unit.marked == frozenset({1})
    assert [row[0] for row in pins.rows] == ["D1", "", "", "D2", "", ""]
    assert pins.marked == frozenset({1, 4})


def test_the_first_sentence_names_the_value_the_worst_pin_and_what_it_rests_on() -> None:
    said = fit_section(two_stick())[0].said
    assert said[0].startswith("One value for the whole unit: 4.7\u00a0kΩ, the smallest of the values of 2 of 3 pins")
    assert "at D1, reset default, 3.3 V." in said[0]
    assert said[1].startswith("On at least one pin the value rests on trial resistors, with no sweep")


def test_where_a_pin_has_none_the_unit_has_none_and_the_reason_is_said() -> None:
    finding = two_stick()
    pins = (replace(finding.pins[0], advice=replace(finding.pins[0].advice, ohm=None)), *finding.pins[1:])
    [section] = fit_section(replace(finding, pins=pins, board_advice=board_advice(finding.record, pins)))
    assert section.said[0].startswith("One value for the whole unit: not determined: D1: ")
    assert section.said[1] == "4.7\u00a0kΩ suits every pin for which a value can be named."


def test_a_unit_that_needs_none_has_no_section_and_no_file() -> None:
    finding = two_stick()
    pins = finding.pins[2:]
    clear = replace(finding, pins=pins, board_advice=board_advice(finding.record, pins))
    assert fit_section(clear) == []
    assert "advice.csv" not in table_names(clear)


def test_a_margin_is_rounded_down_with_its_sign() -> None:
    assert (margin_text(0.2999), margin_text(-0.101), margin_text(None)) == (
        "29\u00a0%",
        "\u221211\u00a0%",
        "not determined",
    )


def test_advice_csv_has_the_pins_then_the_unit(tmp_path: Path) -> None:
    finding = two_stick()
    assert "advice.csv" in table_names(finding)
    write_advice_csv(finding, tmp_path / "advice.csv")
    with (tmp_path / "advice.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["pin"] for row in rows] == ["D1"] * 3 + ["D2"] * 3 + [""] * 3
    assert [row["which"] for row in rows[:3]] == ["next down", "recommended", "next up"]
    assert [float(row["resistor_ohm"]) for row in rows[6:]] == [3.9e3, 4.7e3, 5.6e3]
    assert float(rows[7]["margin"]) == pytest.approx(finding.pins[0].advice.margin, rel=1e-8)
    assert rows[0]["release_time_from"] == "at most, as measured with 4.7 kΩ"


def test_the_headline_names_what_suits_the_pins_under_every_condition_that_counts() -> None:
    """Stuck as found too, where no resistor was tried: "no value can be named" used to stand there."""
    finding = two_stick()
    found = tuple(
        replace(
            pin,
            condition=replace(pin.condition, pin_setup="as found"),
            rows=tuple(replace(row, trial=replace(row.trial, as_found=True)) for row in pin.rows),
            advice=Advice(None, True, None, "no trial with a resistor: plan some"),
        )
        for pin in finding.pins[:2]
    )
    pins = (*found, *finding.pins)
    as_found = replace(finding, pins=pins, board_advice=board_advice(finding.record, pins))
    said = "2 of 3 pins stay high under at least one condition; fit 4.7\u00a0kΩ to ground on each."
    assert headline(as_found)["text"] == said
    cold = replace(finding.pins[0], condition=replace(finding.pins[0].condition, temperature_c=-20.0))
    cold = replace(cold, advice=replace(cold.advice, ohm=3.3e3))
    pins = (cold, *finding.pins)
    assert (
        "fit 3.3\u00a0kΩ to ground on each"
        in headline(replace(finding, pins=pins, board_advice=board_advice(finding.record, pins)))["text"]
    )


def test_page_one_and_the_terminal_name_what_suits_a_pin_under_every_condition() -> None:
    """Hot, where it sticks as well, D1 needs 3.3 kΩ; the row of its worst verdict used to say 4.7 kΩ."""
    finding = two_stick()
    first = finding.pins[0]
    hot = replace(
        first,
        condition=replace(first.condition, temperature_c=60.0),
        verdict="stuck between",
        advice=replace(first.advice, ohm=3.3e3),
    )
    pins = (first, hot, *finding.pins[1:])
    both = replace(finding, pins=pins, board_advice=board_advice(finding.record, pins))
    rows = report_content(both, written_utc=datetime(2026, 1, 2, tzinfo=UTC))["stuck"]["rows"]
    assert [(row["pin"], row["fit"]["n"]) for row in rows] == [("D1", "3.3"), ("D2", "4.7")]
    assert [line for line in summary_lines(both) if line.startswith("  D1: ") and line.endswith("fit 3.3 kΩ")]
