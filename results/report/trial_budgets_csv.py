"""trial_budgets.csv: every number of every trial, one row a source and one that says what they come to."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from results.analysis.findings import RunFinding, TrialFinding
from results.report.budgets_csv import NUMBER_COLUMNS, combined_row, source_row
from results.report.csv_file import Cell, write_csv

_COLUMNS = (
    "unit",
    "sequence",
    "pin",
    "pin_setup",
    "trial_resistor",
    "repeat",
    "quantity",
    *NUMBER_COLUMNS,
)


def has_trial_budgets(finding: RunFinding) -> bool:
    """Whether any number of a trial has one."""
    return any(row.budgets for row in finding.trials)


def write_trial_budgets_csv(finding: RunFinding, path: Path) -> None:
    """In the order of trials.csv. Raises RecordError where it cannot be written."""
    write_csv(path, _COLUMNS, (cells for row in finding.trials for cells in _rows(finding, row)))


def _rows(finding: RunFinding, row: TrialFinding) -> Iterator[dict[str, Cell]]:
    unit, trial = finding.record.unit, row.trial
    empty: dict[str, Cell] = dict.fromkeys(_COLUMNS)
    for budget in row.budgets:
        about = empty | {
            "unit": unit.serial or unit.name,
            "sequence": trial.sequence,
            "pin": trial.pin,
            "pin_setup": trial.condition.pin_setup,
            "trial_resistor": trial.resistor,
            "repeat": trial.repeat,
            "quantity": budget.quantity,
            "quantity_unit": budget.unit,
            "value": budget.value,
        }
        for part in budget.contributions:
            yield about | source_row(part)
        yield about | {name: cell for name, cell in combined_row(budget).items() if name in empty}
