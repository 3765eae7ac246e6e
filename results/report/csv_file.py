"""A CSV file of rows: UTF-8, comma, a header row, and no cell that a spreadsheet could take for a formula."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping
from pathlib import Path

from results.analysis.findings import Value
from results.record.durable import write_derived
from results.visible import visible

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""The full-width signs too: some spreadsheets read them as the narrow ones."""

Cell = str | float | int | bool | None


def text_cell(text: str) -> str:
    """Text that no spreadsheet takes for a formula: an apostrophe goes before what could start one.

    Leading blanks are looked through, as some spreadsheets drop them. Control characters are shown by their code.
    """
    text = visible(text)
    starts = text.startswith(_FORMULA) or text.lstrip().startswith(_FORMULA)
    return f"'{text}" if starts else text


def write_csv(path: Path, columns: Iterable[str], rows: Iterable[Mapping[str, Cell]]) -> None:
    """Write a header and one line a row, replacing what is there only once all is written.

    Every row holds a cell for every column; a number has nine significant digits, None and what is not finite is an
    empty cell. Raises RecordError where the file cannot be written.
    """
    names = list(columns)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(names)
    writer.writerows([_shown(row[name]) for name in names] for row in rows)
    write_derived(path, text.getvalue().encode("utf-8"))


def _shown(cell: Cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, str):
        return text_cell(cell)
    return f"{cell:.9g}" if math.isfinite(cell) else ""


def with_u(name: str, value: Value | None, unit: str) -> dict[str, Cell]:
    """A value and its standard uncertainty under their two column names."""
    if value is None or not math.isfinite(value.value):
        return {f"{name}_{unit}": None, f"{name}_u_{unit}": None}
    return {f"{name}_{unit}": value.value, f"{name}_u_{unit}": value.u}
