"""The report's section on repeats: do presses of one pin scatter as the uncertainty of their traces says?"""

from __future__ import annotations

from collections.abc import Sequence

from results.analysis.findings import RunFinding
from results.analysis.found.repeats import Repeats
from results.record.trial import NO_RESISTOR
from results.report.by_condition import short_texts
from results.report.numbers import NOT_DETERMINED, Cell, bare_cell
from results.report.section import Column, Section, Table


def repeat_section(finding: RunFinding) -> list[Section]:
    """One section where anything was repeated, else none."""
    if not finding.repeats:
        return []
    under = short_texts(one.condition for one in finding.repeats)
    several = len(under) > 1
    shown = _shown(finding.repeats)
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
    rows = tuple((_resistor(one), *([under[one.condition]] if several else []), *_cells(one)) for one in shown)
    marked = frozenset(number for number, one in enumerate(shown) if one.exceeds)
    return [Section("Repeatability", _said(finding), (Table(columns, rows, marked=marked),), notes=_notes(finding))]


def _shown(repeats: Sequence[Repeats]) -> list[Repeats]:
    """Of each resistor the condition with the least p; and every one that noise does not explain."""
    least: dict[str, Repeats] = {}
    for one in repeats:
        before = least.get(one.resistor)
        least[one.resistor] = one if before is None or one.p_value < before.p_value else before
    return [one for one in repeats if one.exceeds or one is least[one.resistor]]


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
    left = len(finding.repeats) - len(_shown(finding.repeats))
    if left:
        notes.append(f"Of each resistor the condition with the smallest p is shown; {left} others are explained.")
    changing = [f"{pin} ({_resistor(one)})" for one in finding.repeats for pin in one.changing]
    if changing:
        notes.append(f"Left out, because the verdict differs between repeats: {', '.join(changing)}.")
    return tuple(notes)
