"""The rules of a plan on its trials: pins, resistors, setups, repeats and the neighbours."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

from harness.plan_meaning import (
    AS_FOUND,
    count_steps,
    count_trials,
    rate_asked,
    samples,
)
from harness.procedure_file import BUILT_IN
from harness.table_faults import twice
from harness.user_file import Fault, closest
from results.quantity import show
from results.record.bounds import SAMPLES_A_RUN
from results.record.trial import NO_CAPACITOR, NO_RESISTOR

if TYPE_CHECKING:
    from harness.plan_tables import PlanTables

MAX_TRIALS = 100_000
"""About a day of pressing without pause; more is a slip of the repeats."""


MAX_STEPS = 150_000
"""Trials, sweeps, dwells and whatever else is made of a pin: what one run.json can list."""


def trial_faults(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    yield from twice(("trials", "resistors"), plan.trials.resistors)
    yield from twice(("trials", "pin_setups"), plan.trials.pin_setups)
    yield from twice(("trials", "capacitors"), plan.trials.capacitors)
    if NO_CAPACITOR not in plan.trials.capacitors:
        yield Fault(("trials", "capacitors"), "must hold none: all that is no plain trial is made without")
    for index, setup in enumerate(plan.trials.pin_setups):
        if setup == AS_FOUND:
            yield Fault(("trials", "pin_setups", index), "is no setup to be made, write as_found = true")
    if count_trials(plan) > MAX_TRIALS:
        rule = f"make {count_trials(plan)} trials with all pins, resistors and setups, more than {MAX_TRIALS}"
        asked = rate_asked(plan)
        if asked is not None and asked.presses > plan.trials.repeats:
            yield Fault(("trials", "stuck_rate_below"), f"asks for {asked.presses} presses a pin, which {rule}")
        else:
            yield Fault(("trials", "repeats"), rule, None if "repeats" in raw["trials"] else str(plan.trials.repeats))
    elif count_steps(plan) > MAX_STEPS:
        rule = f"make {count_steps(plan)} steps with all that is made of each pin beside them, more than {MAX_STEPS}"
        yield Fault(("trials", "repeats"), rule, None if "repeats" in raw["trials"] else str(plan.trials.repeats))
    elif count_steps(plan) * samples(plan) > SAMPLES_A_RUN:
        rule = f"makes {count_steps(plan)} logs of {samples(plan)} samples, more than {SAMPLES_A_RUN} samples of a run"
        yield Fault(("log", "interval"), rule)
    yield from _rate(plan, raw)
    procedure = plan.trials.procedure
    if PurePath(procedure).suffix != ".py" and procedure not in BUILT_IN:
        known = closest(procedure, BUILT_IN)
        yield Fault(("trials", "procedure"), f"unknown procedure ({known}) and not the name of a .py file")


def _rate(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    """A stuck rate is that of the bare pin, and a confidence belongs to a rate."""
    if plan.trials.stuck_rate_below is None:
        if "confidence" in raw["trials"]:
            yield Fault(("trials", "confidence"), "says nothing without trials.stuck_rate_below")
    elif NO_RESISTOR not in plan.trials.resistors:
        rule = f'is about the pin with no resistor, but trials.resistors has no "{NO_RESISTOR}"'
        yield Fault(("trials", "stuck_rate_below"), rule)


def retest_faults(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    """A wait that doubles cannot begin above its end."""
    first_s, longest_s = plan.retest.first_wait_s, plan.retest.longest_wait_s
    if first_s <= longest_s:
        return
    if "longest_wait" in raw["retest"]:
        yield Fault(("retest", "longest_wait"), f"must not be below first_wait, {show(first_s, 's')}")
    else:
        yield Fault(("retest", "first_wait"), f"must not be above longest_wait, {show(longest_s, 's')}")


def neighbour_faults(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    """Neighbours are other pins of the plan, and a pin that is tried with them has one at least."""
    known = {pin.name for pin in plan.pins}
    for index, pin in enumerate(plan.pins):
        yield from twice(("pins", index, "neighbours"), pin.neighbours)
        for number, name in enumerate(pin.neighbours):
            if name not in known or name == pin.name:
                yield Fault(("pins", index, "neighbours", number), "is not another one of [[pins]]")
    if plan.neighbours is not None:
        yield from twice(("neighbours", "states"), plan.neighbours.states)
        others = (plan.sweep, plan.unlatch, plan.press_level)
        if any(table is not None for table in others) and "floating" not in plan.neighbours.states:
            rule = 'must hold "floating": sweeps and other steps are made with the neighbours left alone'
            yield Fault(("neighbours", "states"), rule)
        if len(plan.pins) < 2:
            yield Fault(("neighbours",), "the plan has one pin, which has no neighbours", "")


def pin_faults(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    first: dict[str, int] = {}
    for index, pin in enumerate(plan.pins):
        if pin.node_capacitance_tolerance is not None and pin.node_capacitance_f is None:
            yield Fault(("pins", index, "node_capacitance_tolerance"), "needs node_capacitance beside it")
        if pin.name in first:
            yield Fault(("pins", index, "name"), f"is already the name of pins[{first[pin.name] + 1}]")
        first.setdefault(pin.name, index)
