"""Every verdict of one trial, and the worst of several.

A verdict compares V ± w at the pin with the logic levels; w is the guard band of the run record's decision rule, by
default the expanded uncertainty U = k · u (ILAC-G8:09/2019; JCGM 100:2008, 6.2.1). A level is only undershot or reached
where the whole of V ± w lies there.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from typing import get_args

import numpy as np

from results.analysis.findings import TraceFinding, Value, Verdict
from results.analysis.looking_glass import as_seen
from results.quantity import show
from results.record.observation import Observation
from results.record.run_record import Levels, Rules
from results.record.trace import Trace

ORDER: tuple[Verdict, ...] = get_args(Verdict)
"""Worst first."""

STUCK: frozenset[Verdict] = frozenset({"stuck high", "stuck low", "stuck between"})
NO_EVIDENCE: frozenset[Verdict] = frozenset({"no contact", "failed", "not tested"})

_NOTHING_WRONG = re.compile(r"\b(hum|alias\w*)\b", re.IGNORECASE)
"""A trace refused for mains hum that hides in the sample rate: the press was fine, only its level cannot be told."""


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """The worst verdict; `not tested` for none at all.

    Those without evidence stand last in the order, so that they count only where there is no other.
    """
    return min(verdicts, key=ORDER.index, default="not tested")


def judge(
    observation: Observation, trace: TraceFinding | None, at_pin: Value | None, levels: Levels, rules: Rules
) -> tuple[Verdict, str]:
    """The verdict of one trial and, where it needs one, its reason in one line.

    `at_pin` is the voltage at the pin without the meter, with its standard uncertainty: of the settled node, or of the
    end of the log where the node still moves.
    """
    if observation.outcome != "measured":
        return observation.outcome, ""
    if observation.contact == "disproven":
        return "no contact", "contact disproven"
    if trace is None:
        return "failed", "no trace"
    if trace.problem:
        return ("undecided" if _NOTHING_WRONG.search(trace.problem) else "failed"), trace.problem
    if trace.at_press_level:
        return _at_press_level(observation, levels)
    if at_pin is None:
        return "failed", "the trace gives no voltage to judge"
    if trace.settled is None:
        return _moving(observation, trace, at_pin, levels, rules)
    return _settled(observation, trace, at_pin, levels, rules)


def _at_press_level(observation: Observation, levels: Levels) -> tuple[Verdict, str]:
    if observation.holder == "press path":
        return "failed", "press path welded"
    if (observation.reads_held, observation.reads_settled) == ("high", "low"):
        # The board read high at this very level: the node has left it since, and the log does not show when.
        return "undecided", "at the press level to the end of the log, but low at the board after it"
    if observation.holder == "pin":
        return "stuck high", "held at the press level by the pin itself"
    return "held at press level", "held at press level, cause open: a strong leak or a welded press path"


def _settled(
    observation: Observation, trace: TraceFinding, at_pin: Value, levels: Levels, rules: Rules
) -> tuple[Verdict, str]:
    volts, guard_v = at_pin.value, rules.guard_band(at_pin.u)
    if volts - guard_v >= levels.v_ih:
        return "stuck high", "the board reads low there" if observation.reads_settled == "low" else ""
    if observation.reads_settled == "high":
        return "stuck high", f"the board reads high at {show(as_seen(volts), 'V')}"
    if volts - guard_v > levels.v_il:
        return "stuck between", ""
    if volts + guard_v > levels.v_il:
        where = f"{show(as_seen(volts), 'V')} ± {_band(guard_v, rules)}"
        return "undecided", f"{where} straddles V_IL {show(as_seen(levels.v_il), 'V')}"
    return _in_time(observation, trace, rules)


def _band(guard_v: float, rules: Rules) -> str:
    """The guard band as it is said; where it is not U itself, with its rule."""
    return show(guard_v, "V", 2) + ("" if rules.guard_factor == 1.0 else f" ({rules.guard_rule})")


def _in_time(observation: Observation, trace: TraceFinding, rules: Rules) -> tuple[Verdict, str]:
    """Below V_IL for good: in time or late."""
    if trace.release_time_s is None:
        elapsed_s = _elapsed(observation, trace)
        if trace.moving and elapsed_s > rules.allowed_s:
            return "slow", f"falling, not yet below V_IL {show(elapsed_s, 's')} after the release"
        return "undecided", "below V_IL at rest, but when it came there cannot be told"
    if trace.release_time_s > rules.allowed_s:
        return "slow", f"{show(trace.release_time_s, 's')} to V_IL, allowed {show(rules.allowed_s, 's')}"
    return "released", ""


def _moving(
    observation: Observation, trace: TraceFinding, at_pin: Value, levels: Levels, rules: Rules
) -> tuple[Verdict, str]:
    """Still moving at the end of the log: below V_IL already, provably on its way, or open."""
    path = _last_windows(observation.trace, trace)
    if path is None:
        return "undecided", "still moving at the end of the log"
    fall_v, fall_u, falling = path
    if at_pin.value + rules.guard_band(at_pin.u) <= levels.v_il and falling:
        return _in_time(observation, trace, rules)
    elapsed_s = _elapsed(observation, trace)
    ahead = at_pin.value + fall_v + rules.guard_band(math.hypot(at_pin.u, fall_u))
    if falling and ahead <= levels.v_il and elapsed_s > rules.allowed_s:
        return "slow", f"{show(as_seen(at_pin.value), 'V')} and falling {show(elapsed_s, 's')} after the release"
    return "undecided", f"still moving at the end of the log, at {show(as_seen(at_pin.value), 'V')}"


def _elapsed(observation: Observation, trace: TraceFinding) -> float:
    """From the edge to the end of the log, in seconds; 0 without an edge or without samples."""
    if trace.edge is None or not len(observation.trace):
        return 0.0
    return float(observation.trace.time_s[-1]) - trace.edge.time_s


def _last_windows(trace: Trace, finding: TraceFinding) -> tuple[float, float, bool] | None:
    """How far the node will fall in the next window (V, negative), with standard uncertainty, and whether it falls.

    The last 60 % after the edge are cut into three windows with means m1, m2, m3. An exponential goes on by
    (m3 − m2)² / (m2 − m1). No further: a leak that depends on voltage may hold the node at any level that it has not
    passed, so a longer extrapolation proves nothing. None where the samples are too few.
    """
    start = finding.edge.after if finding.edge else 0
    volts = trace.voltage_v[start:]
    width = int(volts.size * 0.6) // 3
    if width < 4:
        return None
    windows = np.split(volts[-3 * width :], 3)
    if any(np.isnan(window).any() for window in windows):
        return None
    m1, m2, m3 = (float(window.mean()) for window in windows)
    # Successive differences see the noise and not the slope (von Neumann).
    noise = float(np.sqrt(np.mean(np.diff(volts[-3 * width :]) ** 2) / 2.0) / np.sqrt(width))
    first, second = m2 - m1, m3 - m2
    falling = second < -3.0 * noise or (first < 0.0 and second < 0.0 and m3 - m1 < -3.0 * noise)
    if not falling or first >= 0.0:
        return 0.0, noise, falling
    # A fall that speeds up is not extrapolated faster than it went.
    ratio = min(second / first, 1.0)
    fall_u = noise * math.sqrt((2 * ratio) ** 2 + (2 * ratio + ratio**2) ** 2 + ratio**4)
    return second * ratio, fall_u, falling
