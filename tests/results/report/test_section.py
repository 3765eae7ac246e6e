"""Sections beyond the presses: plain data, one look."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from results.report import more_sections
from results.report.report import report_pdf
from results.report.section import Column, Figure, Section, Table, as_data
from tests.results.report.made_findings import fernhill

SVG = '<svg xmlns="http://www.w3.org/2000/svg" width="40" height="10"><path d="M0 0L40 10" stroke="black"/></svg>'


def made(rows: int) -> Section:
    columns = (Column("Pin"), Column("V_IL", "right"), Column("Because", wide=True))
    cells = tuple((f"D{n}", {"n": "1.20 ± 0.10", "unit": "kΩ"}, "*not* #markup") for n in range(rows))
    return Section(
        "Made", ("One sentence.",), (Table(columns, cells, "Caption", frozenset({0})),), (Figure(lambda: SVG, "x"),)
    )


def test_a_row_of_another_width_than_its_table_is_refused() -> None:
    with pytest.raises(ValueError, match="row 1: 1 cells in a table of 2 columns"):
        Table((Column("a"), Column("b")), (("1", "2"), ("3",)))


def test_cells_are_texts_or_numbers_with_their_unit() -> None:
    [data] = as_data([made(1)])
    assert data["tables"][0]["rows"] == [
        {"bold": True, "cells": [{"text": "D0"}, {"n": "1.20 ± 0.10", "unit": "kΩ"}, {"text": "*not* #markup"}]}
    ]


def test_a_section_is_typeset_and_a_long_table_goes_over_pages(monkeypatch: pytest.MonkeyPatch) -> None:
    """A stranger's text is no markup; more rows make more pages."""
    written = datetime(2026, 1, 2, tzinfo=UTC)
    pages = []
    for rows in (1, 200):
        monkeypatch.setattr(more_sections, "MAKERS", (lambda _, rows=rows: [made(rows)],))
        pages.append(report_pdf(fernhill(()), written_utc=written).count(b"/MediaBox"))
    assert 0 < pages[0] < pages[1]
