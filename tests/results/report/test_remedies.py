"""Remedies side by side: which one clears every pin, at what price, and the details by pin."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from harness.summary import summary_lines
from results.analysis.findings import RunFinding
from results.analysis.found.remedy import RemedyFinding
from results.analysis.value import Value
from results.record.run_record import Remedy, RemedyRules
from results.report.remedies import COLUMNS, remedy_sections, write_remedies_csv
from results.report.report import report_pdf
from tests.results.report.made_findings import fernhill

ALL: tuple[Remedy, ...] = ("external pull-down", "driven low", "changeover contact", "polled buffer")
RESISTOR = RemedyFinding(
    "external pull-down",
    "clears",
    tries=3,
    cleared=3,
    margin=0.134,
    margin_of="conductance",
    extra_current_a=402e-6,
    power_w=1.33e-3,
    release_time_s=0.4e-3,
    rest=Value(0.0, 2.9e-4),
    resistor="8.2 kΩ",
)
DRIVEN = RemedyFinding(
    "driven low",
    "clears",
    tries=3,
    cleared=3,
    margin=38.0,
    margin_of="current",
    extra_current_a=0.0,
    power_w=0.0,
    release_time_s=0.2e-3,
    first=Value(2e-9, 12e-9),
    settled=Value(1e-9, 12e-9),
    needed=Value(101.9e-6, 0.15e-6),
)
CHANGED = RemedyFinding("changeover contact", "clears", 3, 3, 7.3, "time", 0.0, 0.0, 6e-3)
POLLED = RemedyFinding(
    "polled buffer",
    "clears",
    tries=3,
    cleared=3,
    margin=26.7,
    margin_of="time",
    extra_current_a=0.0,
    power_w=0.0,
    polls=120,
    polls_right=120,
    followed_s=0.052,
    safe_gap=Value(1.8715e-3, 1.1e-6),
)


def made() -> RunFinding:
    """D1 is cleared by all, D2 not by polling, D3 does not latch."""
    finding = fernhill(("D1", "D2", "D3"))
    rules = RemedyRules(ALL, 4e-3, "polled buffer", 0.05, 20e-6, polls=20)
    first, second, third, *rest = finding.pins
    wrong = replace(
        POLLED, verdict="does not clear", cleared=0, margin=None, polls_right=60, note="the board read polls wrong"
    )
    idle = tuple(RemedyFinding(remedy, "nothing to clear", 3, 3, extra_current_a=0.0) for remedy in ALL)
    pins = (
        replace(first, remedies=(RESISTOR, DRIVEN, CHANGED, POLLED)),
        replace(second, remedies=(replace(RESISTOR, margin=None), replace(DRIVEN, margin=12.0), CHANGED, wrong)),
        replace(third, remedies=idle),
        *rest,
    )
    return replace(finding, record=replace(finding.record, remedies=rules), pins=pins)


def test_a_row_a_remedy_says_what_it_clears_with_what_margin_and_at_what_price() -> None:
    compared, _ = remedy_sections(made())
    [table] = compared.tables
    assert [row[:3] for row in table.rows] == [
        ("external pull-down", "2 of 2", "13 % in conductance; open for 1"),
        ("driven low", "2 of 2", "13 × in current"),
        ("changeover contact", "2 of 2", "730 % in time"),
        ("polled buffer", "1 of 2, not D2", "27.7 × in time"),
    ]
    assert [row[3:] for row in table.rows] == [
        ("402 µA", "1.33 mW", "400 µs", "a resistor a pin"),
        ("none", "none", "200 µs", "a driver that sinks, a pin"),
        ("none", "none", "6 ms", "a changeover contact and its ground wire, a pin"),
        ("none", "none", "not determined", "none (firmware)"),
    ]
    assert table.marked == frozenset({0, 1, 2})


def test_each_pin_has_its_numbers_with_their_u() -> None:
    _, by_pin = remedy_sections(made())
    [table] = by_pin.tables
    texts = [[str(cell).replace("\u00a0", " ") for cell in row] for row in table.rows]
    seen = {(row[0], row[1]): tuple(row[2:]) for row in texts}
    assert seen["D1", "driven low"] == (
        "clears, 3 of 3",
        "39 × in current",
        "below V_IL after 200 µs; to sink (101.90 ± 0.30) µA; source sank (2 ± 24) nA at first, (1 ± 24) nA at rest",
    )
    assert seen["D1", "polled buffer"][2] == (
        "120 of 120 polls right; board followed a release within 52 ms; safe gap (1.8715 ± 0.0022) ms"
    )
    assert seen["D2", "polled buffer"][0] == "does not clear, 0 of 3"
    assert seen["D3", "driven low"][:2] == ("nothing to clear, 3 of 3", "–")


def test_the_summary_has_a_line_a_remedy() -> None:
    lines = list(summary_lines(made()))
    assert "driven low clears 2 of 2 pins that latch" in lines
    assert "polled buffer clears 1 of 2 pins that latch, not D2" in lines


def test_without_remedies_there_is_no_section() -> None:
    assert remedy_sections(fernhill(("D1",))) == []


def test_the_sections_are_typeset() -> None:
    assert report_pdf(made(), written_utc=datetime(2026, 1, 2, tzinfo=UTC)).startswith(b"%PDF")


def test_the_csv_has_a_row_a_pin_and_remedy(tmp_path: Path) -> None:
    write_remedies_csv(made(), tmp_path / "remedies.csv")
    header, *rows = (tmp_path / "remedies.csv").read_text(encoding="utf-8").splitlines()
    assert header.split(",") == list(COLUMNS)
    assert len(rows) == 3 * 4
    cells = dict(zip(COLUMNS, rows[3].split(","), strict=True))
    assert (cells["remedy"], cells["polls"], cells["polls_right"]) == ("polled buffer", "120", "120")
    assert (cells["safe_gap_s"], cells["safe_gap_is_upper_bound"]) == ("0.0018715", "no")
    assert (cells["needed_current_a"], cells["trial_resistor"], cells["parts_added"]) == ("", "", "none (firmware)")
