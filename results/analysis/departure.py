"""From a held level to the edge that ends it: presses counted, bounces joined, the instant dated."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from results.analysis.findings import Edge
from results.analysis.kink import kink_time
from results.analysis.levels import BOUNCE_S, FEWEST_HELD, View, runs_of
from results.analysis.noise import correlation_factor

FloatArray = NDArray[np.float64]
State = Literal["released", "held to the end", "flat", "unclear"]


@dataclass(frozen=True)
class EdgeSearch:
    """What became of the contact.

    `released`: there is an `edge`, and samples from `edge.after` up to (not including) `end` are of the free node.
    `held to the end`: the node rests at the press level, `level_v`. The hold begins with sample `start`. `flat`: one
    level throughout. `unclear`: `reason` says why.
    """

    state: State
    edge: Edge | None = None
    end: int = 0
    start: int = 0
    level_v: float = 0.0
    presses: int = 1
    reason: str = ""
    notes: tuple[str, ...] = ()


def last_departure(view: View, level: float, aperture_s: float) -> EdgeSearch:
    """The edge, with presses before it counted and a press after it cut off."""
    size = view.time.size
    near = np.abs(view.smooth - level) <= view.band
    runs = _joined(runs_of(near), view, level)
    if not runs:
        return EdgeSearch(
            "unclear", end=size, reason=f"no release edge: the node moves past {level:.3f} V without resting there"
        )
    presses = _presses(runs, view.time)
    end = size
    notes: tuple[str, ...] = ()
    if runs[-1][1] >= size - 2:
        if len(presses) == 1:
            return EdgeSearch(
                "held to the end", end=size, start=_start_of(view, presses[0], level), level_v=_level_of(view, runs[-1])
            )
        again = presses.pop()
        end = again[0][0]
        notes = (f"pressed again at {view.time[end]:.4g} s and not released; read up to there",)
        end = max(end - max(2, view.width) - round(0.0005 / view.interval), 0)
    edge = _edge_of(view, presses[-1], level, end, aperture_s)
    start = _start_of(view, presses[-1], level)
    if isinstance(edge, str):
        return EdgeSearch("unclear", None, end, start, level, len(presses), edge, notes)
    if len(presses) > 1:
        notes += (f"{len(presses)} presses in the trace; the last release counts",)
    return EdgeSearch("released", edge, end, start, edge.held_v, len(presses), notes=notes)


def _start_of(view: View, press: list[tuple[int, int]], level: float) -> int:
    """The first sample of the hold that neither bounce nor charging touches any more."""
    last = press[-1][1]
    elsewhere = np.nonzero(np.abs(view.smooth[: last + 1] - level) > 0.4 * view.contrast)[0]
    if not elsewhere.size:
        return 0
    first = int(elsewhere[-1]) + 1
    side = math.copysign(1.0, level - float(view.smooth[elsewhere[-1]]))
    arrived = np.nonzero(side * (view.smooth[first : last + 1] - level) >= -view.band)[0]
    first += int(arrived[0]) if arrived.size else 0
    return first + (last - first) // 50


def _joined(runs: list[tuple[int, int]], view: View, level: float) -> list[tuple[int, int]]:
    """Runs at the level; what left it by little more than noise is no gap, what only passed it is no run."""
    joined: list[tuple[int, int]] = []
    for run in runs:
        if joined:
            between = view.smooth[joined[-1][1] + 1 : run[0]]
            away = float(np.max(np.abs(between - level)))
            short = view.time[run[0]] - view.time[joined[-1][1]] <= BOUNCE_S
            if away < 2.5 * view.band or (short and away < 0.3 * view.contrast):
                joined[-1] = (joined[-1][0], run[1])
                continue
        joined.append(run)
    return joined


def _presses(runs: list[tuple[int, int]], time: FloatArray) -> list[list[tuple[int, int]]]:
    """Runs at the held level grouped into presses: parted by more than a bounce."""
    groups = [[runs[0]]]
    for run in runs[1:]:
        if time[run[0]] - time[groups[-1][-1][1]] > BOUNCE_S:
            groups.append([run])
        else:
            groups[-1].append(run)
    return groups


def _level_of(view: View, run: tuple[int, int]) -> float:
    return float(np.median(view.volts[run[0] : run[1] + 1]))


def _edge_of(view: View, press: list[tuple[int, int]], level: float, end: int, aperture_s: float) -> Edge | str:
    """The edge that ends a press, or why there is none."""
    hold, bounces = _hold_and_bounces(press, view.time)
    if hold[1] - hold[0] + 1 < FEWEST_HELD:
        if hold[0] == 0:
            return "no release edge: the node moves from the first sample on"
        return f"held for {hold[1] - hold[0] + 1} samples only, {FEWEST_HELD} are needed"
    late = hold[1] - max((hold[1] - hold[0]) // 4, 2)  # a large node may still be charging before
    held = _level_of(view, (late, hold[1]))
    index = press[-1][1]
    last = view.volts[max(index + 1, end - max(5, (end - index) // 5)) : end]
    rest = float(np.median(last)) if last.size else held
    index, more = _partial_bounces(view, index, held, end)
    last_run = press[-1][0] if not more else index
    return _timed(view, hold, last_run, index, held, end, aperture_s, rest, bounces + more)


def _hold_and_bounces(press: list[tuple[int, int]], time: FloatArray) -> tuple[tuple[int, int], int]:
    """The hold itself, and the short closures that follow it."""
    longest = max(press, key=lambda run: (time[run[1]] - time[run[0]], run[0]))
    after = [run for run in press if run[0] > longest[1]]
    return longest, len(after)


def _partial_bounces(view: View, index: int, held: float, end: int) -> tuple[int, int]:
    """Closures that did not bring the node all the way back: a peak towards the held level, then away again."""
    stop = int(np.searchsorted(view.time, view.time[index] + BOUNCE_S))
    stretch = view.smooth[index + 1 : min(stop, end)]
    if stretch.size < 4:
        return index, 0
    away = np.abs(stretch - held)
    least = max(3.0 * view.band, 0.03 * float(away.max()))
    count, far, peak, found = 0, float(away[0]), -1, index
    for place, value in enumerate(away):
        if (peak < 0 and value < far - least) or (peak >= 0 and value < away[peak]):
            peak = place
        elif peak >= 0 and value > away[peak] + least:
            count, found, far, peak = count + 1, index + 1 + peak, float(value), -1
        if peak < 0:
            far = max(far, float(value))
    return found, count


def _timed(
    view: View,
    hold: tuple[int, int],
    last_run: int,
    index: int,
    held: float,
    end: int,
    aperture_s: float,
    rest: float,
    bounces: int,
) -> Edge | str:
    """Between two samples where the node jumps; where it leaves slowly, at the kink."""
    time, rising = view.time, rest > held
    interval = view.interval
    if index + 1 >= end:
        return "no sample after the release"
    away = np.abs(view.smooth - held)
    step = float(np.abs(view.volts[index + 1] - view.volts[index])) if bounces else float(away[index + 1])
    edge = Edge(
        index=index,
        after=index + 1,
        time_s=0.5 * float(time[index] + time[index + 1]),
        u_s=math.hypot(float(time[index + 1] - time[index]), aperture_s) / math.sqrt(12.0),
        held_v=held,
        rising=rising,
        bounces=bounces,
    )
    contrast = float(away[index + 1 : end].max())
    if step > max(0.2 * contrast, 6.0 * view.noise) or (
        view.width == 1 and step > 12.0 * max(view.noise, view.band / 5.0)
    ):
        return edge
    far_v = min(max(60.0 * view.noise, 3.0 * view.band, 0.05 * contrast), 0.5 * contrast)
    far = np.nonzero(away[index + 1 : end] > far_v)[0]
    reach = int(np.clip(far[0] + 1 if far.size else end - index, 8, 400)) + view.width
    begin = hold[0] if index <= hold[1] else last_run
    first, last = max(begin, index - 2 * reach), min(end, index + 1 + reach)
    kink = kink_time(
        time[first:last],
        view.volts[first:last],
        float(time[max(first, index - reach)]),
        float(time[min(index + 1, last - 1)]),
    )
    if kink is None and (bounces or _turns(view, first, index, min(last, index + 1 + reach))):
        unsure = float(time[last - 1] - time[max(first, index - reach)]) / math.sqrt(12.0)
        return replace(edge, u_s=max(edge.u_s, min(unsure, BOUNCE_S / math.sqrt(12.0))))
    if kink is None:
        return "no release edge: the node moves slowly and no kink shows where the contact opened"
    at = int(np.searchsorted(time, kink.time_s, side="right")) - 1
    at = min(max(at, first), last - 2)
    u_s = min(max(kink.u_s, 0.05 * interval), float(time[-1] - time[0]))
    return replace(edge, index=at, after=at + 1, time_s=kink.time_s, u_s=math.hypot(u_s, aperture_s / math.sqrt(12.0)))


def _turns(view: View, first: int, index: int, last: int) -> bool:
    """A chattering contact on a large node leaves no clean kink, but a level before it and a slope after it."""
    slopes, errors = [], []
    for part in (slice(first, index + 1), slice(index + 1, last)):
        time, volts = view.time[part], view.volts[part]
        if time.size < 4:
            return False
        since = time - time.mean()
        slope = float(since @ volts) / float(since @ since)
        rest = volts - volts.mean() - slope * since
        slopes.append(abs(slope))
        factor = correlation_factor(rest, 2)
        errors.append(math.sqrt(float(rest @ rest) / (time.size - 2) * factor / float(since @ since)))
    return slopes[1] > 5.0 * slopes[0] + 5.0 * math.hypot(*errors)
