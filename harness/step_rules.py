"""The rules of a plan on steps beyond its presses: sweeps, unlatching, remedies, pull-down, board or chip."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from harness.table_faults import twice
from harness.user_file import Fault
from results.quantity import show
from results.record.trial import NO_RESISTOR

if TYPE_CHECKING:
    from harness.plan_tables import PlanTables, RemediesTable


def sweep_faults(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    """The leak alone is the difference of two sweeps that are made."""
    if plan.sweep is None or plan.sweep.leak_setups is None:
        return
    yield from twice(("sweep", "leak_setups"), plan.sweep.leak_setups)
    for index, setup in enumerate(plan.sweep.leak_setups):
        if setup not in plan.trials.pin_setups:
            yield Fault(("sweep", "leak_setups", index), "is not one of trials.pin_setups")


def pull_down_faults(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    setup = plan.pull_down.setup
    if setup is not None and setup not in plan.trials.pin_setups:
        yield Fault(("pull_down", "setup"), "is not one of trials.pin_setups")


def latch_faults(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    """A pin latches or not with no resistor on it; what unlatches it is one of the resistors tried."""
    named = (("unlatch", plan.unlatch), ("press_level", plan.press_level))
    for name in [name for name, table in named if table is not None]:
        if NO_RESISTOR not in plan.trials.resistors:
            yield Fault((name,), 'looks at the pin without a resistor: trials.resistors must hold "none"', "")
    if plan.remedies is not None:
        yield from _remedies(plan.remedies, plan)
    if plan.unlatch is not None and set(plan.trials.resistors) <= {NO_RESISTOR}:
        yield Fault(("unlatch",), "needs a resistor to unlatch a pin with: trials.resistors has none", "")


def _remedies(table: RemediesTable, plan: PlanTables) -> Iterator[Fault]:
    """What a remedy clears is shown by the pin without one; the buffer closes before it opens again."""
    yield from twice(("remedies", "tried"), table.tried)
    if NO_RESISTOR not in plan.trials.resistors:
        rule = 'are compared with the pin without a resistor: trials.resistors must hold "none"'
        yield Fault(("remedies",), rule, "")
    if "external pull-down" in table.tried and set(plan.trials.resistors) <= {NO_RESISTOR}:
        rule = "an external pull-down is one of the trial resistors: trials.resistors has none"
        yield Fault(("remedies", "tried"), rule, '"external pull-down"')
    if table.open_time_s >= table.poll_period_s:
        yield Fault(("remedies", "open_time"), f"must be below poll_period of {show(table.poll_period_s, 's')}")


def checklist_faults(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    """The checklist is about pins of the plan, with resistors that are tried anyway."""
    table = plan.board_or_chip
    if table is None:
        return
    yield from twice(("board_or_chip", "pins"), table.pins)
    yield from twice(("board_or_chip", "steps"), table.steps)
    known = {pin.name for pin in plan.pins}
    for index, name in enumerate(table.pins):
        if name not in known:
            yield Fault(("board_or_chip", "pins", index), "is not one of [[pins]]")
    for key, resistor in (("resistor", table.resistor), ("pad_resistor", table.pad_resistor)):
        if resistor not in plan.trials.resistors:
            named = f'"{resistor}"' if key not in raw["board_or_chip"] else None
            yield Fault(("board_or_chip", key), "is not one of trials.resistors", named)
    if table.pad_resistor == NO_RESISTOR:
        rests = "low" if plan.press.to == "rail" else "high"
        yield Fault(("board_or_chip", "pad_resistor"), f"must be a resistor: nothing else pulls the pad {rests}")
