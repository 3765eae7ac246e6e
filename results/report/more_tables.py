"""The CSV files beyond trials.csv and pins.csv: each is written where there is something to stand in it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from results.analysis.findings import RunFinding
from results.report.advice_csv import has_advice, write_advice_csv
from results.report.bench_check import has_check, write_checks_csv
from results.report.budgets_csv import has_budgets, write_budgets_csv
from results.report.contacts_section import has_contacts, write_contacts_csv
from results.report.dwells_csv import has_dwells, write_dwells_csv
from results.report.fold_section import has_fold_margins, write_fold_margins_csv
from results.report.latching import has_latching, write_latching_csv
from results.report.origin_section import has_checklist, write_checklist_csv
from results.report.pull_down_section import has_pull_down_ways, write_pull_downs_csv
from results.report.recoveries import has_recoveries, write_recoveries_csv
from results.report.remedies import has_remedies, write_remedies_csv
from results.report.tables import write_sweeps_csv
from results.report.trial_budgets_csv import has_trial_budgets, write_trial_budgets_csv

Writer = Callable[[RunFinding, Path], None]


def _has_sweep(finding: RunFinding) -> bool:
    return any(pin.sweep is not None for pin in finding.pins)


TABLES: dict[str, tuple[Callable[[RunFinding], bool], Writer]] = {
    "sweeps.csv": (_has_sweep, write_sweeps_csv),
    "advice.csv": (has_advice, write_advice_csv),
    "checklist.csv": (has_checklist, write_checklist_csv),
    "pull_downs.csv": (has_pull_down_ways, write_pull_downs_csv),
    "dwells.csv": (has_dwells, write_dwells_csv),
    "latching.csv": (has_latching, write_latching_csv),
    "checks.csv": (has_check, write_checks_csv),
    "budgets.csv": (has_budgets, write_budgets_csv),
    "trial_budgets.csv": (has_trial_budgets, write_trial_budgets_csv),
    "fold_margins.csv": (has_fold_margins, write_fold_margins_csv),
    "contacts.csv": (has_contacts, write_contacts_csv),
    "remedies.csv": (has_remedies, write_remedies_csv),
    "recoveries.csv": (has_recoveries, write_recoveries_csv),
}
"""File name -> whether a finding has anything for it, and what writes it."""


def table_names(finding: RunFinding) -> list[str]:
    """The files for which a finding has anything, in the order of the table."""
    return [name for name, (is_needed, _) in TABLES.items() if is_needed(finding)]


def write_more_tables(finding: RunFinding, folder: Path) -> list[str]:
    """Write those that have a row into the folder; their names. Raises RecordError where one cannot be written."""
    written = table_names(finding)
    for name in written:
        TABLES[name][1](finding, folder / name)
    return written
