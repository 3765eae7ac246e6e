"""The rules of a plan on what a press leads to: levels, rail, where it is pressed to."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from harness.plan_meaning import absolute_maximum_v, thresholds
from harness.table_faults import twice
from harness.user_file import Fault
from harness.values import without_value
from results.errors import QuantityError
from results.logic_levels import levels
from results.quantity import show

if TYPE_CHECKING:
    from harness.plan_tables import PlanTables


def level_faults(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    table = plan.levels
    if table.standard and (table.v_il is not None or table.v_ih is not None):
        yield Fault(("levels",), "either a standard or v_il and v_ih, not both")
    elif table.standard:
        try:
            levels(table.standard, plan.rail.voltage_v)
        except QuantityError as exc:
            yield Fault(("levels", "standard"), without_value(exc, table.standard))
    elif table.v_il is None or table.v_ih is None:
        missing = [key for key in ("v_il", "v_ih") if key not in raw["levels"]]
        yield from (Fault(("levels", key), "missing (or a standard instead)") for key in missing)
    else:
        if table.v_il >= table.v_ih:
            yield Fault(("levels", "v_il"), f"must be below v_ih of {show(table.v_ih, 'V')}")
        lowest_v = min(plan.rail.voltage_v, *plan.rail.all_v)
        if table.v_ih > lowest_v:
            yield Fault(("levels", "v_ih"), f"must not be above the rail of {show(lowest_v, 'V')}")


def condition_faults(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    yield from twice(("rail", "steps"), tuple(show(rail_v, "V", 9) for rail_v in plan.rail.steps_v))
    yield from twice(("temperature", "steps"), tuple(show(step_c, "°C", 9) for step_c in plan.temperature.steps_c))


def press_faults(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    voltage_v = plan.press.voltage_v
    if voltage_v is None:
        return
    where = ("press", "voltage")
    if plan.press.path != "source":
        yield Fault(where, f"only a source presses to a voltage of its own, path is {plan.press.path}")
    if plan.press.to == "ground":
        if not any(level_faults(plan, raw)) and voltage_v > thresholds(plan).v_il:
            yield Fault(
                where, f"must not be above V_IL of {show(thresholds(plan).v_il, 'V')}: nothing would be pressed"
            )
        return
    limit_v = absolute_maximum_v(plan)
    if voltage_v > limit_v:
        # Named with its parts, so that nobody has to guess which of them is the low one.
        parts = f"rail less {show(plan.rail.tolerance, '%')} plus above_rail_max"
        yield Fault(where, f"must not be above the absolute maximum of {show(limit_v, 'V')} ({parts})")
    if not any(level_faults(plan, raw)):
        highest_v = max(thresholds(plan, rail_v).v_ih for rail_v in plan.rail.all_v)
        if voltage_v < highest_v:
            yield Fault(where, f"must not be below V_IH of {show(highest_v, 'V')}: nothing would be pressed")


def ground_faults(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    """Inputs with a pull-up rest at the rail."""
    if plan.press.to == "rail":
        return
    if not any(level_faults(plan, raw)) and thresholds(plan).v_ih >= plan.rail.voltage_v:
        yield Fault(("levels",), "V_IH must be below the rail, or no pin that rests there is released", "")
