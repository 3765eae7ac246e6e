"""Read one trace: edge, settled voltage, time constant and release time, or one line that says why not."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from results.analysis.findings import Decay, Edge, TraceFinding
from results.analysis.looking_glass import as_seen
from results.analysis.one_thread import one_thread
from results.analysis.trace.decay import IMPERFECT, fit_decay
from results.analysis.trace.departure import EdgeSearch
from results.analysis.trace.edge import find_edge
from results.analysis.trace.hum import Hum, robust_hum, shows_hum, unseen_hum
from results.analysis.trace.release_time import release_time
from results.analysis.trace.samples import LINE_HZ, Samples, screened
from results.analysis.trace.settled import FEWEST, Settling, settle
from results.analysis.trace.tail import TailFit
from results.quantity import show
from results.record.run_record import Levels, MeterModel
from results.record.trace import Trace

FloatArray = NDArray[np.float64]

_AT_PRESS = 0.1  # of the rail: a node this near to it is at the press level where the hold level is not known
_HELD_PART = 0.04  # of the noise variance: what the held level is uncertain by
_LEFT_OVER = 0.05  # of hum that was taken out of the whole trace
_UNSEEN_HUM = 0.02  # of the rail: how far hum may move the levels of a log too short to show it
_AT_HOLD = 0.02  # of the rail: a node this near to the hold level is at it


@dataclass(frozen=True)
class _Question:
    """What read_trace was asked, for the functions below it."""

    rail_v: float
    levels: Levels
    meter: MeterModel
    allowed_s: float
    hold_v: float | None
    expected_press: bool


def read_trace(
    trace: Trace,
    *,
    rail_v: float,
    levels: Levels,
    meter: MeterModel,
    allowed_s: float,
    hold_v: float | None = None,
    released_after_s: float | None = None,
    expected_press: bool = True,
) -> TraceFinding:
    """All that one trace says by itself. Raises nothing for a bad trace: `problem` says in one line what is wrong.

    `rail_v`, `hold_v` (the level while pressed, where it was measured) in volt; `released_after_s` is when the release
    was commanded on the trace's own time axis, a hint only; `allowed_s` the time to release that the plan allows.
    `expected_press` False: a trace with no press in it is no problem, and its level is read.
    """
    with one_thread():
        return _read(trace, _Question(rail_v, levels, meter, allowed_s, hold_v, expected_press), released_after_s)


def _read(trace: Trace, asked: _Question, released_after_s: float | None) -> TraceFinding:
    meter = asked.meter
    samples = screened(trace, meter)
    if samples.problem:
        return _unreadable(samples.problem, samples.notes)
    lines = LINE_HZ if meter.line_hz is None else (meter.line_hz,)
    hum = robust_hum(samples.time_s, samples.voltage_v, samples.interval_s, lines)
    clean = samples.voltage_v if hum is None else samples.voltage_v - hum.voltage_v

    def search(ripple_v: float) -> EdgeSearch:
        return find_edge(
            samples.time_s,
            clean,
            rail_v=asked.rail_v,
            step_v=samples.step_v,
            ripple_v=ripple_v,
            aperture_s=meter.aperture_s,
            hold_v=asked.hold_v,
            released_after_s=released_after_s,
        )

    found = search(0.0 if hum is None else _LEFT_OVER * hum.amplitude_v)
    if found.state == "unclear" and hum is None and not shows_hum(samples.time_s, lines):
        wider = search(_UNSEEN_HUM * asked.rail_v)
        found = wider if wider.state == "released" else found
    notes = samples.notes + found.notes
    if found.state == "unclear":
        return _unreadable(f"trace: {found.reason}", notes)
    if found.state == "released" and found.edge is not None:
        return _released(samples, found, found.edge, hum, asked, notes)
    if "overloaded" in " ".join(samples.notes):
        return _unreadable("trace: the meter was overloaded until after the release", notes)
    return _never_left(samples, found, hum, asked, notes)


def _unreadable(problem: str, notes: tuple[str, ...]) -> TraceFinding:
    return TraceFinding(None, None, None, None, None, problem=problem, notes=notes)


def _settling(
    samples: Samples, first: int, end: int, hum: Hum | None, asked: _Question, unseen_v: float = 0.0
) -> Settling:
    return settle(
        samples.time_s[first:end],
        samples.voltage_v[first:end],
        meter=asked.meter,
        interval_s=samples.interval_s,
        rail_v=asked.rail_v,
        step_v=samples.step_v,
        known_hum=hum,
        unseen_hum_v=unseen_v,
    )


def _never_left(
    samples: Samples, found: EdgeSearch, hum: Hum | None, asked: _Question, notes: tuple[str, ...]
) -> TraceFinding:
    """No edge: the node stays at the press level, or was never pressed."""
    size = samples.time_s.size
    start = min(found.start, size - FEWEST)
    settling = _settling(samples, start, size, hum, asked)
    level = settling.last_v.value
    pressed = found.state == "held to the end" or _is_press_level(level, asked)
    finding = TraceFinding(
        edge=None,
        settled=settling.settled,
        decay=Decay(None, reason="no release edge"),
        release_time_s=None,
        last_v=settling.last_v,
        moving=settling.moving,
        at_press_level=pressed,
        notes=notes + settling.notes,
    )
    if pressed:
        note = f"no release edge: the node stays at the press level, {as_seen(level):.3f} V"
        return replace(finding, notes=(*finding.notes, note))
    if not asked.expected_press:
        return finding
    problem = f"trace: no press seen: the node stays at {as_seen(level):.3f} V throughout the log"
    return replace(finding, settled=None, problem=problem)


def _is_press_level(level: float, asked: _Question) -> bool:
    if asked.hold_v is not None:
        return abs(level - asked.hold_v) <= _AT_HOLD * asked.rail_v
    return abs(level - asked.rail_v) <= _AT_PRESS * asked.rail_v


def _released(
    samples: Samples, found: EdgeSearch, edge: Edge, hum: Hum | None, asked: _Question, notes: tuple[str, ...]
) -> TraceFinding:
    first, end = edge.after, found.end
    time, volts = samples.time_s[first:end], samples.voltage_v[first:end]
    if time.size < FEWEST:
        length = float(samples.time_s[end - 1]) - edge.time_s
        problem = (
            f"trace: the log ends {length:.4g} s after the release: at least {FEWEST} samples are needed: {time.size}"
        )
        return TraceFinding(edge, None, None, None, None, problem=problem, notes=notes)
    settling = _settling(samples, first, end, hum, asked, _unseen(samples, edge, hum, asked))
    decay, fit = _decay(time, volts, edge, samples, settling, asked)
    if fit is not None:
        edge = _sharpened(edge, fit, samples)
    if edge.bounces:
        notes += (f"the contact bounced {edge.bounces} time{'s' if edge.bounces > 1 else ''}: one release",)
    if edge.hidden_s > 0.0:
        notes += (
            f"when the contact opened cannot be told: taken at {show(edge.time_s, 's')}, u = {show(edge.u_s, 's', 2)}",
        )
    if settling.reason:
        notes += (settling.reason,)
    below = release_time(time, volts, edge, asked.levels.v_il, settling, fit)
    notes += settling.notes + _log_notes(float(time[-1]) - edge.time_s, settling, asked)
    return TraceFinding(edge, settling.settled, decay, below, settling.last_v, settling.moving, notes=notes)


def _decay(
    time: FloatArray, volts: FloatArray, edge: Edge, samples: Samples, settling: Settling, asked: _Question
) -> tuple[Decay, TailFit | None]:
    """From the edge on; where it is hidden, from where the contact is open for certain, and with no fit up to there."""
    first = math.ceil(edge.hidden_s / samples.interval_s)
    decay, fit = fit_decay(
        time[first:], volts[first:], edge, meter=asked.meter, interval_s=samples.interval_s, settling=settling
    )
    if first and decay.is_upper_bound:
        return Decay(None, reason="the movement is over before the contact is open for certain"), None
    return decay, None if first else fit


def _unseen(samples: Samples, edge: Edge, hum: Hum | None, asked: _Question) -> float:
    """Amplitude of the hum that a log too short to show it may hold, told from the hold."""
    lines = LINE_HZ if asked.meter.line_hz is None else (asked.meter.line_hz,)
    if hum is not None or shows_hum(samples.time_s, lines):
        return 0.0
    held = np.abs(samples.voltage_v - edge.held_v) < _AT_PRESS * asked.rail_v
    held[edge.after :] = False
    return unseen_hum(samples.time_s[held], samples.voltage_v[held], lines)


def _sharpened(edge: Edge, fit: TailFit, samples: Samples) -> Edge:
    """Where the exponential, run backwards, meets the held level: better than halfway between two samples."""
    if fit.tau_s is None or fit.amplitude_v == 0.0 or edge.bounces:
        return edge
    ratio = (edge.held_v - fit.level_v) / fit.amplitude_v
    if ratio <= 0.0:
        return edge
    begun = float(samples.time_s[edge.after])
    at = begun - fit.tau_s * math.log(ratio)
    noise = fit.noise_v * math.sqrt(min(fit.factor, 10.0) * (4.0 * samples.interval_s / fit.tau_s + _HELD_PART))
    # A shape that is not quite exponential is off most where it is run backwards.
    u_s = math.hypot(fit.tau_s * noise / abs(edge.held_v - fit.level_v), 2.0 * IMPERFECT * fit.tau_s)
    slack = 3.0 * math.hypot(edge.u_s, u_s)
    if u_s >= edge.u_s or abs(at - edge.time_s) > slack:
        return edge
    return replace(edge, time_s=at, u_s=u_s)


def _log_notes(length: float, settling: Settling, asked: _Question) -> tuple[str, ...]:
    if length < asked.allowed_s and (settling.moving or settling.last_v.value > asked.levels.v_il):
        return (f"the log ends {length:.4g} s after the release, {asked.allowed_s:g} s are allowed for it",)
    return ()
