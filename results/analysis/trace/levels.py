"""The levels a trace rests at, and which of them is the one it was held at."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from results.analysis.looking_glass import as_seen
from results.analysis.trace.noise import LAGS, noise_scale

FloatArray = NDArray[np.float64]

BOUNCE_S = 0.02
"""A contact that closes again sooner than this after it opened has bounced; later, it was pressed again."""

FEWEST_HELD = 3
"""Samples at one level: fewer are no hold."""

_NEAR_RAIL = 0.9
_PASSING_S = 0.001  # at a level when the log begins: less is passing through
_AT_ONCE = 0.5  # of the way to the last level: what is left after a sample or two
_HINT = 0.03  # of the rail: how far a held level may lie from where it was measured before
SMOOTHING_S = (0.0, 0.0005, 0.0025)
"""Lengths of the running mean that are tried in turn."""


@dataclass(frozen=True)
class View:
    """A trace as the search sees it: smoothed voltage, its noise, and the band that counts as one level."""

    time: FloatArray
    volts: FloatArray
    smooth: FloatArray
    noise: float
    band: float
    width: int
    contrast: float

    @property
    def interval(self) -> float:
        return float(np.median(np.diff(self.time)))


def viewed(time: FloatArray, volts: FloatArray, step: float, ripple: float, first: int = 0) -> View | None:
    """The least smoothing that makes the levels stand out from the noise; None where there is one level only."""
    interval = float(np.median(np.diff(time)))
    for length in SMOOTHING_S[first:]:
        width = max(1, min(2 * round(length / interval / 2) + 1, time.size // 12))
        smooth = _running_mean(volts, width)
        # Smoothed noise differs little between neighbours: it shows at lags beyond the running mean.
        lags = LAGS if width == 1 else (*LAGS, width, 2 * width)
        noise = max(noise_scale(smooth, lags), noise_scale(volts) / math.sqrt(width), step / math.sqrt(12.0), 1e-9)
        low, high = float(median_of_three(smooth).min()), float(median_of_three(smooth).max())
        contrast = high - low
        # Correlated noise wanders further than its neighbours differ: wide, but most of it in the middle.
        wanders = contrast < 20.0 * noise and contrast > 4.5 * float(np.std(smooth))
        if (
            not wanders
            and contrast > 2.0 * (math.sqrt(2.0 * math.log(volts.size)) + 1.2) * noise + 2.5 * step + 3.0 * ripple
        ):
            band = max(min(5.0 * noise, contrast / 4.0), 1.5 * step, ripple, 0.002 * contrast)
            return View(time, volts, smooth, noise, band, width, contrast)
    return None


def _running_mean(volts: FloatArray, width: int) -> FloatArray:
    if width < 2:
        return volts
    from scipy.ndimage import uniform_filter1d

    return np.asarray(uniform_filter1d(volts, width, mode="reflect"))


def median_of_three(volts: FloatArray) -> FloatArray:
    """Over three samples: a lone wild sample makes no level."""
    inner = np.median(np.stack([volts[:-2], volts[1:-1], volts[2:]]), axis=0)
    return np.asarray(inner, dtype=np.float64)


def runs_of(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of every run of True."""
    padded = np.concatenate([[False], mask, [False]])
    ends = np.nonzero(padded[1:] != padded[:-1])[0]
    return [(int(a), int(b) - 1) for a, b in zip(ends[::2], ends[1::2], strict=True)]


def _level_near(view: View, guess: float, reach: float) -> float | None:
    """The level nearest to a guess that the node stays at for a few samples."""
    close = np.abs(view.smooth - guess) <= reach
    stays = [run for run in runs_of(close) if run[1] - run[0] + 1 >= FEWEST_HELD]
    if not stays:
        return None
    values = np.concatenate([view.smooth[a : b + 1] for a, b in stays])
    # The densest spot within reach: two levels may lie there, and samples in passing between them.
    some = values[:: max(1, values.size // 200)]
    counts = np.array([np.count_nonzero(np.abs(values - value) <= view.band) for value in some])
    crowded = some[counts >= max(FEWEST_HELD, 0.05 * counts.max())]
    nearest = float(crowded[np.argmin(np.abs(crowded - guess))]) if crowded.size else guess
    near = values[np.abs(values - nearest) <= view.band]
    return float(np.median(near)) if near.size else None


def held_level(
    view: View, rail_v: float, hold_v: float | None, released_after_s: float | None
) -> tuple[float | None, str]:
    """The held level, or None and the reason why it cannot be told."""
    passing = median_of_three(view.smooth)
    top, last = float(passing.max()), float(np.median(view.smooth[-3:]))
    level = float(np.median(view.smooth[view.smooth >= top - 2.0 * view.band]))
    reach = max(_HINT * rail_v, 2.0 * view.band)
    if hold_v is not None:
        if abs(level - hold_v) <= reach:
            return level, ""
        stated = _level_near(view, hold_v, reach)
        if stated is not None:
            return stated, ""
    if _passes_at_first(view, level):
        level = max((stay[2] for stay in _plateaus(view)), default=level)
    if last < level - 2.0 * view.band:
        return _held_level_falling(view, level, last), ""
    return _held_level_rising(view, level, rail_v, released_after_s)


def _held_level_falling(view: View, top: float, last: float) -> float:
    """The node ends below its highest level: which is the held one?

    The last level that the node rested at and left downwards at once, as a contact that opens makes it (a pause on the
    way down is left slowly). A large node leaves none at once: then the highest level.
    """
    rested = [stay for stay in _plateaus(view) if top + 2.0 * view.band > stay[2] > last + 2.0 * view.band]
    rested = [stay for stay in rested if stay[1] < view.time.size - 1]
    at_once = [stay for stay in rested if _left_at_once(view, stay, last)]
    if at_once:
        return top if abs(at_once[-1][2] - top) <= 2.0 * view.band else at_once[-1][2]
    return top


def _passes_at_first(view: View, level: float) -> bool:
    """Does the log begin on the way down from there, as where the press had just begun?"""
    last = int(np.nonzero(view.smooth >= level - view.band)[0][-1])
    return bool(view.time[last] - view.time[0] < _PASSING_S)


def _left_at_once(view: View, stay: tuple[int, int, float], last: float) -> bool:
    """Is the node most of the way to where it ends a few samples after it left the level, and for good?"""
    bounce = round(BOUNCE_S / view.interval)
    if stay[2] - last < 4.0 * view.band:
        return False  # the end of a decay looks like a level, too
    near = np.nonzero(np.abs(view.smooth[: stay[1] + bounce] - stay[2]) <= view.band)[0]
    left = int(near[-1]) + 1 + max(2, view.width)
    after = view.smooth[left : left + bounce]
    return bool(after.size) and float(after.max()) < last + _AT_ONCE * (stay[2] - last)


def _held_level_rising(
    view: View, top: float, rail_v: float, released_after_s: float | None
) -> tuple[float | None, str]:
    """The node ends at its highest level: still pressed, or released from a weak press and risen?"""
    stays = _plateaus(view)
    below = [stay for stay in stays if abs(stay[2] - top) > 2.0 * view.band]
    at_top = [stay for stay in stays if abs(stay[2] - top) <= 2.0 * view.band]
    if not below or (not at_top and len(below) < 2):
        return None, "the node moves throughout and never rests at a level"
    if at_top and at_top[0][0] < below[-1][0]:
        return top, ""  # at the top, away from it, and there again: released and pressed again
    weak = [stay for stay in below[1:] if stay[2] > below[0][2] + 2.0 * view.band]
    if weak:  # low, pressed weakly, on upwards by itself; what comes later are pauses on the way up
        lasting = [stay for stay in weak if stay[1] - stay[0] >= 8 and _lasts(view, stay) > 0.005]
        return (lasting[0] if lasting else max(weak, key=lambda stay: stay[1] - stay[0]))[2], ""
    rise_s = float(view.time[below[-1][1]])
    if released_after_s is not None and abs(rise_s - released_after_s) < BOUNCE_S:
        return below[-1][2], ""
    if top >= _NEAR_RAIL * rail_v or below[0][2] < 0.25 * top:
        return top, ""
    return None, (
        f"one rise, {as_seen(below[-1][2]):.3f} V to {as_seen(top):.3f} V, may be a press that was never released or a "
        "release that rises: the hold level must be known"
    )


def _lasts(view: View, stay: tuple[int, int, float]) -> float:
    return float(view.time[stay[1]] - view.time[stay[0]])


def _plateaus(view: View) -> list[tuple[int, int, float]]:
    """Stretches at one level: first, last sample and level; a bounce in between does not part them."""
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    wide = max(FEWEST_HELD, min(round(0.002 / view.interval), view.time.size // 10))
    shift = -(wide // 2)
    span = maximum_filter1d(view.smooth, wide, origin=shift) - minimum_filter1d(view.smooth, wide, origin=shift)
    flat = span[: view.time.size - wide + 1] <= 1.6 * view.band
    found: list[tuple[int, int, float]] = []
    for first, last in runs_of(flat):
        level = float(np.median(view.smooth[first : last + wide]))
        if found and abs(found[-1][2] - level) <= 2.0 * view.band:
            found[-1] = (found[-1][0], last + wide - 1, found[-1][2])
        else:
            found.append((first, last + wide - 1, level))
    return found
