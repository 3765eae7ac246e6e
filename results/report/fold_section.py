"""The section on the margin near the fold, and fold_margins.csv: how close to its largest safe resistance each trial
resistor was that released the node, as far as the node is large enough to show it."""

from __future__ import annotations

from pathlib import Path

from results.analysis.findings import PinFinding, RunFinding
from results.analysis.found.fold import FoldMargin
from results.record.trial import NO_CAPACITOR
from results.report.csv_file import Cell as CsvCell
from results.report.csv_file import with_u, write_csv
from results.report.numbers import Cell, bare_cell, cell, plain
from results.report.section import Column, Section, Table

COLUMNS = (
    "unit",
    "pin",
    "pin_setup",
    "capacitor",
    "sequence",
    "trial_resistor",
    "repeat",
    "share_of_safe",
    "share_of_safe_u",
    "safe_resistance_ohm",
    "safe_resistance_u_ohm",
    "slowest_at_v",
    "slowdown",
    "passage_s",
    "explained_s",
    "slower_than_rc",
    "little_margin",
    "note",
)


def fold_sections(finding: RunFinding) -> list[Section]:
    """One section; none where no pin stuck and no capacitor was added."""
    told = _told(finding)
    if not told:
        return []
    numbers = [(pin, margin) for pin, margin in told if margin.ratio is not None]
    tables = (_table(numbers, finding.record.rules.coverage),) if numbers else ()
    return [Section("Margin near the fold", said=(*_said(told), *_too_fast(told)), tables=tables, notes=_open(told))]


def has_fold_margins(finding: RunFinding) -> bool:
    return bool(_told(finding))


def write_fold_margins_csv(finding: RunFinding, path: Path) -> None:
    """One row a release with a resistor. Raises RecordError where the file cannot be written."""
    unit = finding.record.unit.serial or finding.record.unit.name
    write_csv(path, COLUMNS, (_row(unit, pin, margin) for pin, margin in _told(finding)))


def _told(finding: RunFinding) -> list[tuple[PinFinding, FoldMargin]]:
    return [(pin, margin) for pin in finding.pins for margin in pin.fold_margins]


def _said(told: list[tuple[PinFinding, FoldMargin]]) -> tuple[str, ...]:
    little = dict.fromkeys(f"{pin.pin} with {margin.trial.resistor}" for pin, margin in told if margin.little)
    slower = dict.fromkeys(f"{pin.pin} with {margin.trial.resistor}" for pin, margin in told if margin.slower_than_rc)
    said = []
    if little:
        said.append(f"Little margin: {', '.join(little)} released, but close to the largest safe resistance.")
    if slower:
        said.append(f"Slower than resistor and capacitance explain: {', '.join(slower)}.")
    if not any(margin.ratio is not None for _, margin in told):
        said.append("Not observable: no node was large enough, or well enough known, to show its margin in time.")
    elif not said:
        said.append("No release was close to the largest safe resistance.")
    return tuple(said)


def _table(told: list[tuple[PinFinding, FoldMargin]], coverage: float) -> Table:
    columns = (
        Column("Pin"),
        Column("Resistor"),
        Column("Added"),
        Column("R/R_safe", "right"),
        Column("Slowest at", "right"),
        Column("Took", "right"),
        Column("RC explains", "right"),
        Column("", wide=True),
    )
    rows: list[tuple[str | Cell, ...]] = [
        (
            pin.pin,
            f"{margin.trial.resistor} #{margin.trial.repeat}",
            margin.trial.condition.capacitor,
            _share(margin, coverage),
            bare_cell(margin.passage.at_v, "V", 3),
            bare_cell(margin.passage.length_s, "s", 3),
            bare_cell(margin.explained_s, "s", 3),
            "little margin" if margin.little else "",
        )
        for pin, margin in told
    ]
    marked = frozenset(number for number, (_, margin) in enumerate(told) if margin.little)
    caption = "Each release with a resistor on a node that shows it. RC explains: without any help of a pull-down"
    return Table(columns, tuple(rows), caption, marked)


def _share(margin: FoldMargin, coverage: float) -> Cell:
    """R/R_safe: a number without a unit."""
    assert margin.ratio is not None
    return {**cell(margin.ratio.as_value, "V", coverage, prefixed=False), "unit": ""}


def _too_fast(told: list[tuple[PinFinding, FoldMargin]]) -> tuple[str, ...]:
    """Pins whose node falls between two samples, and what it would take to see it, in one sentence."""
    fast = [(pin, margin) for pin, margin in told if margin.ratio is None and margin.passage.too_fast]
    if not fast:
        return ()
    pins = ", ".join(dict.fromkeys(_name(pin) for pin, _ in fast))
    said = f"Too fast for the log: {pins}."
    shown = sorted(margin.shows_from_f for _, margin in fast if margin.shows_from_f is not None)
    if shown:
        low, high = plain(shown[0], "F", 2), plain(shown[-1], "F", 2)
        needed = low if low == high else f"{low} to {high}, by resistor,"
        said += f" A capacitance of about {needed} on the node would show it (fold_margins.csv)."
    return (said,)


def _open(told: list[tuple[PinFinding, FoldMargin]]) -> tuple[str, ...]:
    """Why the others tell nothing, pins with the same reason together."""
    pins: dict[str, list[str]] = {}
    for pin, margin in told:
        # What the shape says, and what would show it, differs from release to release: fold_margins.csv has it.
        why = margin.note.partition("; ")[0].partition(" (misfit")[0].removeprefix("not observable: ")
        if margin.ratio is None and not margin.passage.too_fast and _name(pin) not in pins.setdefault(why, []):
            pins[why].append(_name(pin))
    return tuple(f"{', '.join(names)}: {why}." for why, names in pins.items())


def _name(pin: PinFinding) -> str:
    added = pin.condition.capacitor
    return pin.pin if added == NO_CAPACITOR else f"{pin.pin} with {added} added"


def _row(unit: str, pin: PinFinding, margin: FoldMargin) -> dict[str, CsvCell]:
    ratio, required = margin.ratio, margin.required
    safe = None if required is None or required.value <= required.u else required.inverted().as_value
    return {
        "unit": unit,
        "pin": pin.pin,
        "pin_setup": pin.condition.pin_setup,
        "capacitor": margin.trial.condition.capacitor,
        "sequence": margin.trial.sequence,
        "trial_resistor": margin.trial.resistor,
        "repeat": margin.trial.repeat,
        "share_of_safe": None if ratio is None else ratio.value,
        "share_of_safe_u": None if ratio is None else ratio.u,
        **with_u("safe_resistance", safe, "ohm"),
        "slowest_at_v": margin.passage.at_v,
        "slowdown": margin.passage.slowdown,
        "passage_s": margin.passage.length_s,
        "explained_s": margin.explained_s,
        "slower_than_rc": margin.slower_than_rc,
        "little_margin": margin.little,
        "note": margin.note,
    }
