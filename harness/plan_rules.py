"""What must fit together inside one plan: levels and rail, times and samples, no name twice."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from itertools import chain
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

from harness.procedure_file import BUILT_IN
from harness.user_file import Fault, Location, at, closest
from harness.values import without_value
from results.analysis.repeats.stuck_rate import presses_needed
from results.errors import QuantityError
from results.logic_levels import full_name, levels
from results.quantity import show
from results.record.run_record import DwellRules, Levels, RateAsked
from results.record.trial import NO_CAPACITOR, NO_RESISTOR

if TYPE_CHECKING:
    from harness.plan_tables import PlanTables, RemediesTable

MAX_SAMPLES = 1_000_000
"""Samples of one trace: 16 MB. More is a slip of the interval; a node that crawls needs a longer one."""

MIN_SAMPLES_BEFORE = 5
"""Fewer samples at the press level do not show a level that an edge could start from."""

MIN_SAMPLES_AFTER = 20
"""A settled window and a decay need samples of their own."""

DWELL_SAMPLES_BEFORE = 20
"""Of a long dwell, logged before its release: they show the level that it starts from."""

MIN_DWELL_SAMPLES = 200
"""Of a long dwell: its first and its last ones must tell two levels apart."""

DWELL_LONGER = 10
"""A dwell that is not so many times longer than the ordinary log shows nothing that this does not."""

MAX_TRIALS = 100_000
"""About a day of pressing without pause; more is a slip of the repeats."""

AS_FOUND = "as found"
"""The pin setup of a trial before the first reset: whatever the firmware had made of the pin."""

Rule = Callable[["PlanTables", dict[str, Any]], Iterator[Fault]]


def plan_faults(plan: PlanTables, raw: dict[str, Any]) -> list[Fault]:
    """Every rule between values that the plan breaks."""
    return list(chain.from_iterable(rule(plan, raw) for rule in _RULES))


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


def _levels(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
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


def _steps(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    yield from _twice(("rail", "steps"), tuple(show(rail_v, "V", 9) for rail_v in plan.rail.steps_v))
    yield from _twice(("temperature", "steps"), tuple(show(step_c, "°C", 9) for step_c in plan.temperature.steps_c))


def _press(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    voltage_v = plan.press.voltage_v
    if voltage_v is None:
        return
    where = ("press", "voltage")
    if plan.press.path != "source":
        yield Fault(where, f"only a source presses to a voltage of its own, path is {plan.press.path}")
    if plan.press.to == "ground":
        if not any(_levels(plan, raw)) and voltage_v > thresholds(plan).v_il:
            yield Fault(
                where, f"must not be above V_IL of {show(thresholds(plan).v_il, 'V')}: nothing would be pressed"
            )
        return
    limit_v = absolute_maximum_v(plan)
    if voltage_v > limit_v:
        # Named with its parts, so that nobody has to guess which of them is the low one.
        parts = f"rail less {show(plan.rail.tolerance, '%')} plus above_rail_max"
        yield Fault(where, f"must not be above the absolute maximum of {show(limit_v, 'V')} ({parts})")
    if not any(_levels(plan, raw)):
        highest_v = max(thresholds(plan, rail_v).v_ih for rail_v in plan.rail.all_v)
        if voltage_v < highest_v:
            yield Fault(where, f"must not be below V_IH of {show(highest_v, 'V')}: nothing would be pressed")


ONLY_TO_THE_RAIL = ("unlatch", "press_level", "board_or_chip", "remedies", "dwell", "damage_watch")
"""Tables of steps that are made of pins pressed to the rail only."""


def _to_ground(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    """Inputs with a pull-up are pressed, released and swept; everything else is about inputs with a pull-down."""
    if plan.press.to == "rail":
        return
    for name in ONLY_TO_THE_RAIL:
        if getattr(plan, name, None) is not None:
            yield Fault((name,), 'is made of pins that are pressed to the rail, press.to is "ground"', "")
    if plan.trials.capacitors != (NO_CAPACITOR,):
        yield Fault(
            ("trials", "capacitors"), 'are added to pins that are pressed to the rail, press.to is "ground"', ""
        )
    if not any(_levels(plan, raw)) and thresholds(plan).v_ih >= plan.rail.voltage_v:
        yield Fault(("levels",), "V_IH must be below the rail, or no pin that rests there is released", "")


def _log(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    log = plan.log
    if log.time_s < plan.release.allowed_s:
        yield _unequal(raw, ("log", "time"), log.time_s, "shorter", "release.allowed", plan.release.allowed_s)
    if samples(plan) > MAX_SAMPLES:
        yield Fault(("log", "interval"), f"makes {samples(plan)} samples a trial, more than {MAX_SAMPLES}")
    for key, span_s, least in (("before", log.before_s, MIN_SAMPLES_BEFORE), ("time", log.time_s, MIN_SAMPLES_AFTER)):
        # A sample more or less for the rounding of the quotient of two decimal numbers.
        if span_s / log.interval_s < least - 1e-6:
            yield Fault(("log", key), f"must be at least {least} intervals of {show(log.interval_s, 's')}")
    if log.aperture_s is not None and log.aperture_s > log.interval_s:
        yield _unequal(raw, ("log", "aperture"), log.aperture_s, "longer", "log.interval", log.interval_s)
    if plan.recorded is not None and plan.recorded.line_frequency_hz is not None:
        yield from mains_faults(plan, plan.recorded.line_frequency_hz)


def mains_faults(plan: PlanTables, line_hz: float) -> Iterator[Fault]:
    """Hum sampled once a period stands still and looks like a settled voltage."""
    yield from _stands_still(("log", "interval"), plan.log.interval_s, line_hz)


def dwell_mains_faults(plan: PlanTables, line_hz: float | None) -> Iterator[Fault]:
    """The same for a long dwell, unless its aperture takes the hum out of each sample; None: neither 50 nor 60 Hz."""
    rules = dwell_rules(plan, line_hz)
    for hertz in (50.0, 60.0) if line_hz is None else (line_hz,):
        if rules is not None and not _whole(rules.aperture_s * hertz):
            yield from _stands_still(("dwell", "interval"), rules.interval_s, hertz)


def _stands_still(where: Location, interval_s: float, line_hz: float) -> Iterator[Fault]:
    if _whole(interval_s * line_hz):
        rule = f"must not be a whole number of mains periods ({show(line_hz, 'Hz')}): hum would look like a level"
        yield Fault(where, rule)


def _whole(periods: float) -> bool:
    return round(periods) >= 1 and math.isclose(periods, round(periods), rel_tol=1e-3)


def unless_written(raw: dict[str, Any], where: Location, text: str) -> str | None:
    """What a message says for a value that stands nowhere in the file; None where it does."""
    return text if at(raw, where) is None else None


def _unequal(raw: dict[str, Any], where: Location, value_s: float, how: str, other: str, other_s: float) -> Fault:
    named = show(value_s, "s") if at(raw, where) is None else None
    return Fault(where, f"must not be {how} than {other} of {show(other_s, 's')}", named)


def _trials(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    yield from _twice(("trials", "resistors"), plan.trials.resistors)
    yield from _twice(("trials", "pin_setups"), plan.trials.pin_setups)
    yield from _twice(("trials", "capacitors"), plan.trials.capacitors)
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


def _sweep(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    """The leak alone is the difference of two sweeps that are made."""
    if plan.sweep is None or plan.sweep.leak_setups is None:
        return
    yield from _twice(("sweep", "leak_setups"), plan.sweep.leak_setups)
    for index, setup in enumerate(plan.sweep.leak_setups):
        if setup not in plan.trials.pin_setups:
            yield Fault(("sweep", "leak_setups", index), "is not one of trials.pin_setups")


def _remedies(table: RemediesTable, plan: PlanTables) -> Iterator[Fault]:
    """What a remedy clears is shown by the pin without one; the buffer closes before it opens again."""
    yield from _twice(("remedies", "tried"), table.tried)
    if NO_RESISTOR not in plan.trials.resistors:
        rule = 'are compared with the pin without a resistor: trials.resistors must hold "none"'
        yield Fault(("remedies",), rule, "")
    if "external pull-down" in table.tried and set(plan.trials.resistors) <= {NO_RESISTOR}:
        rule = "an external pull-down is one of the trial resistors: trials.resistors has none"
        yield Fault(("remedies", "tried"), rule, '"external pull-down"')
    if table.open_time_s >= table.poll_period_s:
        yield Fault(("remedies", "open_time"), f"must be below poll_period of {show(table.poll_period_s, 's')}")


def _pull_down(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    setup = plan.pull_down.setup
    if setup is not None and setup not in plan.trials.pin_setups:
        yield Fault(("pull_down", "setup"), "is not one of trials.pin_setups")


def _latches(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    """A pin latches or not with no resistor on it; what unlatches it is one of the resistors tried."""
    named = (("unlatch", plan.unlatch), ("press_level", plan.press_level))
    for name in [name for name, table in named if table is not None]:
        if NO_RESISTOR not in plan.trials.resistors:
            yield Fault((name,), 'looks at the pin without a resistor: trials.resistors must hold "none"', "")
    if plan.remedies is not None:
        yield from _remedies(plan.remedies, plan)
    if plan.unlatch is not None and set(plan.trials.resistors) <= {NO_RESISTOR}:
        yield Fault(("unlatch",), "needs a resistor to unlatch a pin with: trials.resistors has none", "")


def _neighbours(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    """Neighbours are other pins of the plan, and a pin that is tried with them has one at least."""
    known = {pin.name for pin in plan.pins}
    for index, pin in enumerate(plan.pins):
        yield from _twice(("pins", index, "neighbours"), pin.neighbours)
        for number, name in enumerate(pin.neighbours):
            if name not in known or name == pin.name:
                yield Fault(("pins", index, "neighbours", number), "is not another one of [[pins]]")
    if plan.neighbours is not None:
        yield from _twice(("neighbours", "states"), plan.neighbours.states)
        others = (plan.sweep, plan.unlatch, plan.press_level)
        if any(table is not None for table in others) and "floating" not in plan.neighbours.states:
            rule = 'must hold "floating": sweeps and other steps are made with the neighbours left alone'
            yield Fault(("neighbours", "states"), rule)
        if len(plan.pins) < 2:
            yield Fault(("neighbours",), "the plan has one pin, which has no neighbours", "")


def _board_or_chip(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    """The checklist is about pins of the plan, with resistors that are tried anyway."""
    table = plan.board_or_chip
    if table is None:
        return
    yield from _twice(("board_or_chip", "pins"), table.pins)
    yield from _twice(("board_or_chip", "steps"), table.steps)
    known = {pin.name for pin in plan.pins}
    for index, name in enumerate(table.pins):
        if name not in known:
            yield Fault(("board_or_chip", "pins", index), "is not one of [[pins]]")
    for key, resistor in (("resistor", table.resistor), ("pad_resistor", table.pad_resistor)):
        if resistor not in plan.trials.resistors:
            named = f'"{resistor}"' if key not in raw["board_or_chip"] else None
            yield Fault(("board_or_chip", key), "is not one of trials.resistors", named)
    if table.pad_resistor == NO_RESISTOR:
        yield Fault(("board_or_chip", "pad_resistor"), "must be a resistor: nothing else pulls the pad low")


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


def _dwell(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    """A dwell is about pins, a resistor and setups of the plan, and shows what the ordinary log is too short for."""
    table, rules = plan.dwell, dwell_rules(plan, None)
    if table is None or rules is None:
        return
    yield from _twice(("dwell", "pins"), table.pins)
    yield from _twice(("dwell", "setups"), table.setups)
    known = [pin.name for pin in plan.pins]
    for key, names, those in (("pins", table.pins, known), ("setups", table.setups, plan.trials.pin_setups)):
        where = "pins" if key == "pins" else "trials.pin_setups"
        yield from (Fault(("dwell", key, i), f"is not one of {where}") for i, n in enumerate(names) if n not in those)
    if table.resistor not in plan.trials.resistors:
        named = unless_written(raw, ("dwell", "resistor"), table.resistor)
        yield Fault(("dwell", "resistor"), "is not one of trials.resistors", named)
    if table.log_s < DWELL_LONGER * plan.log.time_s:
        rule = f"must be at least {DWELL_LONGER} times log.time of {show(plan.log.time_s, 's')}"
        yield Fault(("dwell", "log"), rule, unless_written(raw, ("dwell", "log"), show(table.log_s, "s")))
    if table.log_s / table.interval_s < MIN_DWELL_SAMPLES - 1e-6:
        rule = f"must be at least {MIN_DWELL_SAMPLES} intervals of {show(table.interval_s, 's')}"
        yield Fault(("dwell", "log"), rule, unless_written(raw, ("dwell", "log"), show(table.log_s, "s")))
    if rules.samples > MAX_SAMPLES:
        rule = f"makes {rules.samples} samples a dwell, more than {MAX_SAMPLES}"
        named = unless_written(raw, ("dwell", "interval"), show(table.interval_s, "s"))
        yield Fault(("dwell", "interval"), rule, named)


def _pins(plan: PlanTables, raw: dict[str, Any]) -> Iterator[Fault]:
    first: dict[str, int] = {}
    for index, pin in enumerate(plan.pins):
        if pin.node_capacitance_tolerance is not None and pin.node_capacitance_f is None:
            yield Fault(("pins", index, "node_capacitance_tolerance"), "needs node_capacitance beside it")
        if pin.name in first:
            yield Fault(("pins", index, "name"), f"is already the name of pins[{first[pin.name] + 1}]")
        first.setdefault(pin.name, index)


def _twice(where: Location, names: tuple[str, ...]) -> Iterator[Fault]:
    for index, name in enumerate(names):
        if name in names[:index]:
            yield Fault((*where, index), f"already stands in the list as its no. {names.index(name) + 1}")


_RULES: tuple[Rule, ...] = (
    _steps,
    _levels,
    _press,
    _to_ground,
    _log,
    _trials,
    _sweep,
    _latches,
    _dwell,
    _pull_down,
    _neighbours,
    _board_or_chip,
    _pins,
)
