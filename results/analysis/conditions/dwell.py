"""A long dwell: what the ordinary log would have seen, against what the node came to after minutes.

Both levels are means of the same trace by the same meter, so that its offset drops out of their difference and its gain
counts only in proportion to it. A drift of the meter itself within the log is not told apart from one of the pin.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from results.analysis.conditions.dwell_advice import after_dwell
from results.analysis.ends import ground_of
from results.analysis.findings import PinFinding, TraceFinding, Value
from results.analysis.found.dwell_finding import DwellFinding, LevelWord
from results.analysis.leakage import RestPoint, without_load
from results.analysis.looking_glass import seen_by
from results.analysis.pin_bench import PinBench
from results.analysis.trace.noise import correlation_factor, quantisation_u, quantum
from results.analysis.trace.reading import read_trace
from results.analysis.verdict import NO_EVIDENCE, worst
from results.record.observation import Observation
from results.record.run_record import DwellRules, RunRecord
from results.record.trace import FloatArray
from results.record.trial import Pin, Trial

FEWEST = 10
"""Samples of which a level is the mean."""

LATE_SHARE = 0.1
"""Of the log: its last tenth is where the node came to."""

SURE = 3.0
"""Standard uncertainties beyond which a slope at the end goes on: of many pins hardly one is called so by chance."""

BLOCKS = 20
"""Means of the last third, whose scatter tells how certain its slope is, whatever the noise within them."""


def with_dwells(
    record: RunRecord, pins: Sequence[PinFinding], made: Sequence[tuple[Trial, Observation | None]]
) -> tuple[PinFinding, ...]:
    """The pins, each that was held long with what that shows, and with what follows for its note and advice."""
    dwells = {(trial.pin, trial.condition): (trial, seen) for trial, seen in made if trial.kind == "dwell"}
    return tuple(
        pin if (pin.pin, pin.condition) not in dwells else _with_dwell(record, pin, *dwells[pin.pin, pin.condition])
        for pin in pins
    )


def dwell_finding(record: RunRecord, pin: PinFinding, trial: Trial, observation: Observation | None) -> DwellFinding:
    """All that a long dwell says; what cannot be determined is None, and the note says why. Pure."""
    record = record.under(trial.condition)
    finding = DwellFinding(trial, observation, ordinary_word=_ordinary(pin, trial), coverage=record.rules.coverage)
    rules = record.dwell
    if observation is None or rules is None:
        return replace(finding, note="long dwell: not made")
    if observation.outcome != "measured" or observation.contact == "disproven":
        return replace(finding, note=f"long dwell: {'; '.join(observation.notes) or observation.outcome}")
    read = read_trace(
        observation.trace,
        rail_v=trial.condition.rail_v if observation.rail_v is None else observation.rail_v,
        levels=record.levels,
        meter=replace(record.meter, aperture_s=rules.aperture_s),
        allowed_s=record.rules.allowed_s,
        hold_v=observation.hold_v,
        released_after_s=observation.released_after_s,
    )
    span = _span(read, observation, rules, record.rules.log_s)
    if isinstance(span, str):
        return replace(finding, note=f"long dwell: {span}")
    known = {one.name: one for one in record.pins}.get(trial.pin, Pin(trial.pin))
    return _measured(finding, PinBench(record, known), pin, observation, span, rules)


@dataclass(frozen=True)
class _Span:
    """The free node: seconds after the release and volts, each of shape (n,), and where the early level ends."""

    time_s: FloatArray
    volts: FloatArray
    early_s: float
    released_s: float


def _span(read: TraceFinding, observation: Observation, rules: DwellRules, ordinary_s: float) -> _Span | str:
    """What follows the release; or why there is nothing to tell levels from."""
    if read.problem:
        return read.problem
    released_s = observation.released_after_s if read.edge is None else read.edge.time_s
    if released_s is None:
        return "when the pin was let go is not known"
    trace = observation.trace
    free = (trace.time_s > released_s + rules.interval_s) & ~np.isnan(trace.voltage_v)
    # Half of the early span is left to the fall itself; the other half must hold enough samples for a level.
    early_s = max(ordinary_s, 2.0 * (FEWEST + 1) * rules.interval_s)
    span = _Span(trace.time_s[free] - released_s, trace.voltage_v[free], early_s, released_s)
    if not span.time_s.size or span.time_s[-1] < 0.5 * rules.log_s or span.time_s[-1] < 2.0 * early_s:
        return "too little of the log is left after the release"
    return span


def _measured(
    finding: DwellFinding, bench: PinBench, pin: PinFinding, observation: Observation, span: _Span, rules: DwellRules
) -> DwellFinding:
    record = bench.record
    logged_s = float(span.time_s[-1])
    early = _level((span.time_s > 0.5 * span.early_s) & (span.time_s <= span.early_s), span)
    late = _level(span.time_s > (1.0 - LATE_SHARE) * logged_s, span)
    noise_u = math.hypot(early.u, late.u)
    difference_v = late.value - early.value
    drift = Value(difference_v, math.hypot(noise_u, bench.gain_u * difference_v))
    rate, goes_on = _slope(span)
    points = [bench.point(_with_accuracy(level, bench), finding.trial.resistor) for level in (early, late)]
    words = [_word(bench, point, observation.rail_v or finding.trial.condition.rail_v) for point in points]
    if observation.reads_settled == "high":
        words[1] = "stuck high"
    crosses = (early.value - record.levels.v_il) * (late.value - record.levels.v_il) < 0.0
    return replace(
        finding,
        released_s=span.released_s,
        held_s=rules.hold_s,
        logged_s=logged_s,
        early=_with_accuracy(early, bench),
        late=_with_accuracy(late, bench),
        drift=drift,
        moved=abs(drift.value) > record.rules.coverage * drift.u,
        rate_v_per_min=rate,
        goes_on=goes_on,
        net_drift=_net_drift(bench, points[0], drift),
        leak_drift=_leak_drift(bench, points[0], drift, pin.pull_down),
        early_word=words[0],
        late_word=words[1],
        turned_after_s=_crossing(span, record.levels.v_il) if crosses else None,
        contact_proven=observation.contact != "not proven",
        note="; ".join(observation.notes),
    )


def _level(chosen: np.ndarray[tuple[int], np.dtype[np.bool_]], span: _Span) -> Value:
    """Mean of these samples; its u holds noise, its correlation and the converter's step, a slope taken out first."""
    time_s, volts = span.time_s[chosen], span.volts[chosen]
    line = np.polynomial.Polynomial.fit(time_s, volts, 1)
    rest = volts - line(time_s)
    variance = float(rest @ rest) / (volts.size - 2) * correlation_factor(rest, 2) / volts.size
    return Value(float(volts.mean()), math.hypot(math.sqrt(variance), quantisation_u(volts, quantum(volts))))


def _with_accuracy(level: Value, bench: PinBench) -> Value:
    """The same with the accuracy of the meter (rectangular limits)."""
    meter = bench.record.meter
    limit_v = meter.accuracy_reading * abs(level.value - ground_of(meter).value) + meter.accuracy_v
    return Value(level.value, math.hypot(level.u, limit_v / math.sqrt(3.0)))


def _slope(span: _Span) -> tuple[Value, bool]:
    """Volts a minute over the last third of the log, from the means of equal blocks, and whether it is any at all."""
    third = span.time_s > span.time_s[-1] * 2.0 / 3.0
    blocks = np.array_split(np.arange(int(third.sum())), BLOCKS)
    time_s, volts = span.time_s[third], span.volts[third]
    x = np.array([float(time_s[block].mean()) for block in blocks])
    y = np.array([float(volts[block].mean()) for block in blocks])
    slope, level = np.polyfit(x - x.mean(), y, 1)
    rest = y - level - slope * (x - x.mean())
    u = math.sqrt(float(rest @ rest) / (BLOCKS - 2) / float(np.sum((x - x.mean()) ** 2)))
    rate = Value(60.0 * float(slope), 60.0 * u)
    return rate, abs(rate.value) > SURE * rate.u


def _word(bench: PinBench, point: RestPoint, rail_v: float) -> LevelWord:
    """What the level at the pin without the bench comes to, by the guard band of the run."""
    record = bench.record
    at_pin = without_load(point, bench.load_s, None, record.rules.pull_down_high_ohm, rail_v)
    guard_v = record.rules.guard_band(at_pin.u)
    if at_pin.value - guard_v >= record.levels.v_ih:
        return "stuck high"
    if at_pin.value - guard_v > record.levels.v_il:
        return "stuck between"
    return "undecided" if at_pin.value + guard_v > record.levels.v_il else "released"


def _net_drift(bench: PinBench, point: RestPoint, drift: Value) -> Value | None:
    """Of the net pin current at rest: drift of V times the conductance outside (Kirchhoff's current law)."""
    if bench.load_s is None:
        return None
    outside = point.outside
    return Value(drift.value * outside.value, math.hypot(drift.u * outside.value, drift.value * outside.u))


def _leak_drift(bench: PinBench, point: RestPoint, drift: Value, pull_down: Value | None) -> Value | None:
    """Of the leakage: what the pull-down takes more, too, which is taken as linear."""
    if bench.load_s is None or pull_down is None:
        return None
    inside = Value(1.0 / pull_down.value, pull_down.u / pull_down.value**2)
    factor = 1.0 + bench.pin.series_ohm * point.outside.value
    total_s = point.outside.value + inside.value * factor
    parts = (drift.u * total_s, drift.value * point.outside.u, drift.value * factor * inside.u)
    return Value(drift.value * total_s, math.hypot(*parts))


def _crossing(span: _Span, level_v: float) -> float | None:
    """Seconds after the release until the node, averaged over a level's samples, is beyond the level for good."""
    smooth = np.convolve(span.volts, np.ones(FEWEST) / FEWEST, mode="valid")
    time_s = np.convolve(span.time_s, np.ones(FEWEST) / FEWEST, mode="valid")
    other_side = np.flatnonzero((smooth > level_v) != (smooth[-1] > level_v))
    return float(time_s[other_side[-1]]) if other_side.size else None


def _ordinary(pin: PinFinding, trial: Trial) -> str:
    same = [row.verdict for row in pin.rows if row.trial.resistor == trial.resistor and row.verdict not in NO_EVIDENCE]
    return worst(same) if same else ""


def _with_dwell(record: RunRecord, pin: PinFinding, trial: Trial, observation: Observation | None) -> PinFinding:
    with seen_by(record.under(trial.condition).meter):
        return after_dwell(record, pin, dwell_finding(record, pin, trial, observation))
