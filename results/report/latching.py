"""The section, and the CSV file, on what it takes to unlatch a pin and to latch it."""

from __future__ import annotations

from pathlib import Path

from results.analysis.findings import PinFinding, RunFinding
from results.analysis.found.latch import OverdriveFinding, PressLevelFinding
from results.analysis.remedies.latch_text import press_level_text
from results.quantity import show
from results.report.csv_file import Cell, with_u, write_csv
from results.report.numbers import NOT_DETERMINED, cell
from results.report.section import Column, Section, Table
from results.words import words_for

COLUMNS = (
    "unit",
    "pin",
    "pin_setup",
    "rail_v",
    "overdrive_state",
    "presses",
    "latched",
    "latched_v",
    "latched_u_v",
    "overdrive_at_least_a",
    "overdrive_at_least_u_a",
    "held_by",
    "overdrive_at_most_a",
    "overdrive_at_most_u_a",
    "cleared_by",
    "overdrive_sweep_a",
    "overdrive_sweep_u_a",
    "overdrive_sweep_half_width_a",
    "overdrive_sweep_at_v",
    "overdrive_agreement",
    "press_level_state",
    "press_level_never_v",
    "press_level_never_u_v",
    "press_level_always_v",
    "press_level_always_u_v",
    "press_levels",
    "press_levels_sometimes",
    "unstable_rest_v",
    "unstable_rest_u_v",
    "press_level_agreement",
    "note",
)


def looked_at(finding: RunFinding) -> list[PinFinding]:
    """The pins (and conditions) that were unlatched, or pressed to levels; a sweep alone stands with the sweeps."""
    return [
        pin
        for pin in finding.pins
        if pin.press_level is not None or (pin.overdrive is not None and (pin.overdrive.presses or pin.overdrive.note))
    ]


def latching_sections(finding: RunFinding) -> list[Section]:
    """What a source must sink, and what a press must reach: a row a pin; the comparisons with the sweep below."""
    pins = looked_at(finding)
    if not pins:
        return []
    k, press_to = finding.record.rules.coverage, finding.record.press_to
    columns = (
        Column("Pin"),
        Column("Setup"),
        Column("Latched at", "right"),
        Column("Overdrive: at least", "right"),
        Column("at most", "right"),
        Column("by sweep", "right"),
        Column(words_for(press_to, "Lowest press level that latches"), wide=True),
    )
    rows = tuple(
        (
            pin.pin,
            pin.condition.pin_setup,
            *_overdrive_cells(pin.overdrive, k),
            "–" if pin.press_level is None else press_level_text(pin.press_level),
        )
        for pin in pins
    )
    return [
        Section(
            "Overdrive current and press level",
            said=(words_for(press_to, _SAID),),
            tables=(Table(columns, rows),),
            notes=tuple(_notes(pins)),
        )
    ]


_SAID = (
    "Overdrive current: what a source must sink to take the latched pin below V_IL. With resistors fitted "
    "one after the other, the largest first, it lies between what the pin still drove while it stayed high "
    "and what the load lines show that it nowhere drives; by sweep it is the largest net pin current from "
    "V_IL to the latched voltage on the down branch. Press level: the pin was pressed to a level, let go "
    "and read; below the interval it never latched, above it always did."
)


def _overdrive_cells(found: OverdriveFinding | None, coverage: float) -> tuple[str | dict[str, str], ...]:
    if found is None:
        return ("–", "–", "–", "–")
    swept: str | dict[str, str] = "–"
    if found.swept is not None and found.swept_half_width_a is not None:
        swept = f"{show(found.swept.value, 'A')} ± {show(found.swept_half_width_a, 'A', digits=2)}"
    if not found.latched:
        return (found.state if found.presses else NOT_DETERMINED, "–", "–", swept)
    return (
        cell(found.latched_v, "V", coverage, prefixed=False),
        cell(found.at_least, "A", coverage),
        cell(found.at_most, "A", coverage),
        swept,
    )


def _notes(pins: list[PinFinding]) -> list[str]:
    said = []
    for pin in pins:
        where = f"{pin.pin} {pin.condition.pin_setup}"
        for found in (pin.overdrive, pin.press_level):
            if found is not None and found.agreement != "not compared":
                said.append(f"{where}: {found.agreement_text}")
        if pin.overdrive is not None and pin.overdrive.note:
            said.append(f"{where}: {pin.overdrive.note}")
    return said


def has_latching(finding: RunFinding) -> bool:
    return bool(looked_at(finding))


def write_latching_csv(finding: RunFinding, path: Path) -> None:
    """latching.csv: one row a pin and condition that was unlatched or pressed to levels. Raises RecordError."""
    write_csv(path, COLUMNS, (_row(finding, pin) for pin in looked_at(finding)))


def _row(finding: RunFinding, pin: PinFinding) -> dict[str, Cell]:
    unit = finding.record.unit
    drive, level = pin.overdrive or OverdriveFinding("not determined"), pin.press_level
    return {
        "unit": unit.serial or unit.name,
        "pin": pin.pin,
        "pin_setup": pin.condition.pin_setup,
        "rail_v": pin.condition.rail_v,
        "overdrive_state": drive.state if drive.presses else "",
        "presses": drive.presses,
        "latched": drive.latched,
        **with_u("latched", drive.latched_v if drive.latched else None, "v"),
        **with_u("overdrive_at_least", drive.at_least, "a"),
        "held_by": drive.held_by,
        **with_u("overdrive_at_most", drive.at_most, "a"),
        "cleared_by": drive.cleared_by,
        **with_u("overdrive_sweep", drive.swept, "a"),
        "overdrive_sweep_half_width_a": drive.swept_half_width_a,
        "overdrive_sweep_at_v": drive.swept_at_v,
        "overdrive_agreement": drive.agreement,
        **_level_cells(level),
        "note": "; ".join(filter(None, (drive.note, "" if level is None else level.note))),
    }


def _level_cells(level: PressLevelFinding | None) -> dict[str, Cell]:
    return {
        "press_level_state": "" if level is None else level.state,
        **with_u("press_level_never", None if level is None else level.never, "v"),
        **with_u("press_level_always", None if level is None else level.always, "v"),
        "press_levels": None if level is None else len(level.levels),
        "press_levels_sometimes": None if level is None else level.sometimes,
        **with_u("unstable_rest", None if level is None else level.swept, "v"),
        "press_level_agreement": "" if level is None else level.agreement,
    }
