"""advice.csv: the recommended resistor and its neighbours, one row a value, for each pin and for the whole unit."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from results.analysis.findings import RunFinding
from results.analysis.found.fitting import SeriesValue
from results.record.trial import Condition
from results.report.csv_file import Cell, write_csv

COLUMNS = (
    "unit",
    "pin",
    "pin_setup",
    "rail_v",
    "temperature_c",
    "which",
    "resistor_ohm",
    "margin",
    "keeps_margin",
    "clears",
    "pressed_a",
    "pull_down_counted",
    "resistor_power_w",
    "rail_power_w",
    "release_time_s",
    "release_time_from",
    "note",
)


def has_advice(finding: RunFinding) -> bool:
    """Whether any pin needs a resistor, or may need one."""
    return finding.board_advice is not None and finding.board_advice.needed is not False


def write_advice_csv(finding: RunFinding, path: Path) -> None:
    """The pins in their order, then the whole unit (`pin` empty). Raises RecordError where it cannot be written."""
    write_csv(path, COLUMNS, _rows(finding))


def _rows(finding: RunFinding) -> Iterator[dict[str, Cell]]:
    unit = finding.record.unit.serial or finding.record.unit.name
    for pin in finding.pins:
        for value in pin.advice.neighbours:
            yield {**_head(unit, pin.pin, pin.condition), **_cells(value), "note": pin.advice.reason}
    board = finding.board_advice
    if board is None:
        return
    for value in board.neighbours:
        yield {**_head(unit, "", None), **_cells(value), "note": board.reason}
    if not board.neighbours:
        yield {**dict.fromkeys(COLUMNS), **_head(unit, "", None), "note": board.reason}


def _head(unit: str, pin: str, condition: Condition | None) -> dict[str, Cell]:
    return {
        "unit": unit,
        "pin": pin,
        "pin_setup": "" if condition is None else condition.pin_setup,
        "rail_v": None if condition is None else condition.rail_v,
        "temperature_c": None if condition is None else condition.temperature_c,
    }


def _cells(value: SeriesValue) -> dict[str, Cell]:
    return {
        "which": value.which,
        "resistor_ohm": value.ohm,
        "margin": value.margin,
        "keeps_margin": value.keeps_margin,
        "clears": value.clears,
        "pressed_a": value.pressed_a,
        "pull_down_counted": value.pull_down_counted,
        "resistor_power_w": value.resistor_w,
        "rail_power_w": value.rail_w,
        "release_time_s": value.release_time_s,
        "release_time_from": value.release_from,
    }
