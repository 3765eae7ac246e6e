"""The report's section on long dwells: what minutes show that the ordinary log cannot."""

from __future__ import annotations

from functools import partial

from results.analysis.conditions.dwell_text import drift_text, minutes, words_text
from results.analysis.findings import PinFinding, RunFinding
from results.analysis.found.dwell_finding import DwellFinding
from results.analysis.resistor.board_advice import condition_text
from results.report.figure_dwell import dwell_svg
from results.report.numbers import Cell, cell
from results.report.section import Column, Figure, Section, Table


def dwell_section(finding: RunFinding) -> list[Section]:
    """A section where a long dwell was planned, and one within it for each that drifts or stuck, with its trace."""
    dwells = [(pin, pin.dwell) for pin in finding.pins if pin.dwell is not None]
    if not dwells:
        return []
    k = finding.record.rules.coverage
    several = len({pin.condition for pin in finding.pins}) > 1
    columns = (
        Column("Pin"),
        *([Column("Condition")] if several else []),
        Column("Held"),
        Column("Early", "right"),
        Column("Late", "right"),
        Column("Leakage drift", "right"),
        Column("Drift and verdict", wide=True),
    )
    rows = tuple(_row(pin, dwell, k, several=several) for pin, dwell in dwells)
    marked = frozenset(number for number, (_, dwell) in enumerate(dwells) if dwell.changes or dwell.sticks)
    whole = Section("Long dwells", (_said(dwells),), (Table(columns, rows, marked=marked),), notes=(_NOTE,))
    drawn = [(pin, dwell) for pin, dwell in dwells if dwell.early is not None and (dwell.moved or dwell.sticks)]
    return [whole, *(_drawn(finding, pin, dwell, several=several) for pin, dwell in drawn)]


def _drawn(finding: RunFinding, pin: PinFinding, dwell: DwellFinding, *, several: bool) -> Section:
    """The trace of one dwell."""
    under = f", {condition_text(pin.condition)}" if several else ""
    figure = Figure(partial(dwell_svg, dwell, finding.record), f"{pin.pin}: node voltage over the long dwell", 112.0)
    return Section(f"{pin.pin}{under}: {words_text(dwell)}", figures=(figure,), level=2)


_NOTE = (
    "Early: where the ordinary log would have ended; late: the last tenth of the dwell's log. Their difference is by "
    "one meter in one log: its offset drops out, a drift of its own does not. It goes on where the slope of the last "
    "third is more than three of its standard uncertainties. The verdict is by the level at the pin without the bench. "
    "Figures: the node, V_IL and V_IH (grey), the early (dotted) and the late (dashed) level."
)


def _said(dwells: list[tuple[PinFinding, DwellFinding]]) -> str:
    turned = [pin.pin for pin, dwell in dwells if dwell.changes]
    moved = [pin.pin for pin, dwell in dwells if dwell.moved and not dwell.changes]
    open_ = [pin.pin for pin, dwell in dwells if dwell.early is None]
    said = [f"{len(dwells)} {'pin' if len(dwells) == 1 else 'pins'} held and logged for minutes."]
    said += [f"The verdict changes on {', '.join(turned)}."] if turned else []
    said += [f"A drift without that on {', '.join(moved)}."] if moved else []
    said += [f"Not determined on {', '.join(open_)}."] if open_ else []
    if not (turned or moved or open_):
        said.append("No drift was seen.")
    return " ".join(said)


def _row(pin: PinFinding, dwell: DwellFinding, coverage: float, *, several: bool) -> tuple[str | Cell, ...]:
    resistor = "" if dwell.trial.resistor == "none" else f", {dwell.trial.resistor}"
    said = dwell.note if dwell.early is None else f"{drift_text(dwell)}; {words_text(dwell)}"
    return (
        pin.pin,
        *([condition_text(pin.condition)] if several else []),
        f"{minutes(dwell.held_s)}{resistor}",
        cell(dwell.early, "V", coverage, prefixed=False),
        cell(dwell.late, "V", coverage, prefixed=False),
        cell(dwell.leak_drift, "A", coverage),
        said,
    )
