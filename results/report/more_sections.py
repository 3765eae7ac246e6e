"""What the report says beyond the presses: the sections between the sweeps and the bench, in the order of reading."""

from __future__ import annotations

from collections.abc import Callable

from results.analysis.findings import RunFinding
from results.report.bench_check import bench_check_section
from results.report.budgets_section import budget_sections
from results.report.conditions_section import conditions_section
from results.report.contacts_section import contacts_section
from results.report.dwell_section import dwell_section
from results.report.fit_section import fit_section
from results.report.fold_section import fold_sections
from results.report.interruptions import interruption_section
from results.report.latching import latching_sections
from results.report.origin_section import origin_section
from results.report.pull_down_section import pull_down_sections
from results.report.rate_section import rate_section
from results.report.recoveries import recovery_section
from results.report.remedies import remedy_sections
from results.report.repeat_section import repeat_section
from results.report.section import Section
from results.report.spread_section import spread_section
from results.report.supply_section import supply_section

Maker = Callable[[RunFinding], list[Section]]
"""A finding in, its sections out; none where there is nothing to say."""

MAKERS: tuple[Maker, ...] = (
    fit_section,
    remedy_sections,
    conditions_section,
    rate_section,
    dwell_section,
    fold_sections,
    latching_sections,
    origin_section,
    supply_section,
    pull_down_sections,
    repeat_section,
    spread_section,
    interruption_section,
    recovery_section,
    contacts_section,
    bench_check_section,
    budget_sections,
)


def more_sections(finding: RunFinding) -> list[Section]:
    """All sections, those first that decide what to do."""
    return [section for maker in MAKERS for section in maker(finding)]
