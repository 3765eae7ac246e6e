"""plan x bench -> trials and sweeps in order.

Temperatures are outermost, because they take longest; then rails, then pins.
Where resistors are switched, the order within a pin is random (seeded), so that drift and warming spread over all
resistors; pins follow one another. Where a person fits them, each resistor is fitted as seldom as the wiring allows.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import groupby, product

from harness.bench_file import BenchFile
from harness.coupon_steps import coupon_steps
from harness.plan import Plan
from harness.plan_meaning import AS_FOUND, repeats_of
from harness.steps import BOARD_OR_CHIP, DWELL, PIN_LEAKAGE, PRESS_LEVEL, REMEDIES, SWEEP, UNLATCH
from results.record.trial import NO_CAPACITOR, NO_RESISTOR, Condition, Handling, Kind, Trial

CHECKLIST: tuple[Handling, ...] = ("buffer off", "cleaned", "pad", "lifted pin")
"""The steps after `as it stands`, in the only order that makes sense: what cannot be undone comes last."""

_Step = tuple[str, str, str, Kind, str]
"""Pin, resistor, pin setup, kind and procedure of one step to come."""


def trials_in_order(plan: Plan, bench: BenchFile | None = None) -> list[Trial]:
    """Every planned trial once, numbered from 1; those of the state as found come first, before the first reset.
    Check coupons are tried before all of them and after, at the nominal rail.

    `bench` is None for traces recorded elsewhere, whose order nobody can choose: then as listed. The same files give
    the same order on every machine. Repeats of one combination are counted in the order in which they are made.
    """
    coupons = list(coupon_steps(plan, bench))
    under_all = list(conditions(plan, bench))
    first_c = None if plan.trials.as_found else under_all[0][0].temperature_c
    steps: list[tuple[_Step, Condition, str]] = [
        (step, Condition(step[2], plan.rail.voltage_v, first_c), "") for step in coupons
    ]
    steps += [(step, Condition(step[2], plan.rail.voltage_v), "") for step in _as_found(plan)]
    watched = list(_damage_watch(plan, bench))
    first_of_all = replace(under_all[0][0], neighbours="", capacitor=NO_CAPACITOR)
    steps += [(step, replace(first_of_all, pin_setup=step[2]), "") for step in watched]
    for condition, under in under_all:
        steps += [
            (step, replace(condition, pin_setup=step[2]), under)
            for step in _ordered(plan, bench, under)
            # What is no plain trial is made once, with the neighbours left alone and nothing added to the node.
            if step[3] == "trial" or (condition.neighbours in ("", "floating") and condition.capacitor == NO_CAPACITOR)
        ]
    last = replace(under_all[-1][0], neighbours="", capacitor=NO_CAPACITOR)
    steps += [(step, replace(last, pin_setup=step[2]), "") for step in watched]
    ends = len(steps)
    handlings = list(_checklist(plan)) if bench is not None else []
    steps += [(step, Condition(step[2], plan.rail.voltage_v), handling) for step, handling in handlings]
    steps += [(step, Condition(step[2], plan.rail.voltage_v, under_all[-1][0].temperature_c), "") for step in coupons]
    made: Counter[tuple[_Step, str]] = Counter()
    trials = []
    for number, (step, condition, under) in enumerate(steps, start=1):
        pin, resistor, _, kind, procedure = step
        made[step, under] += 1
        handling = handlings[number - ends - 1][1] if 0 < number - ends <= len(handlings) else ""
        trials.append(
            Trial(
                sequence=number,
                procedure=procedure,
                pin=pin,
                resistor=resistor,
                condition=condition,
                repeat=made[step, under],
                as_found=step[2] == AS_FOUND,
                kind=kind,
                under="" if handling else under,
                handling=handling,
            )
        )
    return trials


def conditions(plan: Plan, bench: BenchFile | None = None) -> Iterator[tuple[Condition, str]]:
    """Each condition of the plan but for its pin setup, and what a label says of it: the slowest step outermost.

    Traces recorded elsewhere have one condition: theirs.
    """
    if bench is None:
        yield Condition("", plan.rail.voltage_v), ""
        return
    states: tuple[str, ...] = ("",) if plan.neighbours is None else plan.neighbours.states
    steps = (plan.temperature.steps_c or (None,), plan.rail.all_v, states, plan.trials.capacitors)
    for temperature_c, rail_v, state, capacitor in product(*steps):
        said = [_short(rail_v, "V")] if plan.rail.steps_v else []
        said += [] if temperature_c is None else [f"{temperature_c:g}C"]
        said += [f"beside {state}"] if state else []
        said += [] if capacitor == NO_CAPACITOR else [f"{capacitor} added"]
        yield Condition("", rail_v, temperature_c, neighbours=state, capacitor=capacitor), " ".join(said)


def _short(value: float, unit: str) -> str:
    """3.0V, 3.3V, 2.75V: one decimal at least, so that a voltage looks like one."""
    return f"{value:.1f}{unit}" if round(value, 1) == value else f"{value:g}{unit}"


def hand_fits(trials: Sequence[Trial], plan: Plan, bench: BenchFile) -> int:
    """How often a person fits a resistor during these trials; 0 where all are switched."""
    if plan.trials.fitted != "hand":
        return 0
    kept = _resistor_stays(plan, bench)
    fitted = [resistor for resistor, _ in groupby((t.resistor, "" if kept else t.pin) for t in trials)]
    return sum(resistor != NO_RESISTOR for resistor, _ in fitted)


def order_note(trials: Sequence[Trial], plan: Plan, bench: BenchFile) -> str:
    """One line on what the order asks of a person; empty where nothing."""
    fits = hand_fits(trials, plan, bench)
    if not fits:
        return ""
    different = len(set(plan.trials.resistors) - {NO_RESISTOR})
    if plan.rail.steps_v or plan.temperature.steps_c:
        return f"resistors are fitted by hand: {fits} fits, over all rails and temperatures"
    if fits == different:
        return f"resistors are fitted by hand: {fits} fits, each resistor once for the whole run"
    return f"resistors are fitted by hand: {fits} fits, {different} resistors at each of {len(plan.pins)} pins"


def _resistor_stays(plan: Plan, bench: BenchFile) -> bool:
    """Whether a resistor on the bus can stay while the pins change: where relays select them, or there is one pin."""
    return bool(bench.wiring.select) or len(plan.pins) == 1


def _as_found(plan: Plan) -> Iterator[_Step]:
    """One trial a pin, of nothing but the board as it stands: no resistor where the plan has `none`."""
    if not plan.trials.as_found:
        return
    resistors = plan.trials.resistors
    resistor = NO_RESISTOR if NO_RESISTOR in resistors else resistors[0]
    yield from ((pin.name, resistor, AS_FOUND, "trial", plan.trials.procedure) for pin in plan.pins)


def _ordered(plan: Plan, bench: BenchFile | None, under: str) -> Iterator[_Step]:
    trials = plan.trials
    pins = [pin.name for pin in plan.pins]
    if bench is not None and trials.fitted == "hand" and _resistor_stays(plan, bench):
        for resistor in trials.resistors:
            pairs = [(pin, setup) for pin in pins for setup in trials.pin_setups]
            yield from (
                (pin, resistor, setup, "trial", trials.procedure)
                for pin, setup in pairs
                for _ in range(repeats_of(plan, resistor))
            )
        for pin in pins:
            yield from _after_trials(plan, bench, pin)
        return
    for pin in pins:
        steps: list[_Step] = [
            (pin, resistor, setup, "trial", trials.procedure)
            for resistor in trials.resistors
            for setup in trials.pin_setups
        ]
        each = [step for step in steps for _ in range(repeats_of(plan, step[1]))]
        shuffled = bench is not None and trials.fitted == "switched" and trials.order == "random"
        yield from _shuffled(each, f"{trials.seed} {pin} {under}".rstrip()) if shuffled else each
        yield from _after_trials(plan, bench, pin)


def _after_trials(plan: Plan, bench: BenchFile | None, pin: str) -> Iterator[_Step]:
    """What the plan asks of a pin beyond its trials; nothing of traces recorded elsewhere."""
    if bench is not None:
        yield from _sweeps(plan, pin)
        yield from _latches(plan, pin)
        yield from _remedies(plan, pin)
        yield from _dwells(plan, pin)


def _sweeps(plan: Plan, pin: str) -> Iterator[_Step]:
    """One sweep in each pin setup, with nothing fitted."""
    if plan.sweep is not None:
        yield from ((pin, NO_RESISTOR, setup, "sweep", SWEEP) for setup in plan.trials.pin_setups)


def _latches(plan: Plan, pin: str) -> Iterator[_Step]:
    """What it takes to unlatch the pin and to latch it, in each pin setup, with nothing fitted."""
    for setup in plan.trials.pin_setups:
        if plan.unlatch is not None:
            yield from ((pin, NO_RESISTOR, setup, "unlatch", UNLATCH) for _ in range(plan.unlatch.repeats))
        if plan.press_level is not None:
            yield (pin, NO_RESISTOR, setup, "press level", PRESS_LEVEL)


def _dwells(plan: Plan, pin: str) -> Iterator[_Step]:
    """A pin held and logged for minutes, last of all: what it warms or charges up disturbs nothing else."""
    dwell = plan.dwell
    if dwell is None or (dwell.pins and pin not in dwell.pins):
        return
    for setup in dwell.setups or plan.trials.pin_setups:
        yield (pin, dwell.resistor, setup, "dwell", DWELL)


def _checklist(plan: Plan) -> Iterator[tuple[_Step, Handling]]:
    """The checklist at the very end, because it takes the board apart: each step on all its pins, then the next."""
    table = plan.board_or_chip
    if table is None:
        return
    setup = plan.trials.pin_setups[0]
    handlings: tuple[Handling, ...] = ("as it stands", *(one for one in CHECKLIST if one in table.steps))
    for handling in handlings:
        resistor = table.pad_resistor if handling == "pad" else table.resistor
        for pin in table.pins:
            step: _Step = (pin, resistor, setup, "board or chip", BOARD_OR_CHIP)
            yield from ((step, handling) for _ in range(table.repeats))


def _remedies(plan: Plan, pin: str) -> Iterator[_Step]:
    """Each remedy that takes a procedure of its own, in the first pin setup, with nothing fitted."""
    table = plan.remedies
    for remedy in () if table is None else table.tried:
        if table is not None and remedy in REMEDIES:
            step: _Step = (pin, NO_RESISTOR, plan.trials.pin_setups[0], "remedy", REMEDIES[remedy])
            yield from (step for _ in range(table.repeats))


def _damage_watch(plan: Plan, bench: BenchFile | None) -> Iterator[_Step]:
    """The leakage of each pin as it goes in, and as it comes out; without a source the bare trials must tell it."""
    if plan.damage_watch is None or bench is None or bench.source is None or bench.wiring.source is None:
        return
    if not bench.wiring.select:
        return
    setup = plan.trials.pin_setups[0]
    yield from ((pin.name, NO_RESISTOR, setup, "damage watch", PIN_LEAKAGE) for pin in plan.pins)


def _shuffled(steps: list[_Step], seed: str) -> list[_Step]:
    """A random order: sorted by random keys, because Python keeps random() over its versions, and shuffle() not."""
    draw = random.Random(seed)
    return [step for _, step in sorted((draw.random(), step) for step in steps)]
