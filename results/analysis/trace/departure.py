"""From a held level to the edge that ends it: presses counted, bounces joined."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from results.analysis.findings import Edge
from results.analysis.looking_glass import as_seen
from results.analysis.trace.dating import Departure, dated
from results.analysis.trace.levels import BOUNCE_S, FEWEST_HELD, View, runs_of

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
        reason = f"no release edge: the node moves past {as_seen(level):.3f} V without resting there"
        return EdgeSearch("unclear", end=size, reason=reason)
    presses = _presses(runs, view.time)
    end = size
    notes: tuple[str, ...] = ()
    if runs[-1][1] >= size - 2:
        if len(presses) == 1:
            return EdgeSearch(
                "held to the end", end=size, start=_start_of(view, presses[0], level), level_v=_level_of(view, runs[-1])
            )
        again = presses.pop()
        notes = (f"pressed again at {view.time[again[0][0]]:.4g} s and not released; read up to there",)
        end = _free_until(view, presses[-1][-1][1], again[0][0], level)
    edge = _edge_of(view, presses[-1], level, end, aperture_s)
    start = _start_of(view, presses[-1], level)
    if isinstance(edge, str):
        return EdgeSearch("unclear", None, end, start, level, len(presses), edge, notes)
    if len(presses) > 1:
        notes += (f"{len(presses)} presses in the trace; the last release counts",)
    return EdgeSearch("released", edge, end, start, edge.held_v, len(presses), notes=notes)


def _free_until(view: View, left: int, back: int, level: float) -> int:
    """The last sample before the node is on its way back to the level: a weak press bounces and charges first."""
    away = np.abs(view.smooth[left : back + 1] - level)
    begins = max(away.size - round(BOUNCE_S / view.interval), away.size // 2)
    farthest = np.maximum.accumulate(away[begins:])
    returning = np.nonzero(farthest - away[begins:] > view.band)[0]
    first = back if not returning.size else left + begins + int(returning[0])
    return max(first - max(2, view.width), left)


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
    """Runs at the level; what left it by little more than noise, or by little and briefly, is no gap."""
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
    """Runs at the held level grouped into presses: parted by more than a bounce; what only passed it is none."""
    groups = [[runs[0]]]
    for run in runs[1:]:
        if time[run[0]] - time[groups[-1][-1][1]] > BOUNCE_S:
            groups.append([run])
        else:
            groups[-1].append(run)
    rested = [group for group in groups if max(run[1] - run[0] + 1 for run in group) >= FEWEST_HELD]
    return rested or groups


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
    return dated(view, Departure(hold, press[-1][0], index, held, rest, end, bounces), aperture_s)


def _hold_and_bounces(press: list[tuple[int, int]], time: FloatArray) -> tuple[tuple[int, int], int]:
    """The hold itself, and the short closures that follow it."""
    longest = max(press, key=lambda run: (time[run[1]] - time[run[0]], run[0]))
    after = [run for run in press if run[0] > longest[1]]
    return longest, len(after)
