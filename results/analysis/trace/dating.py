"""When the contact opened: between two samples, at a kink, or only to within a bounce."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from results.analysis.findings import Edge
from results.analysis.trace.kink import kink_time
from results.analysis.trace.levels import BOUNCE_S, View
from results.analysis.trace.noise import correlation_factor

FloatArray = NDArray[np.float64]

_RESTED = 5  # times as long at a level as it takes to leave it
_JUMP = 0.1  # of the way to rest: from one sample to the next no slow departure


@dataclass(frozen=True)
class Departure:
    """What is to be dated: the node leaves `held_v` for `rest_v` after sample `index`, in samples before `end`.

    `hold`: first and last sample of the hold itself, `last_run`: first sample of the last closure. `bounces`: closures
    that brought the node all the way back.
    """

    hold: tuple[int, int]
    last_run: int
    index: int
    held_v: float
    rest_v: float
    end: int
    bounces: int


def dated(view: View, left: Departure, aperture_s: float) -> Edge | str:
    """The edge, or why the release cannot be dated: between two samples where the node jumps, at the kink where it
    leaves slowly; only to within a bounce where the contact hides it from both."""
    index, more = _partial_bounces(view, left.index, left.held_v, left.end)
    if more:
        left = replace(left, index=index, last_run=index, bounces=left.bounces + more)
    if index + 1 >= left.end:
        return "no sample after the release"
    away = np.abs(view.smooth - left.held_v)
    contrast = float(away[index + 1 : left.end].max())
    jump = index if _jumps(view, left, away, contrast) else _jump_after_drift(view, left, away, contrast)
    if jump is not None:
        return _hidden(_between(view, replace(left, index=jump), aperture_s), _held_up(view, away, jump, left.end))
    return _at_kink(view, left, away, contrast, aperture_s)


def _between(view: View, left: Departure, aperture_s: float) -> Edge:
    """Between the last sample at the level and the next one."""
    before, after = float(view.time[left.index]), float(view.time[left.index + 1])
    return Edge(
        index=left.index,
        after=left.index + 1,
        time_s=0.5 * (before + after),
        u_s=math.hypot(after - before, aperture_s) / math.sqrt(12.0),
        held_v=left.held_v,
        rising=left.rest_v > left.held_v,
        bounces=left.bounces,
    )


def _hidden(edge: Edge, hidden_s: float) -> Edge:
    """The contact may have opened at any time within that: rectangular (JCGM 100:2008, 4.3.7)."""
    return replace(edge, u_s=max(edge.u_s, hidden_s / math.sqrt(12.0)), hidden_s=hidden_s)


def _jumps(view: View, left: Departure, away: FloatArray, contrast: float) -> bool:
    """Does the node leave by much more than noise from one sample to the next?"""
    index = left.index
    step = float(np.abs(view.volts[index + 1] - view.volts[index])) if left.bounces else float(away[index + 1])
    if step > max(0.2 * contrast, 6.0 * view.noise):
        return True
    return view.width == 1 and step > 12.0 * max(view.noise, view.band / 5.0)


def _jump_after_drift(view: View, left: Departure, away: FloatArray, contrast: float) -> int | None:
    """Where the held level drifts out of its band (hum that could not be taken out), the jump soon after."""
    stop = min(left.index + 1 + round(BOUNCE_S / view.interval), left.end)
    steps = np.abs(np.diff(view.volts[left.index : stop]))
    jumps = np.nonzero(steps > max(_JUMP * contrast, 12.0 * view.noise))[0]
    if view.width > 1 or not jumps.size:
        return None
    at = left.index + int(jumps[0])
    return at if float(away[left.index : at + 1].max()) < 0.5 * _JUMP * contrast else None


def _held_up(view: View, away: FloatArray, index: int, end: int) -> float:
    """How long after its jump the node was held up and then went on as fast, in seconds; 0: it was not.

    A bounce between two samples, or a pause of the node itself: which of them cannot be told.
    """
    stop = min(index + 1 + round(BOUNCE_S / view.interval), end)
    speeds = np.diff(away[index:stop])
    if speeds.size < 4:
        return 0.0
    at = int(np.argmax(speeds[:2]))  # the contact opens somewhere between two samples: the next step is a whole one
    first = float(speeds[at])
    slow = at + 1 + np.nonzero(speeds[at + 1 :] < 0.25 * first)[0]
    fast = np.nonzero(speeds > 0.75 * first)[0]
    if first < 12.0 * view.noise or not slow.size or fast[-1] < slow[0]:
        return 0.0
    return float(view.time[index + int(fast[-1])] - view.time[index])


def _at_kink(view: View, left: Departure, away: FloatArray, contrast: float, aperture_s: float) -> Edge | str:
    """Where the node leaves slowly."""
    time, index, end = view.time, left.index, left.end
    far_v = min(max(60.0 * view.noise, 3.0 * view.band, 0.05 * contrast), 0.5 * contrast)
    far = np.nonzero(away[index + 1 : end] > far_v)[0]
    reach = int(np.clip(far[0] + 1 if far.size else end - index, 8, 400)) + view.width
    begin = left.hold[0] if index <= left.hold[1] else left.last_run
    bounced = np.nonzero(away[begin : index + 1] > 2.0 * view.band)[0]
    begin += int(bounced[-1]) + 1 if bounced.size else 0
    first, last = max(begin, index - 2 * reach), min(end, index + 1 + reach)
    earliest = max(first, index - reach)
    kink = kink_time(
        time[first:last], view.volts[first:last], float(time[earliest]), float(time[min(index + 1, last - 1)])
    )
    edge = _between(view, left, aperture_s)
    if kink is not None:
        at = int(np.searchsorted(time, kink.time_s, side="right")) - 1
        at = min(max(at, first), last - 2)
        u_s = math.hypot(
            min(max(kink.u_s, 0.05 * view.interval), float(time[-1] - time[0])), aperture_s / math.sqrt(12)
        )
        return replace(edge, index=at, after=at + 1, time_s=kink.time_s, u_s=u_s)
    if left.bounces or _rested(view, left) or _turns(view, first, index, min(last, index + 1 + reach)):
        return _hidden(edge, min(float(time[last - 1] - time[earliest]), BOUNCE_S))
    return "no release edge: the node moves slowly and no kink shows where the contact opened"


def _partial_bounces(view: View, index: int, held: float, end: int) -> tuple[int, int]:
    """Closures that did not bring the node all the way back: a peak towards the held level, then away again."""
    stop = int(np.searchsorted(view.time, view.time[index] + BOUNCE_S))
    stretch = view.smooth[index + 1 : min(stop, end)]
    if stretch.size < 4:
        return index, 0
    away = np.abs(stretch - held)
    least = 2.0 * view.band
    count, far, peak, found = 0, float(away[0]), -1, index
    for place, value in enumerate(away):
        if (peak < 0 and value < far - least) or (peak >= 0 and value < away[peak]):
            peak = place
        elif peak >= 0 and value > away[peak] + least:
            count, found, far, peak = count + 1, index + 1 + peak, float(value), -1
        if peak < 0:
            far = max(far, float(value))
    return found, count


def _rested(view: View, left: Departure) -> bool:
    """Has the node stayed within the band for much longer than it then takes to go three bands away?"""
    hold = left.hold
    away = np.abs(view.smooth[hold[1] + 1 :] - left.held_v)
    far = np.nonzero(away > 4.0 * view.band)[0]
    return bool(far.size) and hold[1] - hold[0] + 1 > _RESTED * (int(far[0]) + 2)


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
