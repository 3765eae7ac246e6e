"""A forced-voltage sweep: the net pin current over voltage, and the largest resistance that is safe on it.

At each step what the source drives into the node goes into the pin, the meter and the fixture (Kirchhoff's current
law): I_net(V) = (V − V_ground) · (G_m + G_fixture) − I_source, out of the pin, with V_ground = 0 V but in a mirror
image (mirror.py). G_req = max I_net/V over V >= V_IL, on each branch,
and R_safe = 1/G_req, inverted last. The errors of the instruments are the same at every step: they are carried
through G_req as a whole, not point by point.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from results.analysis.budgets.error_model import METER_GAIN, SOURCE_GAIN, SOURCE_OFFSET, load_source
from results.analysis.ends import ground_of
from results.analysis.findings import SweepBranch, SweepFinding, SweepPoint, Value
from results.analysis.leakage import bench_load, bench_load_u
from results.analysis.looking_glass import as_seen
from results.analysis.sweep.peak import Peak, Points, cost_of_choice, largest_ratio
from results.analysis.sweep.sweep_curve import hysteresis, last_readings, noise_freedom, noise_of, rests_of, trips
from results.analysis.uncertainty.budget import Contribution, Source, rectangular
from results.analysis.uncertainty.coverage_interval import half_width, standard_uncertainty
from results.quantity import show
from results.record.observation import Branch, Observation
from results.record.run_record import RunRecord, SourceModel, SweepRules
from results.record.trial import Pin, Trial

WIDEST_GAP = 1.6
"""Between two points, in steps of the first pass: more would leave room for a step that is no point of the curve."""


def sweep_finding(record: RunRecord, pin: Pin, trial: Trial, observation: Observation | None) -> SweepFinding:
    """All that a sweep says by itself; what cannot be determined is None, and the note says why. Pure."""
    problem = _problem(record, observation)
    if problem or observation is None or record.source is None or record.sweep is None:
        return SweepFinding(trial, observation, note=problem)
    load_s = bench_load(record.meter, record.fixture)
    if load_s is None:
        return SweepFinding(
            trial, observation, note="sweep: the meter's input resistance is not stated: its load cannot be corrected"
        )
    model = _Model(record, record.source, record.sweep, load_s, pin.series_ohm, observation.rail_v is not None)
    points = _points(model, observation)
    down, down_problem = _branch(model, "down", points, observation)
    up, up_problem = _branch(model, "up", points, observation)
    finding = SweepFinding(trial, observation, points, down, up)
    finding = _with_safe(finding, _worse(down, up))
    difference, at_v, has_memory = hysteresis(points, noise_of(observation), load_s, record.sweep.settled_a)
    trip_down, trip_up = trips(points)
    lost = sum(point.voltage is None for point in points)
    notes = [down_problem, up_problem, *observation.notes]
    notes += [f"sweep: {lost} of {len(points)} steps are no points of the curve"] if lost else []
    return replace(
        finding,
        hysteresis=difference,
        hysteresis_at_v=at_v,
        has_memory=has_memory,
        rests=rests_of(points, record, load_s, pin.series_ohm),
        trip_down=trip_down,
        trip_up=trip_up,
        note="; ".join(dict.fromkeys(note for note in notes if note)),
    )


@dataclass(frozen=True)
class _Model:
    """What turns readings into currents, and the limits of the instruments into errors of G_req."""

    record: RunRecord
    source: SourceModel
    rules: SweepRules
    load_s: float
    series_ohm: float
    rail_is_read: bool

    @property
    def ground(self) -> Value:
        """Where meter, fixture and source end, in volt."""
        return ground_of(self.record.meter)

    def limits(
        self, node_v: float, source_a: float, per_volt: float, per_ampere: float, per_rail: float
    ) -> list[Contribution]:
        """The errors that all points share, with what they do to G_req: gain and offset of meter and source, and the
        bench's load, which takes its share of what the source drives.

        `per_rail` counts in a mirror image only: the rail that it stands at was read by the same meter, whose gain then
        acts on both readings; a rail that nobody measured is uncertain on its own.
        """
        meter, ground_v = self.record.meter, self.ground.value
        load = load_source(Value(self.load_s, bench_load_u(meter, self.record.fixture)))
        by_gain, by_rail = per_volt * (node_v - ground_v), []
        if ground_v and self.rail_is_read:
            by_gain -= per_rail * ground_v
            by_rail = [Contribution(rectangular("meter constant part, rail", meter.accuracy_v, unit="V"), per_rail)]
        elif ground_v:
            limit_v = self.record.rail_tolerance * ground_v
            by_rail = [Contribution(rectangular("rail, not measured", limit_v, unit="V"), per_rail)]
        return [
            Contribution(rectangular(METER_GAIN, meter.accuracy_reading), by_gain),
            Contribution(rectangular("meter constant part, sweep", meter.accuracy_v, unit="V"), per_volt),
            Contribution(rectangular(SOURCE_GAIN, self.source.accuracy_reading), per_ampere * source_a),
            Contribution(rectangular(SOURCE_OFFSET, self.source.accuracy_a, unit="A"), per_ampere),
            Contribution(load, -per_ampere * (node_v - ground_v) * self.load_s),
            *by_rail,
        ]


def _problem(record: RunRecord, observation: Observation | None) -> str:
    """Why a sweep says nothing at all; empty where it does."""
    if observation is None:
        return "sweep: not made"
    if observation.outcome == "no contact":
        return "sweep: contact to the unit was disproven"
    if observation.outcome != "measured" or not observation.steps or observation.trace.current_a is None:
        return f"sweep: failed: {'; '.join(observation.notes) or 'no steps'}"
    if record.sweep is None:
        return "sweep: how it was made is not recorded"
    if record.source is None:
        return "sweep: the accuracy of the source is not stated"
    return ""


def _points(model: _Model, observation: Observation) -> tuple[SweepPoint, ...]:
    """Every step as a point: the mean of the readings that agree, with the accuracy of the instruments in its u."""
    trace, noise = observation.trace, noise_of(observation)
    assert trace.current_a is not None
    meter, source = model.record.meter, model.source
    load_u_s = bench_load_u(meter, model.record.fixture)
    points = []
    for step in observation.steps:
        if step.in_compliance or not step.agreeing:
            why = "the source was at its current limit" if step.in_compliance else "not settled in time"
            points.append(SweepPoint(step, None, None, None, None, why))
            continue
        volts, amperes = last_readings(trace.voltage_v, step), last_readings(trace.current_a, step)
        if volts is None or amperes is None:
            points.append(SweepPoint(step, None, None, None, None, "readings are missing, or were overloads"))
            continue
        node_v, source_a = float(volts.mean()), float(amperes.mean())
        root = math.sqrt(step.agreeing)
        read_v = node_v - model.ground.value
        u_v = standard_uncertainty((read_v * meter.accuracy_reading, meter.accuracy_v), noise[0] / root)
        u_a = standard_uncertainty((source_a * source.accuracy_reading, source.accuracy_a), noise[1] / root)
        net_a = read_v * model.load_s - source_a
        net = Value(net_a, math.hypot(model.load_s * u_v, u_a, read_v * load_u_s))
        at_pin_v = node_v + model.series_ohm * net_a
        points.append(SweepPoint(step, Value(node_v, u_v), Value(source_a, u_a), net, at_pin_v))
    return tuple(points)


def _branch(
    model: _Model, branch: Branch, points: Sequence[SweepPoint], observation: Observation
) -> tuple[SweepBranch | None, str]:
    """G_req of one branch, or why it is not determined."""
    mine = [point for point in points if point.step.branch == branch and point.voltage is not None]
    mine.sort(key=lambda point: point.at_pin_v or 0.0)
    v_il = model.record.levels.v_il
    gap = _gap(mine, model.rules, observation, v_il)
    if gap:
        return None, f"sweep, {branch} branch: not determined: {gap}"
    curve = _curve(model, [point for point in mine if (point.at_pin_v or 0.0) > 0.25 * v_il], observation)
    peak = largest_ratio(curve, v_il, max(step.level_v for step in observation.steps))
    return _with_errors(model, branch, curve, peak, noise_freedom(observation)), ""


def _gap(points: Sequence[SweepPoint], rules: SweepRules, observation: Observation, v_il: float) -> str:
    """Where no point says what the curve does between V_IL and the rail; empty where there is one everywhere."""
    top_v = max(step.level_v for step in observation.steps)
    widest_v = WIDEST_GAP * rules.reach_v(top_v, 2)
    volts = [point.at_pin_v or 0.0 for point in points]
    edges = [max((v for v in volts if v <= v_il), default=0.0), *(v for v in volts if v > v_il), top_v]
    for low_v, high_v in pairwise(edges):
        if high_v - low_v > widest_v:
            between = f"between {show(as_seen(low_v), 'V')} and {show(as_seen(high_v), 'V')}"
            return f"no step settled outside of the current limit {between}, or the node jumped over it"
    return ""


def _curve(model: _Model, points: Sequence[SweepPoint], observation: Observation) -> Points:
    """The branch with what an error of either instrument does to it.

    With V at the node, I = V·G − I_source and the pin at V_p = V + s·I: the ratio is I/V_p.
    """
    node_v = np.array([point.voltage.value for point in points if point.voltage is not None])
    net_a = np.array([point.net_current.value for point in points if point.net_current is not None])
    series_ohm, load_s = model.series_ohm, model.load_s
    pin_v = node_v + series_ohm * net_a
    root = math.sqrt(min((point.step.agreeing for point in points), default=1))
    noise_v, noise_a = noise_of(observation)
    pin_per_volt, pin_per_ampere = 1.0 + series_ohm * load_s, -series_ohm
    return Points(
        volts=pin_v,
        ratio_s=net_a / pin_v,
        per_volt=load_s / pin_v - net_a / pin_v**2 * pin_per_volt,
        per_ampere=-1.0 / pin_v - net_a / pin_v**2 * pin_per_ampere,
        pin_per_volt=pin_per_volt,
        pin_per_ampere=pin_per_ampere,
        noise_v=noise_v / root,
        noise_a=noise_a / root,
        reach_v=model.rules.reach_v(max(step.level_v for step in observation.steps), 3),
    )


def _with_errors(model: _Model, branch: Branch, curve: Points, peak: Peak, dof: float) -> SweepBranch:
    """The peak with the errors that all points share. At V_IL itself the slope counts: where V_IL is, is uncertain."""
    per_volt = float(np.interp(peak.at_v, curve.volts, curve.per_volt)) - peak.slope_s_per_v * curve.pin_per_volt
    per_ampere = float(np.interp(peak.at_v, curve.volts, curve.per_ampere)) - peak.slope_s_per_v * curve.pin_per_ampere
    net_a = peak.ratio_s * peak.at_v
    node_v = peak.at_v - model.series_ohm * net_a
    source_a = (node_v - model.ground.value) * model.load_s - net_a
    # Of a ratio to the voltage below the rail: the points lie where they lie, whatever the rail.
    errors = model.limits(node_v, source_a, per_volt, per_ampere, peak.ratio_s / peak.at_v)
    errors.append(Contribution(rectangular("what lies between the steps", peak.between_s, unit="S"), 1.0))
    limits = [math.sqrt(3.0) * error.amount for error in errors]
    required = Value(peak.ratio_s, standard_uncertainty([*limits, peak.bound_s], peak.noise_u_s))
    errors.append(Contribution(rectangular("bounds of the largest point", peak.bound_s, unit="S"), 1.0))
    errors.append(Contribution(Source("noise of the sweep", "A", "t", peak.noise_u_s, dof, unit="S"), 1.0))
    return SweepBranch(
        branch,
        required,
        half_width(limits, peak.noise_u_s) + peak.bound_s,
        peak.at_v,
        peak.noise_u_s,
        tuple(error for error in errors if error.amount),
    )


def _worse(down: SweepBranch | None, up: SweepBranch | None) -> SweepBranch | None:
    """The branch that asks for more; None unless both are known, because the other one might."""
    if down is None or up is None:
        return None
    first, second = (down, up) if down.required.value >= up.required.value else (up, down)
    chosen_s = cost_of_choice(first.required.value - second.required.value, first.noise_u_s, second.noise_u_s)
    if not chosen_s:
        return first
    choice = Contribution(rectangular("choice of the branch", chosen_s, unit="S"), 1.0)
    return replace(
        first,
        required=Value(first.required.value, math.hypot(first.required.u, choice.amount)),
        half_width_s=first.half_width_s + chosen_s,
        parts=(*first.parts, choice),
    )


def _with_safe(finding: SweepFinding, worse: SweepBranch | None) -> SweepFinding:
    """R_safe and its interval, inverted last (1/x near zero has no usable uncertainty)."""
    if worse is None:
        return finding
    least_s, most_s = worse.required.value - worse.half_width_s, worse.required.value + worse.half_width_s
    if most_s <= 0.0:
        return replace(finding, worse=worse, needed=False)
    if least_s <= 0.0:
        return replace(finding, worse=worse, needed=None, safe_low_ohm=1.0 / most_s)
    safe = Value(1.0 / worse.required.value, worse.required.u / worse.required.value**2)
    return replace(finding, worse=worse, needed=True, safe=safe, safe_low_ohm=1.0 / most_s, safe_high_ohm=1.0 / least_s)
