"""The report's section on the supply current: which pins make the unit draw more while they stick."""

from __future__ import annotations

from collections.abc import Mapping

from results.analysis.findings import PinFinding, RunFinding
from results.analysis.found.supply_draw import SupplyDraw
from results.record.trial import Condition
from results.report.by_condition import short_texts
from results.report.numbers import NOT_DETERMINED, Cell, cell, plain
from results.report.section import Column, Section, Table

_COLUMNS = (
    Column("Pin"),
    Column("Condition", wide=True),
    Column("Stuck", "right"),
    Column("Released", "right"),
    Column("More drawn", "right"),
    Column("Finding"),
)


def supply_section(finding: RunFinding) -> list[Section]:
    """One section where a supply measured its current and any pin stuck; else none."""
    found = [(pin, pin.supply) for pin in finding.pins if pin.supply is not None]
    if not found:
        return []
    more = list(dict.fromkeys(pin.pin for pin, draw in found if draw.draws_more))
    said = f"While it sticks, the unit draws more from its supply on {_pins(more)}." if more else "No pin shows it."
    under = short_texts(pin.condition for pin in finding.pins)
    table = Table(_COLUMNS, tuple(_row(pin, draw, finding, under) for pin, draw in found))
    return [Section("Supply current", (said,), (table,), notes=_notes(finding))]


def _pins(names: list[str]) -> str:
    return f"{len(names)} {'pin' if len(names) == 1 else 'pins'}: {', '.join(names)}"


def _row(
    pin: PinFinding, draw: SupplyDraw, finding: RunFinding, under: Mapping[Condition, str]
) -> tuple[str | Cell, ...]:
    verdict = {True: "draws more", False: "within the scatter", None: NOT_DETERMINED}[draw.draws_more]
    return (
        pin.pin,
        under[pin.condition],
        str(draw.stuck),
        str(draw.released),
        cell(draw.extra, "A", finding.record.rules.coverage),
        f"{verdict}: {draw.reason}" if draw.reason else verdict,
    )


def _notes(finding: RunFinding) -> tuple[str, ...]:
    notes = [
        "By how much the supply current rose from before the press to the pin let go and at rest: mean of the trials "
        "that stuck with no resistor, less that of all trials of the unit that released under the same condition. It "
        "draws more where the whole 95 % interval is above zero. A pin that rests between the levels keeps its input "
        "buffer conducting."
    ]
    supply = finding.record.supply
    if supply is not None and supply.accuracy_reading == 0.0:
        notes.append("The accuracy of the supply's reading is not stated: U holds the scatter alone.")
    elif supply is not None:
        notes.append(
            f"Accuracy of the supply's reading: {plain(supply.accuracy_reading, '%')} of reading; its constant part "
            "drops out of the difference."
        )
    return tuple(notes)
