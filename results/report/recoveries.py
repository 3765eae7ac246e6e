"""What became of the faults of the bench: the section of the report, and recoveries.csv."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from results.analysis.findings import RunFinding
from results.quantity import show
from results.record.happening import Happening
from results.record.run_record import RetestRules
from results.record.trial import Trial
from results.report.csv_file import Cell, write_csv
from results.report.numbers import moment
from results.report.section import Column, Section, Table

COLUMNS = ("at_utc", "outcome", "instrument", "sequence", "pin", "trial", "tries", "lasted_s", "text")

_TABLE = (
    Column("When"),
    Column("Instrument"),
    Column("Trial in hand"),
    Column("Opened", "right"),
    Column("Lasted", "right"),
    Column("What it said", wide=True),
)

_NOTE = (
    "At a fault of the bench everything is made safe first; then the instrument is opened anew, all are identified, "
    "set and read back, and the bus is looked at with every resistor. The try that was in hand stands in the journal "
    "as failed, and no number of it is used. What a trial showed is never retested."
)


def recoveries(finding: RunFinding) -> list[Happening]:
    """Every fault of the bench that was recovered from, and the one that was not, in order."""
    return [one for one in finding.happenings if one.kind in ("recovered", "not recovered")]


def has_recoveries(finding: RunFinding) -> bool:
    """Whether the bench was at fault at all."""
    return bool(recoveries(finding))


def write_recoveries_csv(finding: RunFinding, path: Path) -> None:
    """One row a fault of the bench. Raises RecordError where it cannot be written."""
    planned = _planned(finding)
    write_csv(path, COLUMNS, (_csv_row(one, planned.get(one.sequence)) for one in recoveries(finding)))


def recovery_section(finding: RunFinding) -> list[Section]:
    """How often the bench was at fault and what became of it, with the rule of the plan; none for imported traces."""
    rules, found = finding.record.retest, recoveries(finding)
    if rules is None and not found:
        return []
    again = sum(tries > 1 for tries in finding.tries.values())
    said = [_counted(found), _made_again(again)]
    if rules is not None:
        said.append(_rule(rules))
    planned = _planned(finding)
    rows = tuple(_row(one, planned.get(one.sequence)) for one in found)
    tables = (Table(_TABLE, rows),) if rows else ()
    return [Section("Recoveries", (" ".join(said),), tables, notes=(_NOTE,) if rows else ())]


def _planned(finding: RunFinding) -> dict[int, Trial]:
    return {trial.sequence: trial for trial in finding.record.planned}


def _counted(found: list[Happening]) -> str:
    if not found:
        return "No instrument was lost, restarted or found other than it was set."
    by_role = Counter(one.role or "bench" for one in found)
    each = ", ".join(f"{role} {count}" for role, count in by_role.items())
    lost = sum(one.kind == "not recovered" for one in found)
    ended = f" {lost} of them ended the run." if lost else ""
    return f"{len(found)} {'fault' if len(found) == 1 else 'faults'} of the bench ({each}).{ended}"


def _made_again(again: int) -> str:
    if not again:
        return "Every trial was made at its first try."
    return f"{again} {'trial was' if again == 1 else 'trials were'} made again."


def _rule(rules: RetestRules) -> str:
    waits = f"waits from {show(rules.first_wait_s, 's')} to {show(rules.longest_wait_s, 's')}"
    return f"The plan's rule: at most {rules.tries} tries a trial, {rules.failures} recoveries a run, {waits}."


def _row(one: Happening, trial: Trial | None) -> tuple[str, ...]:
    opened = f"{one.tries}" if one.kind == "recovered" else f"{one.tries}, in vain"
    in_hand = "none" if trial is None else trial.label
    return moment(one.at_utc), one.role or "bench", in_hand, opened, show(one.lasted_s, "s", 3), one.text


def _csv_row(one: Happening, trial: Trial | None) -> dict[str, Cell]:
    return {
        "at_utc": one.at_utc,
        "outcome": one.kind,
        "instrument": one.role,
        "sequence": one.sequence or None,
        "pin": None if trial is None else trial.pin,
        "trial": None if trial is None else trial.label,
        "tries": one.tries,
        "lasted_s": one.lasted_s,
        "text": one.text,
    }
