"""Long dwells in the report and in dwells.csv."""

from __future__ import annotations

import csv
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

from results.analysis.analysis import analyse
from results.analysis.findings import RunFinding
from results.record.trial import Pin
from results.report.dwell_section import dwell_section
from results.report.dwells_csv import write_dwells_csv
from results.report.more_tables import table_names
from tests.results.analysis.conditions.test_dwell import RECORD, climbs, dwelt
from tests.results.report.made_findings import fernhill


@cache
def two_dwells() -> RunFinding:
    """D1 climbs to stuck, D2 is steady, D3 was not made."""
    trial, seen = dwelt(climbs)
    steady, quiet = dwelt(lambda t: np.full_like(t, 0.1))
    made = [(trial, seen), (replace(steady, sequence=100, pin="D2"), quiet)]
    planned = (*(one for one, _ in made), replace(steady, sequence=101, pin="D3"))
    record = replace(RECORD, planned=planned, pins=tuple(Pin(name) for name in ("D1", "D2", "D3")))
    return analyse(record, made)


def test_one_row_a_dwell_and_a_figure_of_what_drifts() -> None:
    whole, drawn = dwell_section(two_dwells())
    assert whole.said == ("3 pins held and logged for minutes. The verdict changes on D1. Not determined on D3.",)
    [table] = whole.tables
    assert [row[0] for row in table.rows] == ["D1", "D2", "D3"]
    assert table.marked == frozenset({0})
    assert str(table.rows[0][-1]).startswith("drifts up by ")
    assert str(table.rows[1][-1]).endswith("; released throughout")
    assert table.rows[2][-1] == "long dwell: not made"
    assert (drawn.level, drawn.title[:38]) == (2, "D1: released early, stuck between late")
    [figure] = drawn.figures
    svg = figure.draw()
    assert "time from the release / min" in svg
    assert svg == figure.draw()


def test_nothing_is_said_where_none_was_planned() -> None:
    assert dwell_section(fernhill(())) == []
    assert "dwells.csv" not in table_names(fernhill(()))


def test_dwells_csv_has_one_row_a_dwell(tmp_path: Path) -> None:
    finding = two_dwells()
    assert "dwells.csv" in table_names(finding)
    write_dwells_csv(finding, tmp_path / "dwells.csv")
    with (tmp_path / "dwells.csv").open(encoding="utf-8", newline="") as file:
        first, second, third = csv.DictReader(file)
    assert (first["verdict_early"], first["verdict_late"], first["verdict_changes"]) == (
        "released",
        "stuck between",
        "yes",
    )
    assert abs(float(first["crossed_v_il_after_s"]) - 30.65) < 0.1
    assert (second["drifts"], second["verdict_changes"], second["crossed_v_il_after_s"]) == ("no", "no", "")
    assert (third["early_v"], third["drifts"], third["note"]) == ("", "", "long dwell: not made")
