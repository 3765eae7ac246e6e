"""A section of the report as plain data: a heading, sentences, tables of cells, figures, notes. One look for all.

What a new kind of finding has to say is made into sections here and there in results/report; the layout is set once, in
report.typ, which knows nothing of what they are about.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from results.report.numbers import Cell

Align = Literal["left", "centre", "right"]


@dataclass(frozen=True)
class Column:
    """A column of a table: heading (may be empty), where its cells stand, and whether it takes the width left over."""

    heading: str
    align: Align = "left"
    wide: bool = False


@dataclass(frozen=True)
class Table:
    """A table of texts and numbers; `rows` as wide as `columns`. `marked`: the rows to be set in bold."""

    columns: tuple[Column, ...]
    rows: tuple[tuple[str | Cell, ...], ...]
    caption: str = ""
    marked: frozenset[int] = frozenset()

    def __post_init__(self) -> None:
        """Raises ValueError where a row is not as wide as the table."""
        for number, row in enumerate(self.rows):
            if len(row) != len(self.columns):
                raise ValueError(f"row {number}: {len(row)} cells in a table of {len(self.columns)} columns: {row!r}")


@dataclass(frozen=True)
class Figure:
    """What `draw` draws as SVG, `width_mm` wide, and what it shows in words (for those who cannot see it).

    It is drawn only for the PDF: drawing is what takes time.
    """

    draw: Callable[[], str]
    alt: str
    width_mm: float = 112.0


@dataclass(frozen=True)
class Section:
    """`said`: sentences below the heading; then tables, figures, and `notes` in small print. Level 2 stands within."""

    title: str
    said: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()
    figures: tuple[Figure, ...] = ()
    notes: tuple[str, ...] = ()
    level: Literal[1, 2] = 1


def as_data(sections: Sequence[Section]) -> list[dict[str, Any]]:
    """The sections as dictionaries, lists and strings (JSON as they stand)."""
    return [_section(one) for one in sections]


def _section(one: Section) -> dict[str, Any]:
    return {
        "title": one.title,
        "level": one.level,
        "said": list(one.said),
        "tables": [_table(table) for table in one.tables],
        "figures": [{"svg": "", "alt": each.alt, "width": each.width_mm} for each in one.figures],
        "notes": list(one.notes),
    }


def _table(table: Table) -> dict[str, Any]:
    return {
        "columns": [{"heading": c.heading, "align": c.align, "wide": c.wide} for c in table.columns],
        "rows": [
            {"bold": number in table.marked, "cells": [{"text": c} if isinstance(c, str) else dict(c) for c in row]}
            for number, row in enumerate(table.rows)
        ],
        "caption": table.caption,
    }
