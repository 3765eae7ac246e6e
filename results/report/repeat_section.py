"""The report's section on repeats: do presses of one pin scatter as the uncertainty of their traces says?"""

from __future__ import annotations

from results.analysis.findings import RunFinding
from results.analysis.repeats.repeats import Repeats
from results.analysis.resistor.board_advice import condition_text
from results.record.trial import NO_RESISTOR
from results.report.numbers import NOT_DETERMINED, Cell, bare_cell
from results.report.section import Column, Section, Table


def repeat_section(finding: RunFinding) -> list[Section]:
    """One section where anything was repeated, else none."""
    if not finding.repeats:
        return []
    several = len({one.condition for one in finding.repeats}) > 1
    columns = (
        Column("Trial resistor"),
        *([Column("Condition")] if several else []),
        Column("Pins", "right"),
        Column("Presses", "right"),
        Column("Scatter", "right"),
        Column("Noise claimed", "right"),
        Column("p", "right"),
        Column("Explained by noise"),
        Column("Between pins", "right"),
    )
    rows = tuple(
        (_resistor(one), *([condition_text(one.condition)] if several else []), *_cells(one)) for one in finding.repeats
    )
    marked = frozenset(number for number, one in enumerate(finding.repeats) if one.exceeds)
    return [Section("Repeatability", _said(finding), (Table(columns, rows, marked=marked),), notes=_notes(finding))]


def _resistor(one: Repeats) -> str:
    return "none" if one.resistor == NO_RESISTOR else one.resistor


def _cells(one: Repeats) -> tuple[str | Cell, ...]:
    variance = one.variance
    return (
        str(variance.groups),
        str(variance.count),
        bare_cell(variance.within_sd, "V", 3),
        bare_cell(one.claimed_v, "V", 3),
        f"{one.p_value:.2g}",
        "no" if one.exceeds else "yes",
        NOT_DETERMINED if variance.between is None else bare_cell(variance.between, "V", 3),
    )


def _said(finding: RunFinding) -> tuple[str, ...]:
    if any(one.exceeds for one in finding.repeats):
        return (
            "Settled voltages scatter from press to press by more than the noise of their traces explains, where "
            "printed in bold. Something changes between presses (a contact, the temperature, a leak that comes and "
            "goes): the uncertainty of a single press does not hold that.",
        )
    return ("Settled voltages scatter from press to press as the noise of their traces says.",)


def _notes(finding: RunFinding) -> tuple[str, ...]:
    notes = [
        "Scatter: standard deviation of repeats, pooled over the pins that settled at least twice with the same "
        "verdict. Noise claimed: root mean square of the type A uncertainty of their settled voltages. p: chance of as "
        "large a scatter, were that all (chi-square). Between pins: standard deviation of the pins' own voltages "
        "(one-way analysis of variance)."
    ]
    changing = [f"{pin} ({_resistor(one)})" for one in finding.repeats for pin in one.changing]
    if changing:
        notes.append(f"Left out, because the verdict differs between repeats: {', '.join(changing)}.")
    return tuple(notes)
