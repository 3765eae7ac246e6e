"""budgets.csv: the uncertainty budgets of all pins, one row a source and one that says what they come to."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

from results.analysis.findings import PinFinding, RunFinding
from results.analysis.uncertainty.budget import Budget, Contribution
from results.analysis.uncertainty.monte_carlo import Comparison, Stated
from results.report.csv_file import Cell, write_csv

COMBINED = "combined"
"""What stands as the source of the row in which a budget ends."""

NUMBER_COLUMNS = (
    "quantity_unit",
    "value",
    "source",
    "source_unit",
    "evaluation",
    "distribution",
    "standard_u",
    "sensitivity",
    "contribution",
    "degrees_of_freedom",
    "coverage_factor",
    "expanded_u",
)
"""Of every file of budgets: a quantity, its sources, and what they come to."""

_COLUMNS = (
    "unit",
    "pin",
    "pin_setup",
    "rail_v",
    "temperature_c",
    "quantity",
    "about",
    *NUMBER_COLUMNS,
    "monte_carlo_low",
    "monte_carlo_high",
    "validated",
)


def has_budgets(finding: RunFinding) -> bool:
    """Whether any number has one."""
    return any(pin.budgets for pin in finding.pins)


def write_budgets_csv(finding: RunFinding, path: Path) -> None:
    """One row a source of every budget, and a combined one. Raises RecordError where it cannot be written."""
    rows = (row for pin in finding.pins for stated in pin.budgets for row in _rows(finding, pin, stated))
    write_csv(path, _COLUMNS, rows)


def _rows(finding: RunFinding, pin: PinFinding, stated: Stated) -> Iterator[dict[str, Cell]]:
    unit = finding.record.unit
    empty: dict[str, Cell] = dict.fromkeys(_COLUMNS)
    about = empty | {
        "unit": unit.serial or unit.name,
        "pin": pin.pin,
        "pin_setup": pin.condition.pin_setup,
        "rail_v": pin.condition.rail_v,
        "temperature_c": pin.condition.temperature_c,
        "quantity": stated.budget.quantity,
        "about": stated.about,
        "quantity_unit": stated.budget.unit,
        "value": stated.budget.value,
    }
    for part in stated.budget.contributions:
        yield about | source_row(part)
    yield about | combined_row(stated.budget, stated.comparison)


def source_row(part: Contribution) -> dict[str, Cell]:
    """The cells of one source of a budget."""
    return {
        "source": part.source.name,
        "source_unit": part.source.unit,
        "evaluation": part.source.evaluation,
        "distribution": part.source.shape,
        "standard_u": part.source.u,
        "sensitivity": part.sensitivity,
        "contribution": part.amount,
        "degrees_of_freedom": _finite(part.source.dof),
    }


def combined_row(budget: Budget, compared: Comparison | None = None) -> dict[str, Cell]:
    """The cells of what the sources come to."""
    return {
        "source": COMBINED,
        "source_unit": budget.unit,
        "standard_u": budget.u,
        "degrees_of_freedom": _finite(budget.effective_dof),
        "coverage_factor": budget.coverage,
        "expanded_u": budget.expanded,
        "monte_carlo_low": None if compared is None else compared.simulation.low,
        "monte_carlo_high": None if compared is None else compared.simulation.high,
        "validated": None if compared is None else compared.validated,
    }


def _finite(dof: float) -> float | None:
    return dof if math.isfinite(dof) else None
