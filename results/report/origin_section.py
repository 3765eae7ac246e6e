"""The section, and the CSV file, on the checklist: where the leak of a pin comes from, board or chip."""

from __future__ import annotations

import math
from pathlib import Path

from results.analysis.findings import PinFinding, RunFinding
from results.analysis.found.origin import ChecklistStep, OriginFinding
from results.analysis.value import Value
from results.quantity import show
from results.report.csv_file import Cell, with_u, write_csv
from results.report.numbers import Cell as Shown
from results.report.numbers import cell
from results.report.section import Column, Section, Table

COLUMNS = (
    "unit",
    "pin",
    "step",
    "presses",
    "settled_v",
    "settled_u_v",
    "leak_a",
    "leak_u_a",
    "share",
    "share_u",
    "state",
    "humidity",
    "note",
    "origin",
    "because",
)

_ORIGINS = {
    "chip": "the chip",
    "board": "the board (contamination)",
    "both": "the board and the chip",
    "no leak": "no leak to follow",
    "not determined": "not determined",
}

_COLUMNS = (
    Column("Pin"),
    Column("Step"),
    Column("Presses", "right"),
    Column("Settled", "right"),
    Column("Leak", "right"),
    Column("Share", "right"),
    Column("The leak"),
    Column("Humidity", "right"),
    Column("Remark", wide=True),
)


def looked_into(finding: RunFinding) -> list[tuple[PinFinding, OriginFinding]]:
    """The pins that went through the checklist."""
    return [(pin, pin.origin) for pin in finding.pins if pin.origin is not None]


def origin_section(finding: RunFinding) -> list[Section]:
    """One section where the plan has the checklist: a sentence a pin, then its steps."""
    found = looked_into(finding)
    if not found:
        return []
    coverage = finding.record.rules.coverage
    rows = [
        _row(pin.pin if number == 0 else "", step, coverage)
        for pin, origin in found
        for number, step in enumerate(origin.steps)
    ]
    said = tuple(f"{pin.pin}: {_ORIGINS[origin.origin]}: {origin.reason}." for pin, origin in found)
    return [Section("Board or chip?", said, (Table(_COLUMNS, tuple(rows)),), notes=_NOTES)]


_NOTES = (
    "Leak: what flows out of the node at rest, through trial resistor, meter and fixture, and through the pin's own "
    "pull-down (not at the pad with the pin lifted). Share: of the leak as it stands; it stays where the whole of "
    "share ± U is half or more, is gone where it is a fifth or less, and nothing is said in between (common practice, "
    "no source).",
    "For the chip speaks a leak that is gone with the input buffer off, is gone from the pad with the pin lifted, or "
    "follows the lifted pin; for the board one that is gone after cleaning and drying, stays at the pad, or is gone at "
    "the lifted pin. One that stays with the buffer off, or after cleaning, says nothing by itself: another part of "
    "the chip may leak, and dirt under a part is not washed away. Handling and soldering may change a leak, too.",
)


def _row(name: str, step: ChecklistStep, coverage: float) -> tuple[str | Shown, ...]:
    return (
        name,
        step.handling,
        f"{step.presses} of {step.made}",
        cell(step.settled, "V", coverage, prefixed=False),
        cell(step.leak, "A", coverage),
        "–" if step.share is None else _percent(step.share, coverage),
        "–" if step.handling == "as it stands" else step.state,
        "–" if step.humidity is None else show(step.humidity, "%", 3),
        step.note,
    )


def _percent(share: Value, coverage: float) -> Shown:
    """Whole per cent, its U rounded up: an uncertainty must not be shown smaller than it is."""
    return {"n": f"{100.0 * share.value:.0f} ± {math.ceil(100.0 * coverage * share.u)}", "unit": "%"}


def has_checklist(finding: RunFinding) -> bool:
    """Whether any pin went through the checklist."""
    return bool(looked_into(finding))


def write_checklist_csv(finding: RunFinding, path: Path) -> None:
    """One row a step of a pin, in the order in which they were made."""
    unit = finding.record.unit.serial or finding.record.unit.name
    rows = (_csv_row(unit, pin, origin, step) for pin, origin in looked_into(finding) for step in origin.steps)
    write_csv(path, COLUMNS, rows)


def _csv_row(unit: str, pin: PinFinding, origin: OriginFinding, step: ChecklistStep) -> dict[str, Cell]:
    return {
        "unit": unit,
        "pin": pin.pin,
        "step": step.handling,
        "presses": step.presses,
        **with_u("settled", step.settled, "v"),
        **with_u("leak", step.leak, "a"),
        "share": None if step.share is None else step.share.value,
        "share_u": None if step.share is None else step.share.u,
        "state": "" if step.handling == "as it stands" else step.state,
        "humidity": step.humidity,
        "note": step.note,
        "origin": origin.origin,
        "because": origin.reason,
    }
