"""Board or chip: the leak at each step of the checklist, and what the steps say together.

At each step the leak is what flows out of the node at rest, I = V (G_out + G_pd): trial resistor, meter and fixture
outside, the pin's pull-down inside (none at the pad with the pin lifted). Steps are compared by their share of the leak
as it stands; where resistor and pull-down are the same, that is the share of the voltages. Between "stays" (half or
more) and "gone" (a fifth or less) nothing is said: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import get_args

from results.analysis.findings import PinFinding
from results.analysis.found.origin import ChecklistStep, Origin, OriginFinding, State
from results.analysis.leakage import RestPoint
from results.analysis.pin_bench import PinBench, ReadTrial
from results.analysis.value import Value
from results.record.run_record import Rules, RunRecord
from results.record.trial import Condition, Handling, Pin, Trial

STAYS = 0.5
GONE = 0.2

KNOWN_BY = 5.0
"""A node that rests below so many standard uncertainties of its voltage shows no leak to compare with."""

EVIDENCE: dict[tuple[Handling, State], tuple[Origin, str]] = {
    ("buffer off", "gone"): ("chip", "gone with the input buffer off"),
    ("cleaned", "gone"): ("board", "gone after cleaning and drying"),
    ("pad", "stays"): ("board", "stays at the pad with the pin lifted"),
    ("pad", "gone"): ("chip", "gone from the pad with the pin lifted"),
    ("lifted pin", "stays"): ("chip", "follows the lifted pin"),
    ("lifted pin", "gone"): ("board", "gone at the lifted pin"),
}
"""The decision table: what one step says by itself. A leak that stays with the buffer off is not the buffer's, and one
that stays after cleaning is not what was washed away; neither says where it is instead."""

_PAIR = {("pad", "stays"), ("lifted pin", "stays")}


def with_origin(record: RunRecord, pins: tuple[PinFinding, ...], steps: Sequence[ReadTrial]) -> tuple[PinFinding, ...]:
    """The pins, each that went through the checklist with where its leak comes from. Pure."""
    known = {pin.name: pin for pin in record.pins}
    origins: dict[int, OriginFinding] = {}
    for name in dict.fromkeys(read.trial.pin for read in steps):
        mine = [read for read in steps if read.trial.pin == name]
        condition = mine[0].trial.condition
        home = _home([pin for pin in pins if pin.pin == name], condition)
        bench = PinBench(record.under(condition), known.get(name, Pin(name)))
        origins[id(home)] = origin_of(_steps(bench, home, mine))
    return tuple(replace(pin, origin=origins[id(pin)]) if id(pin) in origins else pin for pin in pins)


def has_home(trial: Trial, others: Sequence[Trial]) -> bool:
    """Whether another kind of step was made on the pin of this step of the checklist, with which it can stand."""
    return any(one.pin == trial.pin and one.kind != trial.kind for one in others)


def _home(pins: Sequence[PinFinding], condition: Condition) -> PinFinding:
    """The finding that the checklist of a pin stands with: of its own condition, else of its rail, else the first.

    Rails and temperatures are stepped through before the checklist is made, at whatever temperature is there then.
    """
    same = [pin for pin in pins if pin.condition == condition]
    rail = [pin for pin in pins if (pin.condition.pin_setup, pin.condition.rail_v) == _setup_and_rail(condition)]
    return (same or rail or list(pins))[0]


def _setup_and_rail(condition: Condition) -> tuple[str, float]:
    return condition.pin_setup, condition.rail_v


def origin_of(steps: Sequence[ChecklistStep]) -> OriginFinding:
    """What the steps say together; they come in the order in which they were made."""
    first = next((step for step in steps if step.handling == "as it stands"), None)
    if first is None or first.leak is None:
        why = "" if first is None else f": {first.note}"
        return OriginFinding("not determined", f"the leak as it stands is not known{why}", (), tuple(steps))
    if first.held is None or first.held.value < KNOWN_BY * first.held.u:
        return OriginFinding("no leak", "as it stands the pin shows no leak that could be followed", (), tuple(steps))
    said = [EVIDENCE[step.handling, step.state] for step in _telling(steps) if (step.handling, step.state) in EVIDENCE]
    sides = {side for side, _ in said}
    evidence = tuple(f"{side}: {sentence}" for side, sentence in said)
    if len(sides) == 1:
        [origin] = sides
        return OriginFinding(origin, "; ".join(sentence for _, sentence in said), evidence, tuple(steps))
    if not sides:
        return OriginFinding("not determined", _what_is_missing(steps), evidence, tuple(steps))
    if {(step.handling, step.state) for step in steps} >= _PAIR and len(said) == len(_PAIR):
        reason = "it leaks at the pad and at the lifted pin, each by itself"
        return OriginFinding("both", reason, evidence, tuple(steps))
    contradiction = " but ".join(sentence for _, sentence in said)
    return OriginFinding("not determined", f"the steps contradict each other: {contradiction}", evidence, tuple(steps))


def _telling(steps: Sequence[ChecklistStep]) -> list[ChecklistStep]:
    """The steps that can tell anything: where cleaning has taken the leak away, nothing is left to follow after it."""
    told: list[ChecklistStep] = []
    for step in steps:
        told.append(step)
        if (step.handling, step.state) == ("cleaned", "gone"):
            break
    return told


def _what_is_missing(steps: Sequence[ChecklistStep]) -> str:
    states = {step.handling: step.state for step in steps}
    seen = [f"{name}: {state}" for name, state in states.items() if name != "as it stands"]
    told = f"no step tells ({'; '.join(seen) or 'none was made'})"
    open_ones = [name for name in get_args(Handling)[2:] if name not in states]
    return f"{told}; the next to make is {open_ones[0]!r}" if open_ones else told


def _steps(bench: PinBench, pin: PinFinding, reads: Sequence[ReadTrial]) -> list[ChecklistStep]:
    found: list[ChecklistStep] = []
    first: ChecklistStep | None = None
    for handling in dict.fromkeys(read.trial.handling for read in reads):
        mine = [read for read in reads if read.trial.handling == handling]
        step = _step(bench, pin, handling, mine)
        if handling == "as it stands":
            first = step
        elif first is not None:
            step = _compared(step, first, bench.record.rules)
        found.append(step)
    return found


def _step(bench: PinBench, pin: PinFinding, handling: Handling, reads: Sequence[ReadTrial]) -> ChecklistStep:
    """The mean over the presses of one step; what they share (accuracy, resistor, pull-down) does not average out."""
    rests = [rest for read in reads if (rest := bench.rest_of(read)) is not None]
    humidity = next(
        (r.observation.humidity for r in reads if r.observation and r.observation.humidity is not None), None
    )
    if not rests or bench.load_s is None:
        why = "the meter's input resistance is not stated" if rests else _why_no_rest(reads)
        return ChecklistStep(handling, len(reads), len(rests), None, None, None, "not known", humidity, why)
    inside = Value(0.0, 0.0) if handling == "pad" else pull_down_s(pin, bench.record.rules)
    leaks = [rest.leakage(inside) for rest in rests]
    settled, by_leak = (_mean(volts) for volts in ([rest.touch for rest in rests], [_held(r, inside) for r in rests]))
    return ChecklistStep(
        handling, len(reads), len(rests), settled, _mean(leaks), None, "not known", humidity, by_leak=by_leak
    )


def _held(rest: RestPoint, inside: Value) -> Value:
    """The node less what flows back from ends that are not at 0 V, over all that is on it, in volt."""
    outside_s, ends = rest.outside.value, rest.ends
    total_s = outside_s + inside.value * (1.0 + rest.series_ohm * outside_s)
    back_a = rest.injected_a * (1.0 + rest.series_ohm * inside.value) + inside.value * ends.fitted_v
    lift_v = back_a / total_s
    end_v = ends.fitted_u_v * (rest.fitted.value + inside.value) / total_s
    return Value(rest.touch.value - lift_v, math.hypot(rest.touch.u, lift_v * inside.u / total_s, end_v))


def pull_down_s(pin: PinFinding, rules: Rules) -> Value:
    """The conductance of the pin's pull-down: as found, else the middle of the plan's range (rectangular)."""
    if pin.pull_down is not None:
        return Value(1.0 / pin.pull_down.value, pin.pull_down.u / pin.pull_down.value**2)
    high_s, low_s = 1.0 / rules.pull_down_low_ohm, 1.0 / rules.pull_down_high_ohm
    return Value((high_s + low_s) / 2.0, (high_s - low_s) / math.sqrt(12.0))


def _compared(step: ChecklistStep, first: ChecklistStep, rules: Rules) -> ChecklistStep:
    """With its share of the leak as it stands, and what that means where its whole U lies on one side.

    But at the pad, both have the same conductance on the node, known or not: the share is that of the voltages.
    """
    one, whole = (step.leak, first.leak) if step.handling == "pad" else (step.held, first.held)
    if one is None or whole is None or whole.value <= 0.0:
        return step
    share = one.value / whole.value
    u = math.hypot(one.u, share * whole.u) / whole.value
    wide = rules.coverage * u
    state: State = "in between"
    if share - wide >= STAYS:
        state = "stays"
    elif share + wide <= GONE:
        state = "gone"
    return replace(step, share=Value(share, u), state=state)


def _mean(values: Sequence[Value]) -> Value:
    """Mean with the largest standard uncertainty of one, or the scatter of the values where that is more."""
    count = len(values)
    mean = sum(value.value for value in values) / count
    scatter = math.sqrt(sum((value.value - mean) ** 2 for value in values) / (count - 1)) if count > 1 else 0.0
    return Value(mean, max(scatter, *(value.u for value in values)))


def _why_no_rest(reads: Sequence[ReadTrial]) -> str:
    """Why no press of a step tells its leak: the first reason that there is."""
    for read in reads:
        if read.observation is None:
            return "not made"
        if read.observation.outcome != "measured":
            return "; ".join(read.observation.notes) or read.observation.outcome
        if read.trace is not None and (read.trace.problem or read.trace.moving):
            return read.trace.problem or "the node had not come to rest"
    return "the node did not come to rest by itself"
