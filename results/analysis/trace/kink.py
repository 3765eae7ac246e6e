"""Where a slow departure began: the kink between a held level and a curve that leaves it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from results.analysis.trace.noise import correlation_factor

FloatArray = NDArray[np.float64]

_PLACES = 41
_SIGNIFICANT = 16.0  # Δχ² of kink against none; four standard deviations


@dataclass(frozen=True)
class Kink:
    """When, with its standard uncertainty, in seconds."""

    time_s: float
    u_s: float


def kink_time(time_s: FloatArray, voltage_v: FloatArray, first_s: float, last_s: float) -> Kink | None:
    """Least squares of two curves that meet at t0, between `first_s` and `last_s`: a line before it (a large node may
    still be charging), a parabola after it.

    None where a smooth curve over the whole stretch does as well: then there is no kink. The uncertainty is where χ²
    has risen by one, residuals' correlation taken into account.
    """
    if time_s.size < 7 or last_s <= first_s:
        return None
    scale = float(time_s[-1] - time_s[0])
    low, high = first_s, last_s
    best_s, sums = first_s, np.empty(0)
    places = np.linspace(low, high, _PLACES)
    for _ in range(2):
        places = np.linspace(low, high, _PLACES)
        sums = np.array([_misfit((time_s - place) / scale, voltage_v)[0] for place in places])
        at = int(np.argmin(sums))
        best_s = float(places[at])
        low, high = float(places[max(at - 2, 0)]), float(places[min(at + 2, _PLACES - 1)])
    least, rest, slope = _misfit((time_s - best_s) / scale, voltage_v)
    count = time_s.size
    smooth = np.polynomial.polynomial.polyvander((time_s - time_s.mean()) / scale, 3)
    plain = voltage_v - smooth @ np.linalg.lstsq(smooth, voltage_v, rcond=None)[0]
    variance = max(least / max(count - 5, 1), 1e-24) * correlation_factor(rest)
    if float(plain @ plain) - least < _SIGNIFICANT * variance or slope == 0.0:
        return None
    # A kink is pinned down by how steeply the curve leaves: u(t0) = u(level difference near it)/slope.
    near = max(4.0, 0.25 * count)
    return Kink(best_s, 2.0 * math.sqrt(variance / near) * scale / abs(slope))


def _misfit(since: FloatArray, volts: FloatArray) -> tuple[float, FloatArray, float]:
    """Sum of squares, residuals and change of slope of: level, slope before the place 0, slope and bend after it."""
    after = np.clip(since, 0.0, None)
    design = np.column_stack([np.ones(since.size), after, after**2, np.minimum(since, 0.0)])
    solution = np.linalg.lstsq(design, volts, rcond=None)[0]
    rest = volts - design @ solution
    return float(rest @ rest), rest, float(solution[1] - solution[3])
