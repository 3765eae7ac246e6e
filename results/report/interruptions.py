"""The section on what interrupted the run: when it ended early, why, and when it went on."""

from __future__ import annotations

from results.analysis.findings import RunFinding
from results.record.happening import Happening
from results.report.numbers import moment
from results.report.section import Column, Section, Table

_COLUMNS = (Column("When"), Column("What"), Column("Why, and how it went on", wide=True))

_NOTE = (
    "A trial that was in hand when the run ended was made again; what had been measured was not. Before the first "
    "trial the instruments and the unit were identified anew and the bus was looked at with every resistor. Measured "
    "resistors are those of the check that the run began with."
)


def interruptions(finding: RunFinding) -> list[Happening]:
    """When the run ended early or went on, in order."""
    return [one for one in finding.happenings if one.kind in ("ended early", "resumed")]


def times_resumed(finding: RunFinding) -> int:
    return sum(one.kind == "resumed" for one in finding.happenings)


def interruption_section(finding: RunFinding) -> list[Section]:
    """One section where the run was resumed; what ended a run that was not is said on page one."""
    times = times_resumed(finding)
    if not times:
        return []
    rows = tuple((moment(one.at_utc), one.kind, one.text) for one in interruptions(finding))
    said = (
        f"The run ended early and was resumed {times_text(times)}. Of an end without a row of its own nothing is known."
    )
    return [Section("Interruptions", (said,), (Table(_COLUMNS, rows),), notes=(_NOTE,))]


def times_text(times: int) -> str:
    return {1: "once", 2: "twice"}.get(times, f"{times} times")
