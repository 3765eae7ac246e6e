"""From the trials and the sweep of a pin to its pull-down four ways."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from results.analysis.findings import PinFinding, TrialFinding
from results.analysis.found.pull_down_ways import PullDownWay, PullDownWays
from results.analysis.leak_line import FIT_REFUSED_BELOW
from results.analysis.looking_glass import as_seen, seen_by
from results.analysis.one_thread import one_thread
from results.analysis.pin_bench import PinBench, ReadTrial
from results.analysis.pull_down.curvature import LowVoltage, PullDownSweep, at_low_voltage, chord_at, pull_down_sweep
from results.analysis.pull_down.free_decay import FreeDecay, free_decay
from results.analysis.pull_down.held_node import held_current
from results.analysis.pull_down.node_capacitance import node_capacitance
from results.analysis.pull_down.pace_line import fit_pace_line
from results.analysis.uncertainty.estimate import Estimate, mean
from results.analysis.uncertainty.normalised_error import NormalisedError, normalised_error, pairwise_errors
from results.analysis.value import Value
from results.record.run_record import RunRecord
from results.record.trial import NO_CAPACITOR, NO_RESISTOR, Pin

_LEAK_STARTS = 0.25
"""Of V_IL: with the input buffer on, a sweep is read as pull-down only so far. A mid-level leak is gone there."""

_LOAD = "bench load"

_AT_ZERO = 1e-3
"""Of the rail: a node that comes to rest further than this (and its U) from 0 V is held by a leak."""


def with_pull_down_ways(record: RunRecord, pins: tuple[PinFinding, ...]) -> tuple[PinFinding, ...]:
    """The pins, those in the setup with the buffer off with their pull-down four ways.

    Where the plan names no such setup every pin has them that has more than its hold level to tell. What was tried with
    an added capacitor counts with the same condition without one.
    """
    home = buffer_off_setup(record)
    found = []
    with one_thread():
        for pin in pins:
            family = [other for other in pins if _without_capacitor(other) == _without_capacitor(pin)]
            if (home is not None and pin.condition.pin_setup != home) or family[0] is not pin:
                found.append(pin)
                continue
            here = record.under(pin.condition)
            with seen_by(here.meter):
                ways = _ways(here, family, alone=home is not None)
            told = [way.name for way in ways.ways if way.conductance is not None]
            worth = home is not None or any(name != "divider with the press resistor" for name in told)
            found.append(replace(pin, pull_down_ways=ways) if worth else pin)
    return tuple(found)


def buffer_off_setup(record: RunRecord) -> str | None:
    """The pin setup in which the pull-down is alone on the node; None where the plan names none."""
    if record.rules.pull_down_setup is not None:
        return record.rules.pull_down_setup
    return None if record.sweep is None or record.sweep.leak_setups is None else record.sweep.leak_setups[1]


def _without_capacitor(pin: PinFinding) -> tuple[str, object]:
    return pin.pin, replace(pin.condition, capacitor=NO_CAPACITOR)


@dataclass(frozen=True)
class _Pace:
    """The end of one decay: 1/τ at small voltage, with the trial it came from."""

    row: TrialFinding
    pace: Estimate


def _ways(record: RunRecord, family: Sequence[PinFinding], *, alone: bool) -> PullDownWays:
    pin = {known.name: known for known in record.pins}.get(family[0].pin, Pin(family[0].pin))
    bench = PinBench(record, pin)
    rows = [row for one in family for row in one.rows if not row.trial.as_found]
    swept, low = _swept(bench, family, alone)
    paces, no_pace = _paces(bench, rows)
    divider = _divider(bench, rows)
    several, capacitance, known = _several(bench, paces, no_pace)
    ways = [_low_way(low, alone), _time_constant(bench, paces, no_pace), several, divider]
    at_rail_v = divider.at_v or family[0].condition.rail_v
    sweep = next((one.sweep for one in family if one.sweep is not None), None)
    at_v_il = at_rail = None
    if isinstance(swept, PullDownSweep) and sweep is not None:
        at_v_il, at_rail = (chord_at(swept, sweep, volts) for volts in (record.levels.v_il, at_rail_v))
        note = "" if at_rail is not None else f"the sweep does not reach {as_seen(at_rail_v):.3g} V"
        ways.append(PullDownWay("sweep at the rail", "rail", at_rail, at_rail_v, note=note))
    bend = low.bend
    return PullDownWays(
        pin_setup=family[0].condition.pin_setup,
        alone=alone,
        ways=tuple(ways),
        comparisons=_comparisons(ways, capacitance, known),
        at_v_il=at_v_il,
        at_rail=at_rail,
        at_rail_v=at_rail_v if at_rail is not None else None,
        bend=bend,
        bend_note="" if bend is not None else low.reason or "no sweep with the buffer off",
        is_resistor=None if bend is None else abs(bend.value) <= record.rules.coverage * bend.u,
        capacitance=capacitance,
        known_capacitance=known,
    )


def _comparisons(
    ways: Sequence[PullDownWay], capacitance: Estimate | None, known: Estimate | None
) -> tuple[NormalisedError, ...]:
    pairs: list[NormalisedError] = []
    for spoken in ("low voltage", "rail"):
        told = [(w.name, w.conductance) for w in ways if w.speaks_of == spoken and w.conductance is not None]
        pairs += pairwise_errors(told)
    if capacitance is not None and known is not None:
        pairs.append(normalised_error("capacitance by several resistors", capacitance, "capacitance as stated", known))
    return tuple(pairs)


def _swept(bench: PinBench, family: Sequence[PinFinding], alone: bool) -> tuple[PullDownSweep | str, LowVoltage]:
    sweep = next((one.sweep for one in family if one.sweep is not None), None)
    if sweep is None:
        return "no sweep", LowVoltage(reason="no sweep was planned in this setup")
    swept = pull_down_sweep(bench, sweep)
    if isinstance(swept, str):
        return swept, LowVoltage(reason=swept)
    up_to_v = bench.record.levels.v_il * (1.0 if alone else _LEAK_STARTS)
    return swept, at_low_voltage(swept, up_to_v, bends=alone)


def _low_way(low: LowVoltage, alone: bool) -> PullDownWay:
    note = low.reason
    if low.at_zero is not None:
        note = f"read up to {as_seen(low.up_to_v):.2g} V"
        note += "" if alone else ", with the buffer on: a leak that is left there makes it look smaller"
        bent = low.p_value is not None and low.p_value < FIT_REFUSED_BELOW
        note += f"; the points bend otherwise (p {low.p_value:.2g})" if bent else ""
    return PullDownWay("low-voltage sweep", "low voltage", low.at_zero, 0.0, low.points, note)


def _paces(bench: PinBench, rows: Sequence[TrialFinding]) -> tuple[list[_Pace], str]:
    """The end of every decay to 0 V, and the first reason where there is none."""
    if bench.pin.series_ohm > 0.0:
        return [], "the board's series resistance makes two nodes of one: its time constant is not the pin's alone"
    found, reasons = [], []
    for row in rows:
        if row.trace is None or row.trace.edge is None or row.observation is None or row.trace.settled is None:
            continue
        rest = row.trace.settled
        at_rest = _at_rest(bench, row)
        if at_rest is None:
            reasons.append(f"the node rests at {as_seen(rest.voltage_v):.3g} V: a leak is left")
            continue
        if row.trace.decay is None or row.trace.decay.is_upper_bound:
            reasons.append("the decay is faster than the bench can tell")
            continue
        decay = free_decay(row.observation.trace, row.trace.edge, bench.record.meter, bench.record.levels.v_il)
        if decay.pace is None:
            reasons.append(decay.reason)
            continue
        found.append(_Pace(row, _at_zero(row.trial.sequence, decay, at_rest)))
    return found, next(iter(reasons), "no trial that was let go and came to rest at 0 V")


def _at_rest(bench: PinBench, row: TrialFinding) -> Value | None:
    """Where the node rests, from where its pull-down ends (V); None where that is more than the load can make it.

    A load that does not end there (a meter to ground, in a mirror image) holds the node away from it.
    """
    assert row.trace is not None
    assert row.trace.settled is not None
    rest, record, ends = row.trace.settled, bench.record, bench.ends_of(row.observation)
    from_end_v, load_s = rest.voltage_v - ends.fitted_v, bench.load_s or 0.0
    fitted_s = bench.resistor(row.trial.resistor).conductance_s
    weakest_s = fitted_s + load_s + 1.0 / record.rules.pull_down_high_ohm
    held_v = (ends.load_v - ends.fitted_v) * load_s / weakest_s
    u_v = math.hypot(rest.u_v, ends.fitted_u_v)
    most_v = _AT_ZERO * record.rail_v + record.rules.coverage * u_v
    return Value(from_end_v, u_v) if -most_v <= from_end_v <= held_v + most_v else None


def _at_zero(sequence: int, decay: FreeDecay, at_rest: Value) -> Estimate:
    """The pace at 0 V, of a node that came to rest beside it: a pull-down that bends pulls less there.

    With dV/dt = −p V (1 − b V) + J the pace at the rest point r is p' = p (1 − 2 b r), and p b the same everywhere, so
    that p = p' (1 + 2 b' r) with the bend b' of the decay to r.
    """
    assert decay.pace is not None
    pace, bend = decay.pace, decay.bend or Value(0.0, 0.0)
    shift = 2.0 * at_rest.value if at_rest.value > 0.0 else 0.0
    factor = 1.0 + shift * bend.value
    parts = {
        f"decay of trial {sequence}": pace.u * factor,
        f"bend of trial {sequence}": pace.value * shift * bend.u,
    }
    return Estimate(pace.value * factor, parts)


def _time_constant(bench: PinBench, paces: Sequence[_Pace], no_pace: str) -> PullDownWay:
    """G_pd = C/τ − G_m − G_t of the trials with the smallest conductance fitted: there the pull-down is most of it."""
    if not paces:
        return PullDownWay("time constant", "low voltage", note=no_pace)
    if bench.load_s is None:
        return PullDownWay("time constant", "low voltage", note="the meter's input resistance is not stated")
    fitted = {pace.row.trial.resistor: bench.resistor(pace.row.trial.resistor) for pace in paces}
    resistor = min(fitted.values(), key=lambda one: one.conductance_s)
    found, reason = [], ""
    for one in paces:
        if one.row.trial.resistor != resistor.name:
            continue
        known = node_capacitance(bench.record, bench.pin, one.row.trial.condition.capacitor)
        if isinstance(known, str):
            reason = known
            continue
        found.append(known.times(one.pace))
    if not found:
        return PullDownWay("time constant", "low voltage", note=reason)
    parts = {f"resistor {resistor.name}": resistor.conductance_u_s, _LOAD: bench.load_u_s}
    outside = Estimate(resistor.conductance_s + bench.load_s, parts)
    note = f"{'no resistor' if resistor.name == NO_RESISTOR else resistor.name} fitted"
    return PullDownWay("time constant", "low voltage", mean(found).plus(outside, -1.0), 0.0, len(found), note)


def _several(
    bench: PinBench, paces: Sequence[_Pace], no_pace: str
) -> tuple[PullDownWay, Estimate | None, Estimate | None]:
    """1/τ over the trial conductance; also the capacitance found, and the one known, of the same node.

    Trials with and without an added capacitor are different nodes: those with the most resistors count.
    """
    if not paces or bench.load_s is None:
        note = "the meter's input resistance is not stated" if paces else no_pace
        return PullDownWay("several resistors", "low voltage", note=note), None, None
    nodes: dict[str, dict[str, list[Estimate]]] = {}
    for one in paces:
        node = nodes.setdefault(one.row.trial.condition.capacitor, {})
        node.setdefault(one.row.trial.resistor, []).append(one.pace)
    capacitor = max(nodes, key=lambda name: len(nodes[name]))
    points = []
    for name, made in nodes[capacitor].items():
        resistor = bench.resistor(name)
        conductance = Estimate(resistor.conductance_s, {f"resistor {name}": resistor.conductance_u_s})
        points.append((name, conductance, mean(made)))
    line = fit_pace_line(points)
    if line.inside is None:
        return PullDownWay("several resistors", "low voltage", based_on=line.points, note=line.reason), None, None
    inside = line.inside.plus(Estimate(bench.load_s, {_LOAD: bench.load_u_s}), -1.0)
    known = node_capacitance(bench.record, bench.pin, capacitor)
    way = PullDownWay("several resistors", "low voltage", inside, 0.0, line.points)
    return way, line.capacitance, None if isinstance(known, str) else known


def _divider(bench: PinBench, rows: Sequence[TrialFinding]) -> PullDownWay:
    """What the pin draws through the press resistor while it is held, by its voltage, with the least else fitted."""
    held = [(bench.resistor(row.trial.resistor).conductance_s, one) for row in rows if (one := _held(bench, row))]
    if not held:
        note = "no hold level with a known press resistor, its open-circuit level and the meter's input resistance"
        return PullDownWay("divider with the press resistor", "rail", note=note)
    least_s = min(fitted_s for fitted_s, _ in held)
    barest = [one for fitted_s, one in held if fitted_s == least_s]
    at_v = sum(volts for volts, _ in barest) / len(barest)
    found = mean(conductance for _, conductance in barest)
    return PullDownWay("divider with the press resistor", "rail", found, at_v, len(barest))


def _held(bench: PinBench, row: TrialFinding) -> tuple[float, Estimate] | None:
    """Voltage at the pin, and the conductance that draws what comes through the press resistor; None where unknown."""
    observation = row.observation
    hold = bench.hold_of(ReadTrial(row.trial, observation, row.trace))
    if hold is None or observation is None or observation.hold_v is None or observation.press_v is None:
        return None
    node = bench.point(Value(0.0, 0.0), row.trial.resistor, observation)
    ends = node.ends
    current = held_current(
        observation.hold_v,
        node.outside,
        press_v=observation.press_v,
        press_ohm=observation.press_ohm,
        press_u_ohm=observation.press_u_ohm,
        accuracy_reading=bench.record.meter.accuracy_reading,
        accuracy_v=bench.record.meter.accuracy_v,
        injected=Value(node.injected_a, node.fitted.value * ends.own_u_v),
        press_is_read=ends.load_v == 0.0,
    )
    if current is None:
        return None
    taker = _LOAD if row.trial.resistor == NO_RESISTOR else f"resistor {row.trial.resistor}"
    parts = {taker if name == "outside" else name: part for name, part in current.parts.items()}
    # The same readings divide: of the meter's gain nothing is left in the ratio, where all of them are the meter's.
    read_v = observation.hold_v - ends.load_v - ends.read_v
    hold_u = bench.record.meter.accuracy_v / math.sqrt(3.0)
    volts = {"meter gain": read_v * bench.gain_u, "hold reading": hold_u, "rail reading": -ends.own_u_v}
    drawn = Estimate(current.value, parts)
    return hold.pin_v, drawn.times(Estimate(hold.pin_v, volts).inverted()).scaled(-1.0)
