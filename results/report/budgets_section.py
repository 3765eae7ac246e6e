"""The uncertainty budgets in the report: those of the pin that decides what to fit; all others stand in budgets.csv."""

from __future__ import annotations

import math
from typing import cast

from results.analysis.findings import PinFinding, RunFinding
from results.analysis.uncertainty.budget import Budget, Contribution
from results.analysis.uncertainty.monte_carlo import Comparison, Stated
from results.analysis.value import Value
from results.analysis.verdict import ORDER
from results.quantity import UnitSymbol
from results.report.numbers import Cell, bare_cell, plain, quantity_text, text_of
from results.report.section import Column, Section, Table

SMALL = 0.01
"""Contributions below this share of u are put together in one row."""

NOTHING = 1e-6
"""Below this share a source has dropped out, and what is left of it is round-off."""

MANY = 1e3
"""Degrees of freedom from which on they limit nothing that could be seen."""

_COLUMNS = (
    Column("Source", wide=True),
    Column("Type", "centre"),
    Column("Distribution"),
    Column("u", "right"),
    Column("Sensitivity", "right"),
    Column("Contribution", "right"),
    Column("ν", "right"),
)


def budget_sections(finding: RunFinding) -> list[Section]:
    """One section with a table a quantity; none where nothing has a budget."""
    pin = deciding(finding)
    if pin is None:
        return []
    several = len({one.condition for one in finding.pins}) > 1
    where = f"{pin.pin} ({pin.condition.pin_setup})" if several else pin.pin
    said = (
        f"Budgets of {where}, the pin that decides. Type A: by statistics; B: otherwise. u: standard uncertainty; ν: "
        "degrees of freedom; a contribution is the sensitivity times u, in the unit of the quantity. U = k·u holds "
        "95.45 %, k from the effective ν (Welch-Satterthwaite). All other pins: budgets.csv.",
    )
    return [Section("Uncertainty budgets", said=said, tables=tuple(_table(stated) for stated in pin.budgets))]


def deciding(finding: RunFinding) -> PinFinding | None:
    """The pin for which the smallest resistor is recommended, else the one with the worst verdict; None without any
    budget."""
    known = [pin for pin in finding.pins if pin.budgets]
    fitted = [pin for pin in known if pin.advice.ohm is not None and pin.advice.needed]
    if fitted:
        return min(fitted, key=lambda pin: pin.advice.ohm or 0.0)
    return min(known, key=lambda pin: ORDER.index(pin.verdict), default=None)


def _table(stated: Stated) -> Table:
    budget = stated.budget
    large = [part for part in budget.contributions if abs(part.amount) >= SMALL * budget.u]
    rows = [_row(budget, part) for part in sorted(large, key=lambda part: -abs(part.amount))]
    small = [part for part in budget.contributions if NOTHING * budget.u < abs(part.amount) < SMALL * budget.u]
    if small:
        together = sum(part.amount**2 for part in small) ** 0.5
        rows.append((f"{len(small)} more, together", "", "", "", "", _shown(together, budget.unit), ""))
    combined = _text(budget.u, budget.unit)
    rows.append((f"combined: u = {combined}, k = {budget.coverage:.2f}", "", "", "", "", "", _freedom(budget)))
    return Table(_COLUMNS, tuple(rows), caption=_caption(stated), marked=frozenset({len(rows) - 1}))


def _row(budget: Budget, part: Contribution) -> tuple[str | Cell, ...]:
    source = part.source
    return (
        source.name,
        source.evaluation,
        source.shape,
        _shown(source.u, "%" if source.unit == "1" else source.unit),
        _sensitivity(budget.unit, part),
        _shown(part.amount, budget.unit),
        "∞" if source.dof > MANY else f"{source.dof:.0f}",
    )


def _sensitivity(unit: str, part: Contribution) -> str:
    """By the unit in which u stands beside it: "1.28 MΩ/V", "20.3 mV/%"; 1 where both units are the same."""
    per = part.source.unit
    if per == unit:
        return f"{part.sensitivity:.3g}".replace("-", "\u2212")
    if per == "1":
        return f"{plain(0.01 * part.sensitivity, cast('UnitSymbol', unit), 3)}/%"
    return f"{plain(part.sensitivity, cast('UnitSymbol', unit), 3)}/{per}"


def _freedom(budget: Budget) -> str:
    return "∞" if budget.effective_dof > MANY else f"{budget.effective_dof:.1f}"


def _caption(stated: Stated) -> str:
    """The quantity with U, of what, and how Monte Carlo compares."""
    budget, unit = stated.budget, cast("UnitSymbol", stated.budget.unit)
    value = quantity_text(Value(budget.value, budget.u), unit, budget.coverage, prefixed=unit != "V")
    said = f"{budget.quantity.capitalize()}: {value}, {stated.about}."
    return said if stated.comparison is None else f"{said} {_compared(stated.comparison, unit, budget.expanded)}"


def _compared(compared: Comparison, unit: UnitSymbol, expanded: float) -> str:
    drawn = compared.simulation
    # As many digits as show two of U.
    size = max(abs(drawn.low), abs(drawn.high)) / expanded if expanded > 0.0 else 1.0
    digits = min(max(2 + math.ceil(math.log10(size)), 2), 9) if math.isfinite(size) and size > 0.0 else 2
    interval = f"{_text(drawn.low, unit, digits)} to {_text(drawn.high, unit, digits)}"
    if compared.validated:
        return f"Monte Carlo: {interval}; validated."
    return f"Not validated by Monte Carlo, whose interval is the one to use: {interval}."


def _shown(value: float, unit: str) -> Cell:
    return bare_cell(value, cast("UnitSymbol", unit), 2)


def _text(value: float, unit: str, digits: int = 2) -> str:
    return text_of(bare_cell(value, cast("UnitSymbol", unit), digits))


__all__ = ["budget_sections", "deciding"]
