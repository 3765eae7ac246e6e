"""The section on board or chip: a sentence a pin, and each step with its leak and its share."""

from __future__ import annotations

from dataclasses import replace

from results.analysis.conditions.board_or_chip import origin_of
from results.analysis.findings import RunFinding
from results.analysis.found.origin import ChecklistStep
from results.analysis.value import Value
from results.report.more_tables import table_names
from results.report.origin_section import origin_section
from tests.results.analysis.made_pins import Bench, analysed, d1, record_of

STEPS = (
    ChecklistStep("as it stands", 3, 3, Value(2.03, 0.001), Value(34e-6, 1e-6), None, "not known", 0.41),
    ChecklistStep("buffer off", 3, 3, Value(0.001, 0.0005), Value(17e-9, 9e-9), Value(0.0005, 0.0003), "gone"),
    ChecklistStep("cleaned", 3, 0, None, None, None, "not known", 0.38, "no needle"),
)


def finding(*steps: ChecklistStep) -> RunFinding:
    pin = analysed(d1)
    made = replace(pin, origin=origin_of(steps)) if steps else pin
    return RunFinding(record_of(Bench()), made.rows, (made,))


def test_the_first_words_name_the_origin_and_what_tells_it() -> None:
    [section] = origin_section(finding(*STEPS))
    assert section.said == ("D1: the chip: gone with the input buffer off.",)
    [table] = section.tables
    assert [row[0] for row in table.rows] == ["D1", "", ""]
    assert [row[2] for row in table.rows] == ["3 of 3", "3 of 3", "0 of 3"]
    assert [row[5] for row in table.rows] == ["–", {"n": "0 ± 1", "unit": "%"}, "–"]
    assert [row[6] for row in table.rows] == ["–", "gone", "not known"]
    assert [row[7] for row in table.rows] == ["41 %", "–", "38 %"]
    assert table.rows[2][8] == "no needle"


def test_without_a_checklist_there_is_neither_section_nor_file() -> None:
    assert origin_section(finding()) == []
    assert "checklist.csv" not in table_names(finding())
    assert "checklist.csv" in table_names(finding(*STEPS))
