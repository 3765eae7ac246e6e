"""What one try of a source at 0 V, or of a contact that grounds, shows: the node, currents, and the time it took."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from results.analysis.pin_bench import PinBench
from results.analysis.remedies.probe_reading import gain_limit_v, node_of, source_of
from results.analysis.value import Value
from results.record.observation import Act, Observation, Probe
from results.record.trace import FloatArray

MIDDLE = (0.3, 0.7)
"""Part of the time at ground that tells the level there: the contacts still move at its ends."""

LEAST_SHARE = 0.5
"""Of the time that the contact was told to stay closed: below V_IL for less, the node was not grounded."""

AT_LEVEL = 0.03
"""Of the rail: a sample this near to the first ones is at the level from which the node falls."""


@dataclass(frozen=True)
class Step:
    """One try. `latched`: the pin was latched before it (None: not seen). `low`: the remedy took it below V_IL and kept
    it there (None: V ± U straddles V_IL, or not seen). The rest as in RemedyFinding."""

    latched: bool | None
    low: bool | None
    rest: Value | None = None
    release_time_s: float | None = None
    first: Value | None = None
    settled: Value | None = None
    polls: int = 0
    polls_right: int = 0
    followed_s: float | None = None
    period_at_least_s: float | None = None
    safe_gap: Value | None = None
    safe_gap_is_bound: bool = False
    notes: tuple[str, ...] = ()


def find(observation: Observation, act: Act, repeat: int = 1, *, forced: bool = False) -> Probe | None:
    """The look of this act, or None where there was none. `forced`: while something was forced to a level."""
    for probe in observation.probes:
        if (probe.act, probe.repeat, probe.level_v is not None) == (act, repeat, forced):
            return probe
    return None


def is_low(bench: PinBench, volts: Value | None) -> bool | None:
    """Whether V + w is at or below V_IL, w the guard band of the run as for a verdict, and no less than U; None where V
    ± w straddles it, or nothing was read."""
    if volts is None:
        return None
    rules, v_il = bench.record.rules, bench.record.levels.v_il
    guard_v = max(rules.guard_band(volts.u), rules.coverage * volts.u)
    return True if volts.value + guard_v <= v_il else False if volts.value - guard_v > v_il else None


def driven_low_step(bench: PinBench, observation: Observation) -> Step | None:
    """The latched node, what the source sank at first and at rest, and whether the pin stays low without it."""
    looks = {
        "latched": find(observation, "released"),
        "log": find(observation, "driven low"),
        "first": find(observation, "driven low", forced=True),
        "rest": find(observation, "driven low", 2, forced=True),
        "after": find(observation, "released", 2),
    }
    if looks["latched"] is None or looks["rest"] is None:
        return None
    before, rest, after = (_node(bench, observation, looks[name]) for name in ("latched", "rest", "after"))
    low_before = is_low(bench, before)
    notes = ("the pin goes up again once the source lets go",) if is_low(bench, after) is False else ()
    log = looks["log"]
    return Step(
        latched=None if low_before is None else not low_before,
        low=is_low(bench, rest),
        rest=rest,
        release_time_s=None if log is None or low_before else _log_fall(bench, observation, log),
        first=_sunk(bench, observation, looks["first"]),
        settled=_sunk(bench, observation, looks["rest"]),
        notes=notes,
    )


def changed_over_step(bench: PinBench, observation: Observation) -> Step | None:
    """The node while it is grounded, how long it took from the release on, and whether it stays low once parted."""
    log, grounded, after = (find(observation, *which) for which in (("pressed", 1), ("grounded", 1), ("released", 3)))
    if log is None or grounded is None:
        return None
    whole = observation.trace.voltage_v[log.first : log.first + _logged(observation)]
    start, end = _longest_below(whole, bench.record.levels.v_il)
    if end - start < LEAST_SHARE * grounded.count:
        # When the contact closed the host's clock alone knows: without a low stretch, all after the release counts.
        return Step(latched=None, low=False, rest=mean_of(bench, whole[log.count :]))
    first, last = (start + int(share * (end - start)) for share in MIDDLE)
    rest = mean_of(bench, whole[first:last])
    notes = (
        ("the pin goes up again once the contact opens",)
        if is_low(bench, _node(bench, observation, after)) is False
        else ()
    )
    return Step(
        latched=None,
        low=is_low(bench, rest),
        rest=rest,
        release_time_s=fall_time(
            observation.trace.time_s[log.first : log.first + end],
            whole[:end],
            bench.record.levels.v_il,
            AT_LEVEL * bench.record.rail_v,
        ),
        notes=notes,
    )


def _logged(observation: Observation) -> int:
    """Samples of the log of a changeover: its parts but the look that follows it."""
    return sum(probe.count for probe in observation.probes if (probe.act, probe.repeat) != ("released", 3))


def _longest_below(volts: FloatArray, v_il: float) -> tuple[int, int]:
    """First and end of the longest stretch below V_IL."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], (volts < v_il).astype(int), [0]))))
    if not edges.size:
        return 0, 0
    starts, ends = edges[::2], edges[1::2]
    longest = int(np.argmax(ends - starts))
    return int(starts[longest]), int(ends[longest])


def mean_of(bench: PinBench, volts: FloatArray) -> Value | None:
    """Mean of a stretch of a log in volt, with noise and the meter's accuracy in its u; None where overloaded."""
    if not volts.size or np.isnan(volts).any():
        return None
    mean_v, meter = float(volts.mean()), bench.record.meter
    limit_v = gain_limit_v(mean_v, meter) + meter.accuracy_v
    # Samples of a log are correlated (hum): the spread itself, not that of the mean, is what is left to chance.
    return Value(mean_v, math.hypot(limit_v / math.sqrt(3.0), float(volts.std()) if volts.size > 1 else 0.0))


def fall_time(time_s: FloatArray, volts: FloatArray, v_il: float, near_v: float) -> float | None:
    """From the last sample at the first level to the first one from which on the node is below V_IL, in seconds.

    At most two intervals too long, never too short. None where the node is not below V_IL at the end, or never above.
    """
    if volts.size < 5 or np.isnan(volts[-1]) or volts[-1] >= v_il:
        return None
    level_v = float(np.nanmedian(volts[:5]))
    above = np.flatnonzero(~(volts < v_il))
    held = np.flatnonzero(np.abs(volts - level_v) <= near_v)
    if not above.size or level_v < v_il:
        return None
    return float(time_s[above[-1] + 1] - time_s[held[-1]])


def _node(bench: PinBench, observation: Observation, probe: Probe | None) -> Value | None:
    return None if probe is None else node_of(observation, probe, bench.record.meter)


def _log_fall(bench: PinBench, observation: Observation, log: Probe) -> float | None:
    part = slice(log.first, log.first + log.count)
    trace = observation.trace
    near_v = AT_LEVEL * bench.record.rail_v
    return fall_time(trace.time_s[part], trace.voltage_v[part], bench.record.levels.v_il, near_v)


def _sunk(bench: PinBench, observation: Observation, probe: Probe | None) -> Value | None:
    """What the source sank, in ampere: into it counts positive."""
    source, amperes = bench.record.source, None if probe is None else source_of(observation, probe)
    if source is None or amperes is None:
        return None
    return Value(-amperes, (abs(amperes) * source.accuracy_reading + source.accuracy_a) / math.sqrt(3.0))
