"""What one try of a polled input buffer shows: what the board read, the node between the reads, and the safe gap.

With the buffer off the node falls from the rail to V_IL within τ · ln(V_rail/V_IL), from V = V_rail · exp(−t/τ): the
buffer must not be opened for longer apart than that allows, or it may meet a node that is still high.
"""

from __future__ import annotations

import math

import numpy as np

from results.analysis.findings import TraceFinding
from results.analysis.pin_bench import PinBench
from results.analysis.remedies.probe_reading import node_of
from results.analysis.remedies.remedy_steps import Step, find, is_low, mean_of
from results.analysis.trace.reading import read_trace
from results.analysis.value import Value
from results.quantity import show
from results.record.observation import Observation
from results.record.trace import Trace

END_SHARE = 0.2
"""Of the log, at its end: the node between the reads."""


def polled_step(bench: PinBench, observation: Observation) -> Step | None:
    """The readings of the board over all polls, the fall of the node, and the safe gap from its time constant."""
    log = find(observation, "released")
    polls = [probe for probe in observation.probes if probe.act == "polled" and probe.repeat > 0]
    if log is None or not polls or log.first + log.count > len(observation.trace):
        return None
    part = slice(log.first, log.first + log.count)
    trace = Trace(
        observation.trace.time_s[part] - observation.trace.time_s[log.first], observation.trace.voltage_v[part]
    )
    fall = _fall(bench, observation, trace)
    released = [probe for probe in polls if probe.level_v is None]
    right = sum(probe.reads == ("low" if probe.level_v is None else "high") for probe in polls)
    rest = _highest(
        [mean_of(bench, trace.voltage_v[-max(5, int(END_SHARE * len(trace))) :])]
        + [node_of(observation, probe, bench.record.meter) for probe in released]
    )
    low = is_low(bench, rest)
    gap, is_bound, notes = _safe_gap(bench, observation, fall)
    rules = bench.record.remedies
    not_yet_s, followed_s = _followed(observation)
    # The node takes its time to fall; what is left of the delay the board has not polled.
    period_s = max(0.0, not_yet_s - (fall.release_time_s or 0.0))
    if rules is not None and period_s > rules.poll_period_s:
        notes.append(f"the board did not follow a release within poll_period of {show(rules.poll_period_s, 's')}")
    if right < len(polls):
        notes.append("the board read polls wrong")
    return Step(
        latched=None,
        low=False if right < len(polls) else low,
        rest=rest,
        release_time_s=fall.release_time_s,
        polls=len(polls),
        polls_right=right,
        followed_s=followed_s,
        period_at_least_s=period_s or None,
        safe_gap=gap,
        safe_gap_is_bound=is_bound,
        notes=tuple(notes),
    )


def _fall(bench: PinBench, observation: Observation, trace: Trace) -> TraceFinding:
    record = bench.record
    return read_trace(
        trace,
        rail_v=record.rail_v if observation.rail_v is None else observation.rail_v,
        levels=record.levels,
        meter=record.meter,
        allowed_s=record.rules.allowed_s,
        hold_v=observation.hold_v,
        released_after_s=observation.released_after_s,
    )


def _safe_gap(bench: PinBench, observation: Observation, fall: TraceFinding) -> tuple[Value | None, bool, list[str]]:
    """τ · ln(V_rail/V_IL) with u = ln(…) · u(τ); whether τ is an upper bound; why it is not determined, or is more."""
    if fall.problem or fall.decay is None or fall.decay.time_constant_s is None:
        why = fall.problem or ("no time constant" if fall.decay is None else fall.decay.reason)
        return None, False, [f"the safe gap is not determined: {why}"]
    rail_v, v_il = bench.record.rail_v if observation.rail_v is None else observation.rail_v, bench.record.levels.v_il
    if rail_v <= v_il:
        return None, False, [f"the safe gap is not determined: the rail of {show(rail_v, 'V')} is not above V_IL"]
    factor = math.log(rail_v / v_il)
    gap = Value(fall.decay.time_constant_s * factor, (fall.decay.u_s or 0.0) * factor)
    if fall.decay.one_exponential:
        return gap, fall.decay.is_upper_bound, []
    # A transistor pulls weakest near the rail: there the mean time constant is too short.
    longest_s = max(gap.value, fall.release_time_s or 0.0)
    notes = ["the node does not fall by one exponential: the safe gap is no less than the fall that was seen"]
    return Value(longest_s, gap.u), fall.decay.is_upper_bound, notes


def _followed(observation: Observation) -> tuple[float, float | None]:
    """For how long the board surely did not follow the release (0: followed at once), and within what time it did (s;
    None: it never did). Wires take their time, so that the one counts from the release that had been made to a question
    whose answer does not show it, the other from its command to the first answer that does."""
    released, time_s, not_yet_s = find(observation, "released", 0), observation.trace.time_s, 0.0
    if released is None or max(p.first + p.count for p in observation.probes) > time_s.size:
        return 0.0, None
    commanded_s, made_s = (float(time_s[released.first + index]) for index in (0, 1))
    for probe in observation.probes:
        if probe.act == "polled" and probe.repeat == 0:
            asked_s, answered_s = (float(time_s[probe.first + index]) for index in (0, 1))
            if probe.reads == "low":
                return not_yet_s, answered_s - commanded_s
            not_yet_s = max(0.0, asked_s - made_s)
    return not_yet_s, None


def _highest(volts: list[Value | None]) -> Value | None:
    known = [one for one in volts if one is not None and not np.isnan(one.value)]
    return max(known, key=lambda one: one.value, default=None)
