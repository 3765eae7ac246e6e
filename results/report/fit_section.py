"""The report's section on the resistor to fit: one value for the unit, and the next ones of the series beside it."""

from __future__ import annotations

import math
from collections.abc import Sequence

from results.analysis.findings import PinFinding, RunFinding
from results.analysis.found.fitting import BoardAdvice, SeriesValue
from results.analysis.resistor.board_advice import condition_text
from results.report.numbers import NOT_DETERMINED, Cell, bare_cell, plain
from results.report.section import Column, Section, Table
from results.words import words_for

_CLEARS = {"clears": "yes", "not shown": "not shown", "sticks": "no: sticks"}


def fit_section(finding: RunFinding) -> list[Section]:
    """One section where any pin needs a resistor, or may need one; else none."""
    board = finding.board_advice
    if board is None or board.needed is False:
        return []
    tables = [table for table in (_unit_table(board), _pin_table(finding, board)) if table.rows]
    return [Section("The resistor to fit", tuple(_said(finding, board)), tuple(tables), notes=tuple(_notes(finding)))]


def margin_text(margin: float | None) -> str:
    """Whole per cent, rounded down: a margin must not be shown larger than it is."""
    if margin is None or not math.isfinite(margin):
        return NOT_DETERMINED
    whole = math.floor(100.0 * margin + 1e-9)
    sign = "\u2212" if whole < 0 else ""
    return f"{sign}{abs(whole)}\u00a0%"


def _said(finding: RunFinding, board: BoardAdvice) -> list[str]:
    if board.ohm is not None:
        said = [f"One value for the whole unit: {plain(board.ohm, 'Ω')}, {board.reason}."]
    else:
        said = [f"One value for the whole unit: {board.reason}."]
        if board.so_far_ohm is not None:
            said.append(f"{plain(board.so_far_ohm, 'Ω')} suits every pin for which a value can be named.")
    if board.tried_only and board.so_far_ohm is not None:
        said.append(
            "On at least one pin the value rests on trial resistors, with no sweep to tell the limit: it can be no "
            "better than the values tried, and a larger one of the series may do as well."
        )
    said += [f"Not counted: {why}." for why in board.left_out]
    return said


def _unit_table(board: BoardAdvice) -> Table:
    columns = (Column("Value", "right"), *_COLUMNS)
    rows = tuple((bare_cell(value.ohm, "Ω"), *_cells(value)) for value in board.neighbours)
    return Table(columns, rows, "The whole unit: each number is the worst over its pins.", _marked(board.neighbours))


def _pin_table(finding: RunFinding, board: BoardAdvice) -> Table:
    """Three rows a pin, under the condition in which it needs the smallest value."""
    several = len({pin.condition for pin in finding.pins}) > 1
    found = [(pin, value) for pin in _worst_of(finding.pins, board) for value in pin.advice.neighbours]
    columns = (Column("Pin"), *([Column("Condition")] if several else []), Column("Value", "right"), *_COLUMNS)
    rows = tuple(
        (
            pin.pin if value.which == "next down" else "",
            *([condition_text(pin.condition) if value.which == "next down" else ""] if several else []),
            bare_cell(value.ohm, "Ω"),
            *_cells(value),
        )
        for pin, value in found
    )
    caption = "Each pin that needs a resistor, under the condition that asks for the smallest; in bold the recommended."
    return Table(columns, rows, caption, _marked([value for _, value in found]))


def _worst_of(pins: Sequence[PinFinding], board: BoardAdvice) -> list[PinFinding]:
    worst = {(fit.pin, fit.condition) for fit in board.pins if fit.ohm is not None}
    return [pin for pin in pins if (pin.pin, pin.condition) in worst]


_COLUMNS = (
    Column("Margin", "right"),
    Column("Clears"),
    Column("Pressed", "right"),
    Column("In resistor", "right"),
    Column("From rail", "right"),
    Column("Release", "right"),
    Column("Release time from", wide=True),
)


def _cells(value: SeriesValue) -> tuple[str | Cell, ...]:
    return (
        margin_text(value.margin),
        _CLEARS[value.clears],
        bare_cell(value.pressed_a, "A", 3),
        bare_cell(value.resistor_w, "W", 3),
        bare_cell(value.rail_w, "W", 3),
        bare_cell(value.release_time_s, "s", 3) if value.release_time_s is not None else "–",
        value.release_from,
    )


def _marked(values: Sequence[SeriesValue]) -> frozenset[int]:
    return frozenset(number for number, value in enumerate(values) if value.which == "recommended")


def _notes(finding: RunFinding) -> list[str]:
    rules = finding.record.rules
    return [
        f"Series {rules.series} (IEC 60063). Margin: in conductance, of a part at the upper end of its tolerance of "
        f"{plain(rules.advised_tolerance, '%')}, to what is safe at its lower uncertainty limit, less the series "
        f"resistance on the board; asked: {plain(rules.margin, '%')}. A negative margin lies beyond that limit: it "
        "sticks where it is above the upper limit too, and is not shown to clear between the two.",
        words_for(
            finding.record.press_to,
            "Pressed: current through the button at the nominal rail, into the resistor and the pin's own pull-down "
            "where that is known. A driver that is loaded by it must still reach V_IH. Release: from the rail to V_IL "
            "with the fixture's capacitance on the node.",
        ),
    ]
