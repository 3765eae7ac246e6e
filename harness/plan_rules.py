"""What must fit together inside one plan: every rule between its values, by table."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import chain
from typing import TYPE_CHECKING, Any

from harness.log_rules import dwell_faults, log_faults
from harness.press_rules import condition_faults, ground_faults, level_faults, press_faults
from harness.step_rules import checklist_faults, latch_faults, pull_down_faults, sweep_faults
from harness.trial_rules import neighbour_faults, pin_faults, retest_faults, trial_faults
from harness.user_file import Fault

if TYPE_CHECKING:
    from harness.plan_tables import PlanTables

Rule = Callable[["PlanTables", dict[str, Any]], Iterator[Fault]]


def plan_faults(plan: PlanTables, raw: dict[str, Any]) -> list[Fault]:
    """Every rule between values that the plan breaks."""
    return list(chain.from_iterable(rule(plan, raw) for rule in _RULES))


_RULES: tuple[Rule, ...] = (
    condition_faults,
    level_faults,
    press_faults,
    ground_faults,
    log_faults,
    trial_faults,
    retest_faults,
    sweep_faults,
    latch_faults,
    dwell_faults,
    pull_down_faults,
    neighbour_faults,
    checklist_faults,
    pin_faults,
)
