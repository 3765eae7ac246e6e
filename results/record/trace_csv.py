"""One trace as another instrument saved it: text with a time and a voltage column. No I/O: bytes in, Trace out.

Oscilloscopes put lines before the column names, name the columns their own way ("Time (ms)", "Second", "CH1"), and
separate by semicolon or tab where the comma is the decimal point. All this is read; nothing is guessed: where two
columns could be meant, or a unit is unknown, the trace is refused.
"""

from __future__ import annotations

import codecs
import csv
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from results.errors import ForeignTraceError
from results.record.trace import Trace

MIN_SAMPLES = 10
"""Fewer samples than this are no trace of a press and release."""

OVERLOAD = 9.9e37
"""SCPI-99 vol. 1, 7.2.1: 9.9E37 stands for infinity and 9.91E37 for not a number; instruments use both for overload."""

_DIVISORS = {
    "time": {"s": 1.0, "ms": 1e3, "us": 1e6, "ns": 1e9},
    "voltage": {"V": 1.0, "mV": 1e3, "uV": 1e6, "kV": 1e-3},
}
# Units as abbreviated are told apart by case (mV, MV); words are not.
_UNIT_SPELLINGS = {"S": "s", "v": "V", "mv": "mV"}
_UNIT_WORDS = {"sec": "s", "second": "s", "seconds": "s", "msec": "ms", "usec": "us", "volt": "V", "volts": "V"}
_NAMES = {
    "time": re.compile(r"t|time|times|sec|seconds?|zeit"),
    "voltage": re.compile(r"v|u|volts?|voltage|spannung|(?:voltage\s)?(?:ch|chan|channel|c)\s?[\da-d]+(?:\s?voltage)?"),
}
# "Time (ms)", "Time [ms]", "Time / ms", "time_ms", "Time in ms", "t ms": a name, and its unit behind it.
_NAME_AND_UNIT = re.compile(
    r"(?P<name>.*?)\s*(?:\((?P<round>.*)\)|\[(?P<square>.*)\]|(?:[/_,\s]|\sin\s)\s*(?P<bare>\S+))"
)

_LONGEST_NAME = 80

Quantity = Literal["time", "voltage"]


@dataclass(frozen=True)
class Table:
    """Rows of cells with the number of the line that each one stood on; `decimal_comma` says how to read a number."""

    rows: tuple[tuple[int, tuple[str, ...]], ...]
    decimal_comma: bool


@dataclass(frozen=True)
class _Column:
    index: int
    name: str
    divisor: float


def read_trace(data: bytes, name: str, min_samples: int = MIN_SAMPLES) -> Trace:
    """The trace in the bytes of a file called `name`; times in second and voltages in volt, as logged.

    Voltages that are empty, not finite or a sentinel (9.9e37 and above) are overloads: NaN. Times need not be evenly
    spaced. Raises ForeignTraceError naming file, line, rule and value.
    """
    table = read_table(data, name)
    if not table.rows:
        raise ForeignTraceError(f"{name}: empty")
    start, width, time, voltage = _columns(table, name)
    times: list[float] = []
    volts: list[float] = []
    for line, cells in table.rows[start:]:
        where = f"{name}: line {line}"
        if len(cells) <= max(time.index, voltage.index):
            raise ForeignTraceError(f"{where}: {len(cells)} columns, expected {width}: {_excerpt(cells)}")
        if any(cells[width:]):
            raise ForeignTraceError(f"{where}: more than the {width} columns that are named: {_excerpt(cells)}")
        moment = _time(cells[time.index], table.decimal_comma, f"{where}: {time.name}") / time.divisor
        if times and moment <= times[-1]:
            raise ForeignTraceError(f"{where}: {time.name}: not increasing: {moment!r} s after {times[-1]!r} s")
        times.append(moment)
        volts.append(_volts(cells[voltage.index], table.decimal_comma, f"{where}: {voltage.name}") / voltage.divisor)
    if len(times) < min_samples:
        raise ForeignTraceError(f"{name}: {len(times)} samples, expected at least {min_samples}")
    return Trace(np.array(times), np.array(volts))


def read_table(data: bytes, name: str) -> Table:
    """Cells of a text of comma-, semicolon- or tab-separated values, stripped; blank lines are left out.

    UTF-8 and UTF-16 with a byte order mark, UTF-8, or else Latin-1; any line ending. Raises ForeignTraceError.
    """
    lines = re.split(r"\r\n|\n|\r", _text(data, name))
    separator = _separator([line for line in lines if line.strip()])
    reader = csv.reader(lines, delimiter=separator)
    try:
        rows = [
            (reader.line_num, tuple(cell.strip() for cell in cells)) for cells in reader if any(map(str.strip, cells))
        ]
    except csv.Error as exc:
        raise ForeignTraceError(f"{name}: line {reader.line_num}: not separated values: {exc}") from exc
    return Table(tuple(rows), decimal_comma=separator != ",")


def number(cell: str, decimal_comma: bool) -> float:
    """The number in a cell, which may be inf or nan. Raises ValueError."""
    if "_" in cell:  # Python's own digit separator is no number in a file
        raise ValueError(cell)
    return float(cell.replace(",", ".") if decimal_comma else cell)


def _text(data: bytes, name: str) -> str:
    marked = {codecs.BOM_UTF8: "utf-8-sig", codecs.BOM_UTF16_LE: "utf-16", codecs.BOM_UTF16_BE: "utf-16"}
    encoding = next((encoding for mark, encoding in marked.items() if data.startswith(mark)), "utf-8")
    try:
        return data.decode(encoding)
    except UnicodeDecodeError as exc:
        if encoding != "utf-8":
            raise ForeignTraceError(f"{name}: byte {exc.start}: not {encoding}, as its first bytes say") from exc
    return data.decode("latin-1")


def _separator(lines: list[str]) -> str:
    """The separator of the data: what most of the last lines hold (the first ones may be free text)."""
    last = lines[-20:]
    for separator in ("\t", ";"):
        if sum(separator in line for line in last) * 2 > len(last):
            return separator
    return ","


def _columns(table: Table, name: str) -> tuple[int, int, _Column, _Column]:
    """(first data row, number of columns, time, voltage)."""
    for index, (line, cells) in enumerate(table.rows):
        where = f"{name}: line {line}"
        if all(_is_number(cell, table.decimal_comma) for cell in cells if cell):
            if len([cell for cell in cells if cell]) < 2:
                raise ForeignTraceError(f"{where}: only one column: {_excerpt(cells)}")
            break
        times, volts = _candidates("time", cells), _candidates("voltage", cells)
        if not (times and volts):
            continue
        units = _unit_row(table.rows[index + 1][1]) if index + 1 < len(table.rows) else None
        width = max(i for i, cell in enumerate(cells) if cell) + 1
        time = _column("time", times, cells, units, where)
        voltage = _column("voltage", volts, cells, units, where)
        return index + (1 if units is None else 2), width, time, voltage
    raise ForeignTraceError(f"{name}: no line names a time and a voltage column, such as time_s,voltage_v")


def _candidates(quantity: Quantity, cells: Sequence[str]) -> list[int]:
    """Where that quantity may stand; a column called time_s or voltage_v leaves no doubt."""
    plain = {"time": "time_s", "voltage": "voltage_v"}[quantity]
    exact = [index for index, cell in enumerate(cells) if cell.casefold() == plain]
    return exact or [index for index, cell in enumerate(cells) if _named(quantity, cell)]


def _named(quantity: Quantity, cell: str) -> bool:
    if len(cell) > _LONGEST_NAME:
        return False
    return _unit(quantity, cell) is not None or _NAMES[quantity].fullmatch(_split(cell)[0].casefold()) is not None


def _column(
    quantity: Quantity, found: list[int], cells: Sequence[str], units: Sequence[str] | None, where: str
) -> _Column:
    if len(found) > 1:
        names = ", ".join(repr(cells[index]) for index in found)
        plain = {"time": "time_s", "voltage": "voltage_v"}[quantity]
        raise ForeignTraceError(f"{where}: more than one {quantity} column: {names}; name the one that counts {plain}")
    index = found[0]
    cell = cells[index]
    # A column may be named by its unit alone ("Second"), carry it in its name, or have it in a row below.
    written = cell if _unit(quantity, cell) is not None else _split(cell)[1]
    if not written and units is not None and index < len(units):
        written = units[index].strip("()[]")
    unit = _unit(quantity, written) if written else {"time": "s", "voltage": "V"}[quantity]
    if unit is None:
        known = ", ".join(_DIVISORS[quantity])
        raise ForeignTraceError(f"{where}: {cell}: unit of {quantity} not known: {written!r}, expected one of {known}")
    return _Column(index, cell, _DIVISORS[quantity][unit])


def _split(cell: str) -> tuple[str, str]:
    """A column's name and its unit as written; the whole cell and nothing where it carries none."""
    for quantity in _NAMES:
        if _NAMES[quantity].fullmatch(cell.casefold()):
            return cell, ""
    match = _NAME_AND_UNIT.fullmatch(cell)
    if match is None:
        return cell, ""
    return match["name"], (match["round"] or match["square"] or match["bare"] or "").strip()


def _unit(quantity: Quantity, written: str) -> str | None:
    text = written.strip().replace("µ", "u").replace("μ", "u")
    text = _UNIT_SPELLINGS.get(text) or _UNIT_WORDS.get(text.casefold()) or text
    return text if text in _DIVISORS[quantity] else None


def _unit_row(cells: Sequence[str]) -> Sequence[str] | None:
    """The row below the names, where it holds units and nothing else."""
    bare = [cell.strip("()[]") for cell in cells if cell]
    return cells if bare and all(_unit("time", cell) or _unit("voltage", cell) for cell in bare) else None


def _is_number(cell: str, decimal_comma: bool) -> bool:
    try:
        number(cell, decimal_comma)
    except ValueError:
        return False
    return True


def _time(cell: str, decimal_comma: bool, where: str) -> float:
    value = _read_number(cell, decimal_comma, where)
    if not math.isfinite(value):
        raise ForeignTraceError(f"{where}: not a finite number: {cell!r}")
    return value


def _volts(cell: str, decimal_comma: bool, where: str) -> float:
    if not cell:
        return math.nan
    value = _read_number(cell, decimal_comma, where)
    return value if abs(value) < OVERLOAD else math.nan


def _read_number(cell: str, decimal_comma: bool, where: str) -> float:
    try:
        return number(cell, decimal_comma)
    except ValueError as exc:
        raise ForeignTraceError(f"{where}: not a number: {cell[:60]!r}") from exc


def _excerpt(cells: Sequence[str]) -> str:
    return repr(",".join(cells)[:60])
