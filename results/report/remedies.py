"""Remedies side by side: the section that decides which one to take, the details by pin, and the CSV file."""

from __future__ import annotations

from pathlib import Path

from results.analysis.findings import PinFinding, RunFinding
from results.analysis.found.remedy import RemedyFinding
from results.analysis.remedies.remedy_text import PARTS, SideBySide, clears_text, margin_text, side_by_side
from results.quantity import show
from results.report.csv_file import Cell, with_u, write_csv
from results.report.numbers import NOT_DETERMINED, quantity_text
from results.report.section import Column, Section, Table
from results.words import words_for

COLUMNS = (
    "unit",
    "pin",
    "pin_setup",
    "rail_v",
    "temperature_c",
    "remedy",
    "verdict",
    "tries",
    "cleared",
    "margin",
    "margin_of",
    "extra_current_a",
    "power_w",
    "release_time_s",
    "node_v",
    "node_u_v",
    "trial_resistor",
    "first_current_a",
    "first_current_u_a",
    "settled_current_a",
    "settled_current_u_a",
    "needed_current_a",
    "needed_current_u_a",
    "polls",
    "polls_right",
    "followed_s",
    "poll_period_at_least_s",
    "safe_gap_s",
    "safe_gap_u_s",
    "safe_gap_is_upper_bound",
    "parts_added",
    "note",
)


def remedy_sections(finding: RunFinding) -> list[Section]:
    """The remedies against each other, then each pin; nothing where the plan asks for none."""
    rows = side_by_side(finding)
    if not rows:
        return []
    return [_compared(finding, rows), _by_pin(finding)]


def _compared(finding: RunFinding, rows: list[SideBySide]) -> Section:
    press_to = finding.record.press_to
    columns = (
        Column("Remedy"),
        Column("Clears"),
        Column("Worst margin"),
        Column("Extra current", "right"),
        Column("Power", "right"),
        Column("Release", "right"),
        Column("Parts added", wide=True),
    )
    cells = tuple(
        (
            words_for(press_to, row.remedy),
            clears_text(row),
            _margin(row),
            _amount(row.extra_current_a, "A"),
            _amount(row.power_w, "W"),
            NOT_DETERMINED if row.release_time_s is None else show(row.release_time_s, "s", 3),
            words_for(press_to, PARTS[row.remedy]),
        )
        for row in rows
    )
    rules = finding.record.remedies
    assert rules is not None
    driver = "not stated" if rules.driver_current_a is None else show(rules.driver_current_a, "A")
    said = (
        "Each remedy was tried on each pin of this unit. A pin that does not latch without one has nothing to clear "
        "and is not counted. Margins: of a resistor, its conductance at the end of its tolerance over what the pin "
        f"needs; of a driver ({driver}), its current over the overdrive current; of a contact, the time allowed over "
        "the release time; of polling, the time between two polls over the safe gap, in which the node falls from the "
        "rail to V_IL with the buffer off.",
    )
    clears_all = frozenset(number for number, row in enumerate(rows) if row.latching and row.cleared == row.latching)
    notes = (
        "In bold: clears every pin that latches. Current and power: extra, while a pin is pressed. Release: the "
        "longest, from the release until below V_IL. The contact is the discharge relay of the bench, the driver its "
        f"source at 0 V; the firmware was set to {rules.polled_setup!r}, said to open the buffer every "
        f"{show(rules.poll_period_s, 's')} for {show(rules.open_time_s, 's')}. Release times are those with the bench "
        "on the node, and of a contact hold the time that two relays take.",
    )
    table = Table(columns, cells, marked=clears_all)
    return Section("Remedies side by side", _for(press_to, said), (table,), notes=_for(press_to, notes))


def _for(press_to: str, texts: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(words_for(press_to, one) for one in texts)


def _amount(value: float | None, unit: str) -> str:
    if value is None:
        return NOT_DETERMINED
    return show(value, unit, 3) if value else "none"  # type: ignore[arg-type]


def _margin(row: SideBySide) -> str:
    if not row.cleared:
        return "–"
    said = margin_text(row.worst_margin, row.margin_of)
    return f"{said}; open for {row.margin_open}" if row.margin_open and row.worst_margin is not None else said


def _by_pin(finding: RunFinding) -> Section:
    columns = (Column("Pin"), Column("Remedy"), Column("Verdict"), Column("Margin"), Column("Seen", wide=True))
    pins = [pin for pin in finding.pins if pin.remedies]
    several = len({pin.condition for pin in pins}) > 1
    rows = tuple(
        (
            pin.pin + (f" ({show(pin.condition.rail_v, 'V')})" if several else ""),
            words_for(finding.record.press_to, one.remedy),
            f"{one.verdict}" + (f", {one.cleared} of {one.tries}" if one.tries else ""),
            margin_text(one.margin, one.margin_of) if one.verdict == "clears" else "–",
            _seen(one, finding.record.rules.coverage, finding.record.press_to),
        )
        for pin in pins
        for one in pin.remedies
    )
    return Section("Remedies by pin", tables=(Table(columns, rows),), level=2)


def _seen(one: RemedyFinding, coverage: float, press_to: str) -> str:
    """The numbers of one remedy on one pin, in words."""
    said = []
    if one.resistor:
        said.append(one.resistor)
    if one.rest is not None:
        said.append(f"node {quantity_text(one.rest, 'V', coverage, prefixed=False)}")
    if one.release_time_s is not None:
        said.append(f"below V_IL after {show(one.release_time_s, 's', 3)}")
    if one.needed is not None:
        said.append(f"to sink {quantity_text(one.needed, 'A', coverage)}")
    if one.first is not None and one.settled is not None:
        said.append(
            f"source sank {quantity_text(one.first, 'A', coverage)} at first, "
            f"{quantity_text(one.settled, 'A', coverage)} at rest"
        )
    if one.polls:
        said.append(f"{one.polls_right} of {one.polls} polls right")
    if one.followed_s is not None:
        period = "" if one.period_at_least_s is None else f", not within {show(one.period_at_least_s, 's', 3)}"
        said.append(f"board followed a release within {show(one.followed_s, 's', 3)}{period}")
    if one.safe_gap is not None:
        gap = show(one.safe_gap.value, "s", 3) if one.safe_gap_is_bound else quantity_text(one.safe_gap, "s", coverage)
        said.append(f"safe gap {'at most ' if one.safe_gap_is_bound else ''}{gap}")
    said = [words_for(press_to, part) for part in said]
    return "; ".join([*said, one.note] if one.note else said)


def has_remedies(finding: RunFinding) -> bool:
    return any(pin.remedies for pin in finding.pins)


def write_remedies_csv(finding: RunFinding, path: Path) -> None:
    """remedies.csv: one row a pin, condition and remedy. Raises RecordError where it cannot be written."""
    write_csv(path, COLUMNS, (_row(finding, pin, one) for pin in finding.pins for one in pin.remedies))


def _row(finding: RunFinding, pin: PinFinding, one: RemedyFinding) -> dict[str, Cell]:
    unit = finding.record.unit
    return {
        "unit": unit.serial or unit.name,
        "pin": pin.pin,
        "pin_setup": pin.condition.pin_setup,
        "rail_v": pin.condition.rail_v,
        "temperature_c": pin.condition.temperature_c,
        "remedy": one.remedy,
        "verdict": one.verdict,
        "tries": one.tries,
        "cleared": one.cleared,
        "margin": one.margin,
        "margin_of": one.margin_of if one.margin is not None else "",
        "extra_current_a": one.extra_current_a,
        "power_w": one.power_w,
        "release_time_s": one.release_time_s,
        **with_u("node", one.rest, "v"),
        "trial_resistor": one.resistor,
        **with_u("first_current", one.first, "a"),
        **with_u("settled_current", one.settled, "a"),
        **with_u("needed_current", one.needed, "a"),
        "polls": one.polls or None,
        "polls_right": one.polls_right if one.polls else None,
        "followed_s": one.followed_s,
        "poll_period_at_least_s": one.period_at_least_s,
        "safe_gap_s": None if one.safe_gap is None else one.safe_gap.value,
        "safe_gap_u_s": None if one.safe_gap is None or one.safe_gap_is_bound else one.safe_gap.u,
        "safe_gap_is_upper_bound": None if one.safe_gap is None else one.safe_gap_is_bound,
        "parts_added": PARTS[one.remedy],
        "note": one.note,
    }
