"""The largest I_net/V at and above V_IL on one branch of a sweep, between the points that were measured too.

Around each place where the measured ratio is largest, a polynomial is fitted to the points of the last pass. Where
their noise refuses it (a kink), the truth lies between the measured maximum and where the straight lines through the
points on either side meet, as long as the curve is concave there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from results.record.trace import FloatArray

SAME_PLACE = 0.05
"""Points closer than this share of the reach are one place: V_IL was forced in every pass."""

REFUSED_BELOW = 0.05
"""A polynomial whose misfit is less likely than this is refused (chi-square)."""

DEGREE = 4
"""Of the polynomial: at a maximum among nine points it costs hardly more noise than a parabola, and bends with the
curve."""

MOST_HUMPS = 2
"""A sweep looks closely at two places a branch."""


@dataclass(frozen=True)
class Points:
    """A branch in rising order: volts at the pin and ratio I_net/V (S), each of shape (n,).

    An error of one volt in the reading of the node moves the ratio by `per_volt` and the volts at the pin by
    `pin_per_volt`; one ampere in the reading of the source `per_ampere` and `pin_per_ampere` (first two of shape (n,)).
    `noise_v`, `noise_a`: standard deviations of the noise of a point. `reach_v`: how far the last pass reaches to
    either side of a maximum.
    """

    volts: FloatArray
    ratio_s: FloatArray
    per_volt: FloatArray
    per_ampere: FloatArray
    pin_per_volt: float
    pin_per_ampere: float
    noise_v: float
    noise_a: float
    reach_v: float

    def noise_s(self, slope_s_per_v: float = 0.0) -> FloatArray:
        """Noise of the ratio against a curve of that slope, which an error of the voltage moves a point along."""
        by_volts = (self.per_volt - slope_s_per_v * self.pin_per_volt) * self.noise_v
        by_amperes = (self.per_ampere - slope_s_per_v * self.pin_per_ampere) * self.noise_a
        # Instruments resolve no more than this; without a floor a noiseless log would refuse every fit.
        floor = 1e-8 * float(np.abs(self.ratio_s).max()) + 1e-15
        return np.hypot(np.hypot(by_volts, by_amperes), floor)

    def at(self, index: np.ndarray[tuple[int], np.dtype[np.intp]]) -> Points:
        """These points of the branch alone."""
        return replace(
            self,
            volts=self.volts[index],
            ratio_s=self.ratio_s[index],
            per_volt=self.per_volt[index],
            per_ampere=self.per_ampere[index],
        )


@dataclass(frozen=True)
class Peak:
    """The largest ratio. `slope_s_per_v` is that of the ratio there: zero but at V_IL itself. `noise_u_s`: standard
    uncertainty from noise; `between_s`: half-width (rectangular) of what lies between points and of the choice.
    `bound_s`: half of the distance between two bounds, at any of which the truth may lie: it is added as it
    stands."""

    at_v: float
    ratio_s: float
    slope_s_per_v: float
    noise_u_s: float
    between_s: float
    bound_s: float = 0.0


def largest_ratio(points: Points, v_il: float, rail_v: float) -> Peak:
    """The largest ratio for v_il <= V <= rail_v. Raises ValueError where fewer than two points lie there.

    The last point lies a few millivolts below the rail, by what the pull-down drops in series. Where the ratio still
    rises there, it may be larger at the rail by its slope times that gap.
    """
    above = np.flatnonzero(points.volts >= v_il)
    if above.size < 2:
        raise ValueError(f"needs two points at or above {v_il} V: {above.size}")
    peaks = [_peak(points, index, v_il) for index in _humps(points, above)]
    peak = chosen(sorted(peaks, key=lambda peak: -peak.ratio_s))
    short_v = rail_v - float(points.volts[-1])
    if peak.at_v >= points.volts[-1] - points.reach_v and short_v > 0.0:
        rise_s = max(0.0, _end_slope(points) * short_v)
        return replace(peak, ratio_s=peak.ratio_s + 0.5 * rise_s, bound_s=peak.bound_s + 0.5 * rise_s)
    return peak


def _end_slope(points: Points) -> float:
    """Slope of the ratio at the highest points (S/V)."""
    last = points.at(np.flatnonzero(points.volts >= points.volts[-1] - 4.0 * points.reach_v))
    apart_v = last.volts - last.volts.mean()
    spread = float(apart_v @ apart_v)
    return float(apart_v @ last.ratio_s) / spread if spread > 0.0 else 0.0


def chosen(ranked: Sequence[Peak]) -> Peak:
    """The first of peaks in falling order, with what the choice costs."""
    first = ranked[0]
    if len(ranked) < 2:
        return first
    cost_s = cost_of_choice(first.ratio_s - ranked[1].ratio_s, first.noise_u_s, ranked[1].noise_u_s)
    return replace(first, between_s=first.between_s + cost_s)


def cost_of_choice(apart_s: float, first_u_s: float, second_u_s: float) -> float:
    """By how much the larger of two noisy numbers is too large on average: 0.4 standard deviations of their
    difference where both are equal in truth (1/√2π; the mean of the larger of two normal numbers, memory); 0 where
    they are apart."""
    noise_s = math.hypot(first_u_s, second_u_s)
    return 0.0 if apart_s > 2.0 * noise_s else noise_s / math.sqrt(2.0 * math.pi)


def _humps(points: Points, above: np.ndarray[tuple[int], np.dtype[np.intp]]) -> list[int]:
    """Index of the largest point, and of the largest one well apart from it that is a maximum of its own."""
    ratio, noise = points.ratio_s, points.noise_s()
    first = int(above[np.argmax(ratio[above])])
    found = [first]
    for index in sorted(above, key=lambda i: -ratio[i]):
        spans = [sorted((int(index), other)) for other in found]
        lower = [float(ratio[low : high + 1].min()) for low, high in spans]
        clear = 5.0 * float(noise[index])
        if len(found) < MOST_HUMPS and all(ratio[index] - low > clear for low in lower):
            found.append(int(index))
    return found


def _peak(points: Points, index: int, v_il: float) -> Peak:
    near = np.flatnonzero(np.abs(points.volts - points.volts[index]) <= points.reach_v)
    places = 1 + np.count_nonzero(np.diff(points.volts[near]) > SAME_PLACE * points.reach_v)
    fitted = _fitted(points.at(near), v_il) if places > DEGREE + 2 else None
    return fitted or _between_lines(points, index, v_il)


def _fitted(near: Points, v_il: float) -> Peak | None:
    """The largest value of the polynomial within its points at or above v_il; None where their noise refuses it."""
    from scipy.stats import chi2

    slope = 0.0
    for _ in range(3):  # the noise depends on the slope, and the slope (a little) on the weights
        fit = _Polynomial.through(near, near.noise_s(slope), DEGREE)
        slope = fit.slope(fit.top_v(v_il))
    if float(chi2.sf(fit.chi_square, near.volts.size - DEGREE - 1)) < REFUSED_BELOW:
        return None
    at_v = fit.top_v(v_il)
    # One degree more shows what the shape of the curve may still hide.
    more = _Polynomial.through(near, near.noise_s(slope), DEGREE + 1)
    between_s = abs(more.value(more.top_v(v_il)) - fit.value(at_v))
    return Peak(at_v, fit.value(at_v), slope if at_v <= v_il else 0.0, fit.u(at_v), between_s)


@dataclass(frozen=True)
class _Polynomial:
    """A weighted polynomial in (V − centre)/scale; `r` is the triangle of its normal equations."""

    low_v: float
    high_v: float
    parameters: FloatArray
    r: FloatArray
    chi_square: float

    @classmethod
    def through(cls, near: Points, noise_s: FloatArray, degree: int) -> _Polynomial:
        low_v, high_v = float(near.volts.min()), float(near.volts.max())
        design = _powers(near.volts, low_v, high_v, degree + 1)
        q, r = np.linalg.qr(design / noise_s[:, None])
        parameters = np.linalg.solve(r, q.T @ (near.ratio_s / noise_s))
        misfit = (design @ parameters - near.ratio_s) / noise_s
        return cls(low_v, high_v, parameters, r, float(misfit @ misfit))

    def top_v(self, v_il: float) -> float:
        """Where it is largest at or above v_il, among its points."""
        grid = np.linspace(max(v_il, self.low_v), self.high_v, 2001)
        return float(grid[np.argmax(_powers(grid, self.low_v, self.high_v, self.parameters.size) @ self.parameters)])

    def value(self, volts: float) -> float:
        return float((self._basis(volts) @ self.parameters)[0])

    def u(self, volts: float) -> float:
        """Standard uncertainty of the value from the noise of the points."""
        return float(np.linalg.norm(np.linalg.solve(self.r.T, self._basis(volts)[0])))

    def slope(self, volts: float) -> float:
        step_v = 1e-3 * (self.high_v - self.low_v)
        return (self.value(volts + step_v) - self.value(volts - step_v)) / (2.0 * step_v)

    def _basis(self, volts: float) -> FloatArray:
        return _powers(np.array([volts]), self.low_v, self.high_v, self.parameters.size)


def _powers(volts: FloatArray, low_v: float, high_v: float, count: int) -> FloatArray:
    """Legendre polynomials on the span of the points, shape (n, count): well conditioned whatever the span."""
    scaled = (2.0 * volts - low_v - high_v) / (high_v - low_v)
    return np.asarray(np.polynomial.legendre.legvander(scaled, count - 1), dtype=np.float64)


def _between_lines(points: Points, index: int, v_il: float) -> Peak:
    """Between the largest point and where the lines through its neighbours meet (the curve taken as concave there)."""
    volts, ratio = _merged(points, v_il)
    top = int(np.argmin(np.abs(volts - max(points.volts[index], v_il))))
    top += int(np.argmax(ratio[max(top - 1, 0) : top + 2])) - min(top, 1)
    upper = max(_roof(volts, ratio, top - 1), _roof(volts, ratio, top), float(ratio[top]))
    noise_s = math.sqrt(5.0) * float(points.noise_s()[index])  # a line through two points, carried on by one gap
    slope = 0.0
    if top == 0 and volts.size > 1:
        slope = float((ratio[1] - ratio[0]) / (volts[1] - volts[0]))
    half = 0.5 * (upper - float(ratio[top]))
    return Peak(float(volts[top]), float(ratio[top]) + half, slope, noise_s, 0.0, half)


def _merged(points: Points, v_il: float) -> tuple[FloatArray, FloatArray]:
    """Points at or above v_il, those at the same place as one, and one at v_il itself by a straight line."""
    groups = np.concatenate(([0], np.cumsum(np.diff(points.volts) > SAME_PLACE * points.reach_v)))
    volts = np.array([points.volts[groups == group].mean() for group in range(groups[-1] + 1)])
    ratio = np.array([points.ratio_s[groups == group].mean() for group in range(groups[-1] + 1)])
    inside = volts > v_il
    at_edge = float(np.interp(v_il, volts, ratio))
    return np.concatenate(([v_il], volts[inside])), np.concatenate(([at_edge], ratio[inside]))


def _roof(volts: FloatArray, ratio: FloatArray, left: int) -> float:
    """The most that a concave curve can reach between points `left` and `left` + 1: it lies below the lines through the
    two points on either side, carried on into the gap."""
    if left < 0 or left + 1 >= volts.size:
        return -math.inf
    ends = volts[left : left + 2]
    lines = [
        ratio[a] + (ends - volts[a]) * (ratio[b] - ratio[a]) / (volts[b] - volts[a])
        for a, b in ((left, left - 1), (left + 1, left + 2))
        if 0 <= b < volts.size
    ]
    if len(lines) < 2:
        return float(lines[0].max()) if lines else -math.inf
    (a0, a1), (b0, b1) = lines
    levels = [min(a0, b0), min(a1, b1)]
    if (a0 - b0) * (a1 - b1) < 0.0:
        share = (a0 - b0) / ((a0 - b0) - (a1 - b1))
        levels.append(a0 + share * (a1 - a0))
    return float(max(levels))
