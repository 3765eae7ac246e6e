"""Where the contact let go: the last departure from the held level. A bounced contact counts as one release."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from results.analysis.findings import Edge
from results.analysis.trace.departure import EdgeSearch, last_departure
from results.analysis.trace.levels import FEWEST_HELD, SMOOTHING_S, View, held_level, median_of_three, viewed
from results.analysis.trace.noise import correlation_factor

FloatArray = NDArray[np.float64]

_CERTAIN = 8.0  # standard deviations of a step that no sample shows by itself

_DWARFED = 0.1  # of what the trace spans: a release by more than this is seen beside its press


def find_edge(
    time_s: FloatArray,
    voltage_v: FloatArray,
    *,
    rail_v: float,
    step_v: float = 0.0,
    ripple_v: float = 0.0,
    aperture_s: float = 0.0,
    hold_v: float | None = None,
    released_after_s: float | None = None,
) -> EdgeSearch:
    """Find the release in samples (shape (n,), seconds and volts, hum taken out where it is strong).

    No low level before the press is assumed: the held level is the one at `hold_v` where that is known, else the
    highest one that the node leaves; where the node ends at its highest level, the first one that it was pressed to.
    `released_after_s` decides only where the levels alone do not. `ripple_v`: what hum may be left in the samples.
    """
    view = viewed(time_s, voltage_v, step_v, ripple_v)
    if view is None:
        return EdgeSearch("flat", end=time_s.size, level_v=float(np.median(voltage_v)))
    level, known = held_level(view, rail_v, hold_v, released_after_s)
    if level is None:
        return EdgeSearch("unclear", end=time_s.size, reason=known)
    found = last_departure(view, level, aperture_s)
    if found.start:
        return _closer(found, view, step_v, ripple_v, aperture_s)
    return found


def _closer(found: EdgeSearch, view: View, step_v: float, ripple_v: float, aperture_s: float) -> EdgeSearch:
    """The last press and what follows it alone, where the press itself dwarfs the release.

    The node may settle so near to the press level that a band fit for the press hides it.
    """
    first = found.start + view.width
    part = slice(first, found.end)
    moves = float(np.ptp(median_of_three(view.smooth[part]))) if found.end - first > 2 * FEWEST_HELD + 4 else math.inf
    if moves > 0.5 * view.contrast or (found.edge is not None and found.edge.rising):
        return found
    rest = float(np.median(view.smooth[max(found.end - 3, 0) : found.end]))
    if found.edge is not None and found.edge.held_v - rest > _DWARFED * view.contrast:
        return found
    closer = None
    for smoothing in range(len(SMOOTHING_S)):
        near = viewed(view.time[part], view.volts[part], step_v, ripple_v, smoothing)
        if near is not None:
            closer = last_departure(near, _level_to_leave(near, found.level_v), aperture_s)
        if near is None or (closer is not None and closer.state == "released"):
            break
    if found.state != "released" and (closer is None or closer.state != "released"):
        closer = _split(view.time[part], view.volts[part], aperture_s) or closer
    if closer is None or closer.state != "released" or closer.edge is None:
        if found.state == "held to the end" and closer is not None and closer.state == "unclear":
            return replace(found, notes=(*found.notes, "the press level is not steady"))
        return found
    edge = replace(closer.edge, index=closer.edge.index + first, after=closer.edge.after + first)
    return replace(closer, edge=edge, end=closer.end + first, presses=found.presses, notes=found.notes)


def _level_to_leave(near: View, held_v: float) -> float:
    """The highest level of the stretch, or the first one where it ends at its highest."""
    passing = median_of_three(near.smooth)
    top = float(passing.max())
    if float(np.median(near.smooth[-3:])) < top - 2.0 * near.band:
        return float(np.median(near.smooth[near.smooth >= top - 2.0 * near.band]))
    return held_v


def _split(time: FloatArray, volts: FloatArray, aperture_s: float) -> EdgeSearch | None:
    """One step hardly above the noise: where it parts the samples best, if that is beyond doubt."""
    count = volts.size
    before = np.arange(FEWEST_HELD, count - FEWEST_HELD)
    if before.size < 4:
        return None
    sums = np.cumsum(volts - volts.mean())
    weight = before * (count - before) / count
    gaps = sums[before - 1] / before - (sums[-1] - sums[before - 1]) / (count - before)
    at = int(np.argmax(gaps**2 * weight))
    size = int(before[at])
    held, rest = float(volts[:size].mean()), float(volts[size:].mean())
    residuals = np.concatenate([volts[:size] - held, volts[size:] - rest])
    noise = float(np.std(residuals)) or 1e-9
    certain = abs(held - rest) * math.sqrt(weight[at] / correlation_factor(residuals, 2)) / noise
    if certain < _CERTAIN or abs(held - rest) < 4.0 * noise:
        return None
    # A step, no slope: right beside it the levels are reached.
    wide = int(np.clip((10.0 * noise / abs(held - rest)) ** 2, FEWEST_HELD, max(count // 8, FEWEST_HELD)))
    beside = abs(float(volts[max(size - wide, 0) : size].mean()) - held)
    beside = max(beside, abs(float(volts[size : size + wide].mean()) - rest))
    if beside > 0.35 * abs(held - rest):
        return None
    middle = 0.5 * float(time[size - 1] + time[size])
    u_s = math.hypot(float(time[size] - time[size - 1]), aperture_s) / math.sqrt(12.0)
    edge = Edge(size - 1, size, middle, u_s, held, rest > held, 0)
    return EdgeSearch("released", edge, count, 0, held)
