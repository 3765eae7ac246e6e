"""What a plan that keeps its rules amounts to: thresholds, samples, presses, trials, the times of a dwell."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from results.analysis.uncertainty.stuck_rate import presses_needed
from results.errors import QuantityError
from results.logic_levels import full_name, levels
from results.record.run_record import DwellRules, Levels, RateAsked
from results.record.trial import NO_RESISTOR

if TYPE_CHECKING:
    from harness.plan_tables import PlanTables

DWELL_SAMPLES_BEFORE = 20
"""Of a long dwell, logged before its release: they show the level that it starts from."""

AS_FOUND = "as found"
"""The pin setup of a trial before the first reset: whatever the firmware had made of the pin."""


def thresholds(plan: PlanTables, rail_v: float | None = None) -> Levels:
    """V_IL and V_IH of a plan that keeps the rules of its levels, at this nominal rail (None: the plan's own).

    A standard that does not hold for that rail leaves the levels of the plan's own, without its name.
    """
    at_v = plan.rail.voltage_v if rail_v is None else rail_v
    if plan.levels.standard:
        try:
            v_il, v_ih = levels(plan.levels.standard, at_v)
        except QuantityError:
            kept = thresholds(plan)
            return Levels(kept.v_il, kept.v_ih)
        return Levels(v_il, v_ih, full_name(plan.levels.standard))
    assert plan.levels.v_il is not None
    assert plan.levels.v_ih is not None
    return Levels(plan.levels.v_il, plan.levels.v_ih)


def absolute_maximum_v(plan: PlanTables) -> float:
    """The highest voltage that harms no pin wherever the rail lies within its tolerance: the lowest rail counts."""
    return min(plan.rail.all_v) * (1.0 - plan.rail.tolerance) + plan.rail.above_rail_max_v


def highest_rail_v(plan: PlanTables) -> float:
    """The highest rail within its tolerance, in volt: of all steps, and of the nominal rail."""
    return max(plan.rail.voltage_v, *plan.rail.all_v) * (1.0 + plan.rail.tolerance)


def samples(plan: PlanTables) -> int:
    """Samples of one trace as planned."""
    slack_s = plan.press.reaction_s if plan.press.path == "hand" else plan.log.slack_s
    return math.ceil((plan.log.before_s + plan.log.time_s + slack_s) / plan.log.interval_s) + 1


def rate_asked(plan: PlanTables) -> RateAsked | None:
    """The stuck rate that the plan wants shown, with the presses for it; None where it asks for none."""
    trials = plan.trials
    if trials.stuck_rate_below is None:
        return None
    needed = presses_needed(trials.stuck_rate_below, trials.confidence)
    return RateAsked(trials.stuck_rate_below, trials.confidence, max(trials.repeats, needed))


def repeats_of(plan: PlanTables, resistor: str) -> int:
    """How often each pin is tried with this resistor in each pin setup."""
    asked = rate_asked(plan) if resistor == NO_RESISTOR else None
    return plan.trials.repeats if asked is None else asked.presses


def neighbours_of(plan: PlanTables) -> dict[str, tuple[str, ...]]:
    """Each pin's neighbours: as the plan says, else the pins before and after it in the list."""
    names = [pin.name for pin in plan.pins]
    beside = {name: tuple(names[max(0, at - 1) : at] + names[at + 1 : at + 2]) for at, name in enumerate(names)}
    return {pin.name: pin.neighbours or beside[pin.name] for pin in plan.pins}


def count_trials(plan: PlanTables) -> int:
    """How many trials the plan makes, as-found ones included."""
    trials = plan.trials
    each = len(trials.pin_setups) * sum(repeats_of(plan, resistor) for resistor in trials.resistors)
    conditions = len(plan.rail.all_v) * max(1, len(plan.temperature.steps_c))
    conditions *= len(trials.capacitors) * (1 if plan.neighbours is None else len(plan.neighbours.states))
    return len(plan.pins) * (each * conditions + int(trials.as_found))


def count_steps(plan: PlanTables) -> int:
    """How many steps a run makes of the plan, trials included, check coupons left out."""
    setups, conditions = len(plan.trials.pin_setups), len(plan.rail.all_v) * max(1, len(plan.temperature.steps_c))
    of_a_pin = 0 if plan.unlatch is None else plan.unlatch.repeats * setups
    of_a_pin += setups * ((plan.sweep is not None) + (plan.press_level is not None))
    of_a_pin += 0 if plan.remedies is None else plan.remedies.repeats * len(plan.remedies.tried)
    of_a_pin += 0 if plan.dwell is None else len(plan.dwell.setups or plan.trials.pin_setups)
    once = 0 if plan.damage_watch is None else 2
    table = plan.board_or_chip
    checklist = 0 if table is None else len(table.pins) * table.repeats * (1 + len(table.steps))
    return count_trials(plan) + len(plan.pins) * (of_a_pin * conditions + once) + checklist


def dwell_rules(plan: PlanTables, line_hz: float | None) -> DwellRules | None:
    """How pins are held and logged on a long dwell; None where the plan asks for none.

    The aperture is as many whole periods of the mains as fit into nine tenths of the interval, which takes hum out of
    each sample; where none fits, or the frequency is not known, half of the interval. A twentieth of the log more is
    logged for a release that comes late: on a bench that runs faster than real time a host's delay is long.
    """
    table = plan.dwell
    if table is None:
        return None
    periods = 0 if line_hz is None else math.floor(0.9 * table.interval_s * line_hz)
    aperture_s = periods / line_hz if line_hz is not None and periods else 0.5 * table.interval_s
    slack_s = plan.press.reaction_s if plan.press.path == "hand" else max(plan.log.slack_s, 0.05 * table.log_s)
    before_s = max(plan.log.before_s, DWELL_SAMPLES_BEFORE * table.interval_s)
    return DwellRules(table.hold_s, table.log_s, table.interval_s, aperture_s, before_s, slack_s)
