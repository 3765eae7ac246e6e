"""What a plan demands and a bench must have: wires, instruments, limits."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain
from typing import TYPE_CHECKING

from drivers.capacitors import EMPTY_AFTER
from harness.errors import Problem, UserFileError, shown
from harness.log_rules import dwell_mains_faults, mains_faults
from harness.plan_meaning import dwell_rules, highest_rail_v, neighbours_of, samples
from harness.table_faults import unless_written
from harness.user_file import Fault, Location, at, problem
from procedures.bus_check import RAIL_AGE_S
from results.quantity import parse, show
from results.record.trial import NO_CAPACITOR, NO_RESISTOR

if TYPE_CHECKING:
    from harness.bench_file import BenchFile
    from harness.plan import Plan
    from harness.plan_tables import RemediesTable


MOST_SERIES_OHM = 1e3
"""A leak's current rises by no more than about 0.5 mS with the voltage; a source behind 1 kΩ still holds such a
node."""


def check_together(plan: Plan, bench: BenchFile) -> None:
    """Refuse a plan that this bench cannot carry out. Raises UserFileError, one line a problem, the plan's first."""
    problems = together_problems(plan, bench)
    if problems:
        raise UserFileError.of(problems)


def together_problems(plan: Plan, bench: BenchFile) -> list[Problem]:
    """Every rule between the two files that is broken: the plan's keys in the order of the rules, then the bench's."""
    of_plan = chain.from_iterable(
        rule(plan, bench)
        for rule in (
            _rail,
            _temperature,
            _path,
            _ends,
            _pins,
            _resistors,
            _capacitors,
            _setups,
            _limits,
            _log,
            _sweep,
            _latches,
            _dwell,
            _neighbours,
            _board_or_chip,
            _remedies,
        )
    )
    return [
        *(problem(plan.path, plan.raw, fault) for fault in of_plan),
        *(problem(bench.path, bench.raw, fault) for fault in _meter(plan, bench)),
    ]


def _rail(plan: Plan, bench: BenchFile) -> Iterator[Fault]:
    """A supply must be able to reach every rail; without one a person sets the steps, and nothing is left on."""
    if bench.supply is None:
        if plan.rail.at_end == "on":
            yield Fault(("rail", "at_end"), f"{bench.path} has no [supply] that could stay on")
        return
    most_v = bench.supply.voltage_max_v
    where: list[tuple[Location, float]] = [(("rail", "voltage"), plan.rail.voltage_v)]
    where += [(("rail", "steps", index), rail_v) for index, rail_v in enumerate(plan.rail.steps_v)]
    for key, rail_v in where:
        if most_v is not None and rail_v > most_v:
            yield Fault(key, f"must not be above supply.voltage_max of {bench.path}, {show(most_v, 'V')}")


def _temperature(plan: Plan, bench: BenchFile) -> Iterator[Fault]:
    """A chamber must be able to reach every step; without one a person does."""
    if bench.chamber is None:
        return
    low_c, high_c = bench.chamber.lowest_c, bench.chamber.highest_c
    for index, step_c in enumerate(plan.temperature.steps_c):
        if not low_c <= step_c <= high_c:
            rule = f"must be within chamber.lowest and chamber.highest of {bench.path}"
            yield Fault(("temperature", "steps", index), f"{rule}, {show(low_c, '°C')} to {show(high_c, '°C')}")


def _path(plan: Plan, bench: BenchFile) -> Iterator[Fault]:
    """A release is always a relay opening in series, so that each path needs its relay."""
    where, path, wiring = ("press", "path"), plan.press.path, bench.wiring
    as_written = shown(path)
    if path == "relay" and wiring.press is None:
        yield Fault(where, f"{bench.path} has no wiring.press to press through", as_written)
    if path == "source" and bench.source is None:
        yield Fault(where, f"{bench.path} has no [source] to press with", as_written)
    if path == "source" and wiring.source is None:
        rule = f"{bench.path} has no wiring.source, the series relay by which a source lets go"
        yield Fault(where, rule, as_written)


def _ends(plan: Plan, bench: BenchFile) -> Iterator[Fault]:
    """A press and what it is released by must lead where the plan says; a person is told the same."""
    named = None if at(plan.raw, ("press", "to")) is not None else f'"{plan.press.to}"'
    if bench.wiring.press_to != plan.press.to:
        yield Fault(("press", "to"), f"{bench.path} presses to the other end (wiring.press_to)", named)


def _pins(plan: Plan, bench: BenchFile) -> Iterator[Fault]:
    """Who presses by hand may connect the pins too; a bench that selects any pin by relay must select them all."""
    select = bench.wiring.select
    if not select and plan.press.path == "hand":
        return
    for index, pin in enumerate(plan.pins):
        if pin.name not in select:
            yield Fault(("pins", index, "name"), f"{bench.path} has no wire for this pin in wiring.select")


def _resistors(plan: Plan, bench: BenchFile) -> Iterator[Fault]:
    if plan.trials.fitted == "hand":
        return
    for index, name in enumerate(plan.trials.resistors):
        fit = bench.wiring.fit.get(name)
        if name != NO_RESISTOR and (fit is None or fit.channel is None):
            yield Fault(("trials", "resistors", index), f"{bench.path} has no relay for this resistor in wiring.fit")


def _capacitors(plan: Plan, bench: BenchFile) -> Iterator[Fault]:
    """Each has its relay, and is charged while the pin is held, and discharged, to within e⁻¹⁰."""
    press = bench.wiring.press
    for index, name in enumerate(plan.trials.capacitors):
        if name == NO_CAPACITOR:
            continue
        where: Location = ("trials", "capacitors", index)
        if name not in bench.wiring.add and plan.trials.fitted != "hand":
            yield Fault(where, f"{bench.path} has no relay for this capacitor in wiring.add")
            continue
        farad = parse(name, "F") * (1.0 + plan.trials.capacitor_tolerance)
        if plan.press.path == "relay" and press is not None:
            needed_s = EMPTY_AFTER * (press.measured_ohm or press.resistor_ohm) * farad
            if needed_s > plan.press.hold_s:
                rule = f"takes {show(needed_s, 's', 2)} through wiring.press of {bench.path}, longer than press.hold"
                yield Fault(where, f"{rule} of {show(plan.press.hold_s, 's')}")
        if bench.wiring.discharge is not None:
            needed_s = EMPTY_AFTER * bench.wiring.discharge.resistor_ohm * farad
            if needed_s > bench.wiring.discharge_time_s:
                rule = f"takes {show(needed_s, 's', 2)} through wiring.discharge, longer than wiring.discharge_time"
                yield Fault(where, f"{rule} of {bench.path}, {show(bench.wiring.discharge_time_s, 's')}")


def _setups(plan: Plan, bench: BenchFile) -> Iterator[Fault]:
    if bench.board is not None:
        return
    if len(plan.trials.pin_setups) > 1:
        rule = f"{bench.path} has no [board] console that could change from one setup to another"
        yield Fault(("trials", "pin_setups"), rule)
    if plan.trials.as_found:
        yield Fault(("trials", "as_found"), f"{bench.path} has no [board] console, so no reset ends the state found")


def _limits(plan: Plan, bench: BenchFile) -> Iterator[Fault]:
    limits = bench.limits
    if plan.rail.above_rail_max_v > limits.above_rail_v:
        rule = f"must not be above limits.above_rail of {bench.path}, {show(limits.above_rail_v, 'V')}"
        named = unless_written(plan.raw, ("rail", "above_rail_max"), show(plan.rail.above_rail_max_v, "V"))
        yield Fault(("rail", "above_rail_max"), rule, named)
    if plan.rail.tolerance > 1.0 - limits.powered_share + 1e-12:
        most = f"limits.powered_share of {bench.path} counts a rail below {show(limits.powered_share, '%')} as off"
        named = unless_written(plan.raw, ("rail", "tolerance"), show(plan.rail.tolerance, "%"))
        yield Fault(("rail", "tolerance"), f"must not be above {show(1.0 - limits.powered_share, '%')}: {most}", named)
    yield from _rail_age(plan, bench)
    if highest_rail_v(plan) > limits.voltage_v:
        with_tolerance = f"with its tolerance up to {show(highest_rail_v(plan), 'V')}"
        rule = f"{with_tolerance}, above limits.voltage of {bench.path}, {show(limits.voltage_v, 'V')}"
        yield Fault(("rail", "voltage"), rule)
    if plan.press.voltage_v is not None and plan.press.voltage_v > limits.voltage_v:
        rule = f"must not be above limits.voltage of {bench.path}, {show(limits.voltage_v, 'V')}"
        yield Fault(("press", "voltage"), rule)
    pressed_s = plan.press.hold_s + plan.log.before_s
    # A person at the button is not timed: drivers cannot make a hand let go.
    if pressed_s > limits.press_time_s and plan.press.path != "hand":
        most = f"limits.press_time of {bench.path}, {show(limits.press_time_s, 's')}"
        named = show(plan.press.hold_s, "s") if at(plan.raw, ("press", "hold")) is None else None
        yield Fault(("press", "hold"), f"keeps a pin pressed for {show(pressed_s, 's')}, longer than {most}", named)
    if plan.press.path == "relay" and bench.wiring.press is not None:
        ohm = bench.wiring.press.measured_ohm or bench.wiring.press.resistor_ohm
        current_a = highest_rail_v(plan) / ohm
        if current_a > limits.press_current_a:
            rule = f"drives {show(current_a, 'A')} through wiring.press into a pin at 0 V, above limits.press_current"
            yield Fault(("rail", "voltage"), f"{rule} of {bench.path}, {show(limits.press_current_a, 'A')}")


def _rail_age(plan: Plan, bench: BenchFile) -> Iterator[Fault]:
    """The rail is measured before a pin is made ready, and must still count as just measured when it is pressed."""
    if plan.press.path == "hand":
        return
    ready_s = RAIL_AGE_S + bench.wiring.discharge_time_s + 2.0 * bench.wiring.settle_s
    what = "the rail, measured up to"
    if plan.remedies is not None and "driven low" in plan.remedies.tried:
        # The source joins the latched pin after the press itself: nothing can be taken off the bus in between.
        ready_s += plan.press.hold_s + plan.log.time_s + 2.0 * plan.log.before_s + plan.log.slack_s
    if ready_s > bench.limits.rail_age_s:
        where: Location = ("log", "time")
        named = unless_written(plan.raw, where, show(plan.log.time_s, "s"))
        most = f"limits.rail_age of {bench.path}, {show(bench.limits.rail_age_s, 's')}"
        yield Fault(
            where, f"{what} {show(ready_s, 's', 3)} before a pin is pressed, is older by then than {most}", named
        )


def _log(plan: Plan, bench: BenchFile) -> Iterator[Fault]:
    if bench.bench.line_frequency_hz is not None:
        yield from mains_faults(plan, bench.bench.line_frequency_hz)
    memory = bench.meter.memory
    if memory is not None and samples(plan) > memory:
        rule = f"makes {samples(plan)} samples a trial, more than meter.memory of {bench.path}, {memory}"
        named = show(plan.log.interval_s, "s") if at(plan.raw, ("log", "interval")) is None else None
        yield Fault(("log", "interval"), rule, named)


def _sweep(plan: Plan, bench: BenchFile) -> Iterator[Fault]:
    """A sweep forces each pin through the source and its series relay, whatever the trials press with."""
    if plan.sweep is None:
        return
    where: Location = ("sweep",)
    yield from _forced(where, "a source that sweeps", bench)
    if plan.press.path == "hand" and not bench.wiring.select:
        yield Fault(where, f"{bench.path} has no wiring.select: a sweep is made without a hand at the pin", "")
    if plan.sweep.longest_s > bench.limits.press_time_s:
        most = f"limits.press_time of {bench.path}, {show(bench.limits.press_time_s, 's')}"
        named = show(plan.sweep.longest_s, "s") if at(plan.raw, ("sweep", "longest")) is None else None
        yield Fault(("sweep", "longest"), f"must not be longer than {most}", named)


def _forced(where: Location, who: str, bench: BenchFile) -> Iterator[Fault]:
    """What forces a pin to a voltage of its own needs the source, its series relay, and little in series."""
    if bench.source is None:
        yield Fault(where, f"{bench.path} has no [source] to force a voltage with", "")
    wire = bench.wiring.source
    if wire is None:
        yield Fault(where, f"{bench.path} has no wiring.source, the series relay by which a source lets go", "")
    elif (wire.measured_ohm or wire.resistor_ohm) > MOST_SERIES_OHM:
        # Where the net pin current rises with the voltage, a node behind a large resistance is not held but jumps.
        most = f"{who} may have {show(MOST_SERIES_OHM, 'Ω')} in series at most"
        ohm = show(wire.measured_ohm or wire.resistor_ohm, "Ω")
        yield Fault(where, f"{most}, wiring.source of {bench.path} has {ohm}", "")


def _latches(plan: Plan, bench: BenchFile) -> Iterator[Fault]:
    """Pins are unlatched by resistors that relays fit, and pressed to a level by the source."""
    if plan.unlatch is not None:
        if plan.trials.fitted == "hand":
            yield Fault(("unlatch",), "fits one resistor after the other by relay, trials.fitted is hand", "")
        yield from _by_relays(("unlatch",), plan)
    if plan.press_level is not None:
        yield from _forced(("press_level",), "a source that presses to a level", bench)
        yield from _by_relays(("press_level",), plan)


def _dwell(plan: Plan, bench: BenchFile) -> Iterator[Fault]:
    """A pin held for minutes, and a log of minutes, must be allowed and find room."""
    line_hz, memory = bench.bench.line_frequency_hz, bench.meter.memory
    rules = dwell_rules(plan, line_hz)
    if rules is None:
        return
    pressed_s = rules.hold_s + rules.before_s
    if pressed_s > bench.limits.press_time_s and plan.press.path != "hand":
        most = f"limits.press_time of {bench.path}, {show(bench.limits.press_time_s, 's')}"
        named = unless_written(plan.raw, ("dwell", "hold"), show(rules.hold_s, "s"))
        yield Fault(("dwell", "hold"), f"keeps a pin pressed for {show(pressed_s, 's')}, longer than {most}", named)
    if memory is not None and rules.samples > memory:
        rule = f"makes {rules.samples} samples a dwell, more than meter.memory of {bench.path}, {memory}"
        named = unless_written(plan.raw, ("dwell", "interval"), show(rules.interval_s, "s"))
        yield Fault(("dwell", "interval"), rule, named)
    yield from dwell_mains_faults(plan, line_hz)


def _neighbours(plan: Plan, bench: BenchFile) -> Iterator[Fault]:
    """A neighbour is held by a relay of its own, never by a person, and no longer than any press."""
    if plan.neighbours is None or set(plan.neighbours.states) == {"floating"}:
        return
    asked = {name for of_pin in neighbours_of(plan).values() for name in of_pin}
    for name in sorted(asked - bench.wiring.hold.keys()):
        yield Fault(("neighbours", "states"), f"{bench.path} has no wiring.hold.{name} to press that pin through", "")
    for name in sorted(asked & bench.wiring.hold.keys()):
        wire = bench.wiring.hold[name]
        current_a = highest_rail_v(plan) / (wire.measured_ohm or wire.resistor_ohm)
        if current_a > bench.limits.press_current_a:
            rule = f"drives {show(current_a, 'A')} through wiring.hold.{name} into a pin at 0 V, above"
            most = f"limits.press_current of {bench.path}, {show(bench.limits.press_current_a, 'A')}"
            yield Fault(("neighbours", "states"), f"{rule} {most}", "")
    trial_s = plan.press.hold_s + plan.log.before_s + plan.log.time_s + plan.log.slack_s
    if trial_s > bench.limits.press_time_s:
        most = f"limits.press_time of {bench.path}, {show(bench.limits.press_time_s, 's')}"
        yield Fault(("neighbours",), f"would be held for a whole trial of {show(trial_s, 's')}, longer than {most}", "")


def _board_or_chip(plan: Plan, bench: BenchFile) -> Iterator[Fault]:
    """The console makes the setup with the buffer off; the rest a person does."""
    table = plan.board_or_chip
    if table is not None and "buffer off" in table.steps and bench.board is None:
        where: Location = ("board_or_chip", "steps")
        named = shown(list(table.steps)) if at(plan.raw, where) is None else None
        yield Fault(where, f"{bench.path} has no [board] console that could switch the input buffer off", named)


def _remedies(plan: Plan, bench: BenchFile) -> Iterator[Fault]:
    """A contact that grounds, a source that drives low, and firmware that can be told to poll."""
    if plan.remedies is None:
        return
    tried, where = plan.remedies.tried, ("remedies", "tried")
    if any(remedy != "external pull-down" for remedy in tried):
        yield from _by_relays(("remedies",), plan)
    if "changeover contact" in tried and bench.wiring.discharge is None:
        rule = f"{bench.path} has no wiring.discharge, the relay that stands for its contact to ground"
        yield Fault(where, rule, '"changeover contact"')
    if "driven low" in tried:
        yield from _forced(("remedies",), "a source that drives a pin low", bench)
        joined_s = plan.release.allowed_s + plan.log.slack_s
        if joined_s > bench.limits.press_time_s:
            rule = f"joins the source for {show(joined_s, 's')} (release.allowed and log.slack)"
            most = f"limits.press_time of {bench.path}, {show(bench.limits.press_time_s, 's')}"
            yield Fault(where, f"{rule}, longer than {most}", '"driven low"')
    if "polled buffer" in tried:
        yield from _polled(plan, plan.remedies, bench)


def _polled(plan: Plan, table: RemediesTable, bench: BenchFile) -> Iterator[Fault]:
    if bench.board is None:
        rule = f"{bench.path} has no [board] console that could set {table.polled_setup!r} and read the pin"
        yield Fault(("remedies", "tried"), rule, '"polled buffer"')
    # The console takes time of its own at each poll: twice the period is what a slow one may need.
    pressed_s = plan.press.hold_s + plan.log.before_s + 2.0 * table.polls * table.poll_period_s
    if pressed_s > bench.limits.press_time_s:
        most = f"limits.press_time of {bench.path}, {show(bench.limits.press_time_s, 's')}"
        named = str(table.polls) if at(plan.raw, ("remedies", "polls")) is None else None
        rule = f"may keep a pin pressed for {show(pressed_s, 's')} (two periods a poll), longer than {most}"
        yield Fault(("remedies", "polls"), rule, named)


def _by_relays(where: Location, plan: Plan) -> Iterator[Fault]:
    """A release that comes when a person lets go cannot be followed by steps in time."""
    if plan.press.path == "hand":
        yield Fault(where, "is made without a hand at the pin, press.path is hand", "")


def _meter(plan: Plan, bench: BenchFile) -> Iterator[Fault]:
    highest_v = max(highest_rail_v(plan), plan.press.voltage_v or 0.0)
    if bench.meter.range_v < highest_v:
        rule = f"must not be below the highest level of {plan.path}, {show(highest_v, 'V')}"
        named = show(bench.meter.range_v, "V") if at(bench.raw, ("meter", "range")) is None else None
        yield Fault(("meter", "range"), rule, named)
