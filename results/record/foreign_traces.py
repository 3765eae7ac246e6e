"""A folder of traces that another instrument saved: trials.csv says what each file is a trial of.

trials.csv has the columns file, pin, trial_resistor_ohm (empty or "none": none fitted), pin_setup, repeat, and may have
hold_v, released_at_s, reads (high, low), temperature_c; other columns are left alone. What is wrong with trials.csv is
wrong with all of it and is raised; what is wrong with one trace is kept beside that trial and stops no other.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path, PureWindowsPath
from typing import cast

from results.errors import ForeignTraceError, QuantityError
from results.quantity import parse, resistor_name
from results.record.bounds import TRACE_CSV_BYTES, TRIALS_CSV_BYTES
from results.record.observation import Reading
from results.record.plain_file import read_plain
from results.record.trace import Trace
from results.record.trace_csv import MIN_SAMPLES, number, read_table, read_trace
from results.record.trial import NO_RESISTOR

TRIALS = "trials.csv"
REQUIRED = ("file", "pin", "trial_resistor_ohm", "pin_setup", "repeat")
WORDS_MOST = 200
OPTIONAL = ("hold_v", "released_at_s", "reads", "temperature_c")


@dataclass(frozen=True)
class ForeignTrace:
    """One row of trials.csv with its trace.

    `trace` is None exactly where `problem` says in one line (file, line, rule, value) why it cannot be read.
    `trial_resistor_ohm` is None where none was fitted. `hold_v` in volt, `released_at_s` in second on the trace's own
    time axis, `temperature_c`: None where not stated. `line`: of trials.csv.
    """

    file: str
    pin: str
    trial_resistor_ohm: float | None
    pin_setup: str
    repeat: int
    trace: Trace | None
    problem: str = ""
    hold_v: float | None = None
    released_at_s: float | None = None
    reads: Reading = ""
    temperature_c: float | None = None
    line: int = 0


def read_folder(folder: Path, min_samples: int = MIN_SAMPLES) -> list[ForeignTrace]:
    """All rows of a folder's trials.csv, in its order, each with its trace or its problem.

    Raises ForeignTraceError for what is wrong with trials.csv: missing, a column missing, a value that cannot be one, a
    file outside the folder, the same trial twice.
    """
    path = folder / TRIALS
    try:
        table = read_table(read_plain(path, TRIALS_CSV_BYTES), TRIALS)
    except FileNotFoundError as exc:
        raise ForeignTraceError(f"{path}: missing: it says which file is which trial") from exc
    except OSError as exc:
        raise ForeignTraceError(f"{path}: cannot be read: {exc.strerror}") from exc
    if not table.rows:
        raise ForeignTraceError(f"{TRIALS}: empty")
    names = _column_names(table.rows[0][1])
    seen: dict[tuple[object, ...], int] = {}
    rows = []
    for line, cells in table.rows[1:]:
        row = _Row(line, dict(zip(names, cells, strict=False)), table.decimal_comma)
        if any(cells[len(names) :]):
            raise row.wrong("", f"{len(cells)} columns, expected {len(names)}")
        described = _described(row, folder)
        key = (described.pin, resistor_name(described.trial_resistor_ohm), described.pin_setup, described.repeat)
        if key in seen:
            raise row.wrong("", f"the same trial as line {seen[key]}: pin, trial resistor, pin setup and repeat")
        seen[key] = line
        rows.append(described)
    if not rows:
        raise ForeignTraceError(f"{TRIALS}: no trial in it")
    return [_with_trace(row, folder, min_samples) for row in rows]


@dataclass(frozen=True)
class _Row:
    """One line of trials.csv by column name; every reader raises ForeignTraceError naming line, column and value."""

    line: int
    cells: dict[str, str]
    decimal_comma: bool

    def wrong(self, column: str, rule: str) -> ForeignTraceError:
        place = f"{TRIALS}: line {self.line}: {column}: " if column else f"{TRIALS}: line {self.line}: "
        return ForeignTraceError(place + rule)

    def text(self, column: str) -> str:
        text = self.cells.get(column, "")
        if not text:
            raise self.wrong(column, "empty")
        return text

    def words(self, column: str) -> str:
        """A name that ends up in tables, in the report and on a terminal: one line, none of it hidden."""
        text = self.text(column)
        if not text.isprintable() or len(text) > WORDS_MOST:
            raise self.wrong(column, f"must be one line of no more than {WORDS_MOST} characters: {text[:60]!r}")
        return text

    def value(self, column: str) -> float | None:
        """A finite number; None where the cell is empty or the column not there."""
        text = self.cells.get(column, "")
        if not text:
            return None
        return self._finite(column, text, lambda: number(text, self.decimal_comma))

    def ohm(self, column: str) -> float | None:
        text = self.cells.get(column, "")
        if text.casefold() in ("", NO_RESISTOR):
            return None
        ohm = self._finite(column, text, lambda: self._ohm(text))
        if ohm <= 0.0:
            raise self.wrong(column, f"a resistance must be positive: {text!r} Ω")
        return ohm

    def whole(self, column: str) -> int:
        text = self.text(column)
        if not (text.isascii() and text.isdigit() and int(text[:9]) >= 1 and len(text) <= 9):
            raise self.wrong(column, f"not a whole number from 1 up: {text[:60]!r}")
        return int(text)

    def reads(self, column: str) -> Reading:
        text = self.cells.get(column, "").casefold()
        if text not in ("", "high", "low"):
            raise self.wrong(column, f"neither high nor low nor empty: {text[:60]!r}")
        return cast(Reading, text)

    def _ohm(self, text: str) -> float:
        """The column's name gives the unit of a bare number; a quantity with its own is as good."""
        try:
            return number(text, self.decimal_comma)
        except ValueError:
            return parse(text, "Ω")

    def _finite(self, column: str, text: str, read: Callable[[], float]) -> float:
        try:
            value = read()
        except QuantityError as exc:
            raise self.wrong(column, str(exc)) from exc
        except ValueError as exc:
            raise self.wrong(column, f"not a number: {text[:60]!r}") from exc
        if not math.isfinite(value):
            raise self.wrong(column, f"not a finite number: {text[:60]!r}")
        return value


def _column_names(cells: tuple[str, ...]) -> list[str]:
    names = [cell.casefold() for cell in cells]
    missing = [name for name in REQUIRED if name not in names]
    if missing:
        raise ForeignTraceError(f"{TRIALS}: column missing: {', '.join(missing)}; it has {', '.join(names)[:200]}")
    twice = [name for name in (*REQUIRED, *OPTIONAL) if names.count(name) > 1]
    if twice:
        raise ForeignTraceError(f"{TRIALS}: column more than once: {', '.join(twice)}")
    return names


def _described(row: _Row, folder: Path) -> ForeignTrace:
    """What a row says, before its trace is looked at."""
    return ForeignTrace(
        file=_inside(row, folder),
        pin=row.words("pin"),
        trial_resistor_ohm=row.ohm("trial_resistor_ohm"),
        pin_setup=row.words("pin_setup"),
        repeat=row.whole("repeat"),
        trace=None,
        hold_v=row.value("hold_v"),
        released_at_s=row.value("released_at_s"),
        reads=row.reads("reads"),
        temperature_c=row.value("temperature_c"),
        line=row.line,
    )


def _inside(row: _Row, folder: Path) -> str:
    """A file's name that stays inside the folder: on either system's way of writing paths, and through links too."""
    file = row.words("file")
    either = PureWindowsPath(file)
    if "\0" in file or either.drive or either.root or ".." in either.parts:
        raise row.wrong("file", f"leads outside the folder: {file[:200]!r}")
    inside = Path(os.path.realpath(folder / file)).is_relative_to(os.path.realpath(folder))
    if not inside:
        raise row.wrong("file", f"leads outside the folder: {file[:200]!r}")
    return file


def _with_trace(row: ForeignTrace, folder: Path, min_samples: int) -> ForeignTrace:
    try:
        # A link was followed to where it leads before: inside.
        data = read_plain(folder / row.file, TRACE_CSV_BYTES, links=True)
        return replace(row, trace=read_trace(data, row.file, min_samples))
    except ForeignTraceError as exc:
        return replace(row, problem=str(exc))
    except OSError as exc:
        return replace(row, problem=f"{row.file}: cannot be read: {exc.strerror}")
