"""How slowly a released node passes between the press level and V_IL: the least of −d(ln V)/dt, from the samples.

Where the net pin current comes close to what the resistor takes, the node crawls (the bottleneck beside a saddle-node
bifurcation: S. H. Strogatz, Nonlinear Dynamics and Chaos, 4.3; memory). Around its slowest place the pace is taken as
exp(polynomial of ln V), so that it is above zero everywhere and the passage monotone; the polynomial is fitted to the
samples themselves, through t(V) = ∫ d(ln V)/pace.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from results.analysis.findings import Edge
from results.analysis.found.fold import Passage
from results.analysis.pull_down.free_decay import without_hum
from results.analysis.trace.decay import resolution_s
from results.analysis.trace.noise import correlation_factor, noise_scale
from results.analysis.trace.samples import screened
from results.analysis.trace.tail import Noise, misfit
from results.analysis.uncertainty.least_squares import ModelFit, fit_model
from results.analysis.value import Value
from results.record.run_record import MeterModel
from results.record.trace import FloatArray, Trace

FEWEST = 6
"""Samples around the slowest place: fewer do not show how slow it is there."""

_BELOW = 0.85
"""Of V_IL: how far below it samples support what is said at V_IL itself."""

_LEVELS = 40
_WIDTHS = (2.0, 3.0, 5.0, 10.0, 30.0)
"""How many times faster than at its slowest the node may be at the ends of what is fitted."""

_DEGREES = (2, 3, 4, 5)
_GRID = 500
_COMPARED = 2
_UNTOLD = 0.01  # of the pace: no closer were passages made by an independent integrator told
_TOLD = 0.3
_SHAPE = 1e-4
"""Of the voltage: a misfit below this does not matter."""


def read_passage(trace: Trace, edge: Edge, meter: MeterModel, v_il: float) -> Passage:
    """Read the passage of a node that was released and fell below V_IL (volt)."""
    samples = screened(trace, meter)
    if samples.problem:
        return Passage(reason=samples.problem)
    clean = without_hum(samples, meter)
    above = np.nonzero(clean[edge.after :] > v_il)[0]
    if not above.size:
        return Passage(reason="the node is below V_IL at the first sample after the release", too_fast=True)
    last = edge.after + int(above[-1]) + 1
    low = np.nonzero(clean[last:] <= _BELOW * v_il)[0]
    # A node that rests just below V_IL would go on for ever: it says nothing more of the passage.
    end = last + min(int(low[0]) + 1 if low.size else clean.size - last, max(3, above.size // 8))
    time_s, volts = samples.time_s[edge.after : end], clean[edge.after : end]
    finest_s = resolution_s(samples.interval_s, meter)
    known = Passage(
        from_v=float(volts[0]), length_s=float(time_s[above.size] - time_s[0]) if above.size < time_s.size else None
    )
    known = replace(known, samples=int(above.size))
    if volts.size < FEWEST:
        taken = f"{above.size} sample{'s' if above.size > 1 else ''}"
        return replace(known, reason=f"the node passes to V_IL within {taken}, {FEWEST} are needed", too_fast=True)
    sigma_v = max(noise_scale(clean[end:]) or noise_scale(clean), samples.step_v / math.sqrt(12.0), 1e-7)
    return _slowest(known, time_s, volts, v_il, sigma_v, finest_s)


def _slowest(
    known: Passage, time_s: FloatArray, volts: FloatArray, v_il: float, sigma_v: float, finest_s: float
) -> Passage:
    levels, paces = _rough(time_s, volts, v_il) if volts[0] > v_il else (np.empty(0), np.empty(0))
    if levels.size < 4:
        return replace(known, reason="the node does not fall between the press level and V_IL")
    top = float(np.median(paces[: max(3, levels.size // 8)]))
    found: list[_Slowest] = []
    reason, size = f"fewer than {FEWEST} samples around the slowest place", 0
    for width in _WIDTHS:
        chosen = _around(volts, levels, paces, width)
        if int(chosen.sum()) < FEWEST or int(chosen.sum()) == size:
            continue
        size = int(chosen.sum())
        one = _fitted(time_s[chosen], volts[chosen], v_il, sigma_v)
        if isinstance(one, str):
            reason = one if not found else reason
            continue
        found.append(one)
        if len(found) == _COMPARED:
            break
    if not found:
        coarse = _between_samples(time_s, volts, v_il, sigma_v)
        if coarse is None:
            return replace(known, reason=reason)
        found = [coarse]
    best = found[0]
    # How the pace runs between the samples is not known: what another stretch or degree says is as good.
    apart = max([abs(other.pace - best.pace) for other in found[1:]] + [best.apart])
    if best.pace * finest_s > _TOLD:
        return replace(known, reason=f"the slowest pace, {best.pace:.3g} a second, is as fast as the bench can tell")
    return replace(
        known,
        slowest=Value(best.pace, math.hypot(best.u, apart, _UNTOLD * best.pace)),
        at_v=best.at_v,
        per_volt=best.per_volt,
        slowdown=min(best.pace / top, 1.0) if top > 0.0 else None,
    )


def _rough(time_s: FloatArray, volts: FloatArray, v_il: float) -> tuple[FloatArray, FloatArray]:
    """Steps in ln V from the first sample down to V_IL: their middle (volt) and how fast each was passed (1/s)."""
    levels = np.geomspace(float(volts[0]) * 0.999, v_il, _LEVELS)
    times = []
    for level in levels:
        index = int(np.nonzero(volts > level)[0][-1]) if np.any(volts > level) else 0
        if index + 1 >= volts.size:
            return np.empty(0), np.empty(0)
        part = (volts[index] - level) / (volts[index] - volts[index + 1])
        times.append(float(time_s[index] + part * (time_s[index + 1] - time_s[index])))
    # Noise may let one level be passed after the next.
    spent = np.maximum(np.diff(np.maximum.accumulate(np.array(times))), 1e-12)
    steps = np.diff(np.log(levels))
    return np.sqrt(levels[1:] * levels[:-1]), np.asarray(-steps / spent)


def _around(
    volts: FloatArray, levels: FloatArray, paces: FloatArray, width: float
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """The samples, in one stretch, where the node is no more than `width` times as fast as at its slowest."""
    smooth = np.convolve(np.pad(paces, 1, mode="edge"), np.ones(3) / 3.0, mode="valid")
    at = int(np.argmin(smooth))
    slow = smooth <= width * smooth[at]
    first = at - int(np.argmin(slow[at::-1])) + 1 if not slow[: at + 1].all() else 0
    last = at + int(np.argmin(slow[at:])) - 1 if not slow[at:].all() else levels.size - 1
    high_v = math.inf if first == 0 else float(levels[first])
    low_v = 0.0 if last == levels.size - 1 else float(levels[last])
    inside = np.nonzero((volts <= high_v) & (volts >= low_v))[0]
    chosen = np.zeros(volts.size, dtype=np.bool_)
    if inside.size:
        chosen[inside[0] : inside[-1] + 1] = True
    return chosen


@dataclass(frozen=True)
class _Slowest:
    """The slowest pace (1/s) with what noise does to it, where, its slope at V_IL, and what one degree more changes."""

    pace: float
    u: float
    at_v: float
    per_volt: float
    apart: float


def _between_samples(time_s: FloatArray, volts: FloatArray, v_il: float, sigma_v: float) -> _Slowest | None:
    """The slowest pace from one sample to the next, where there are too few for a curve; None with fewer than six,
    or where noise takes one of them below 0 V.

    It is a mean over the interval and thereby too fast, by a quarter of what its neighbours are faster at most.
    """
    above = int(np.nonzero(volts > v_il)[0][-1]) + 2 if np.any(volts > v_il) else 0
    logs, spent = np.log(np.maximum(volts[:above], 1e-9)), np.diff(time_s[:above])
    if logs.size < FEWEST + 1 or volts[:above].min() <= 0.0:
        return None
    paces = -np.diff(logs) / spent
    at = int(np.argmin(paces[1:-1])) + 1
    off = 0.25 * float(max(paces[at - 1], paces[at + 1]) - paces[at])
    u = math.sqrt(2.0) * sigma_v / float(volts[at]) / float(spent[at])
    return _Slowest(float(paces[at]), u, float(math.sqrt(volts[at] * volts[at + 1])), 0.0, max(off, 0.0))


def _fitted(time_s: FloatArray, volts: FloatArray, v_il: float, sigma_v: float) -> _Slowest | str:
    """The least pace at or above V_IL within these samples, or why it is not determined."""
    if volts.min() <= 0.0:
        return "the samples scatter down to 0 V"
    model = _Passing(float(volts.max()), float(volts.min()))
    since = time_s - time_s[0]
    start = model.guess(since, volts)
    excess = math.inf
    for degree in _DEGREES:
        if since.size < degree + 4:
            break
        start = np.concatenate((start[:-1], np.zeros(degree + 2 - start.size), start[-1:]))
        fit = fit_model(model.volts, since, volts, start)
        start = fit.parameters
        residuals = volts - model.volts(since, fit.parameters)
        factor = correlation_factor(residuals, fit.parameters.size)
        excess, holds = misfit(residuals, Noise(sigma_v, factor, since.size / factor), _SHAPE * v_il)
        if holds and bool(np.all(np.isfinite(fit.deviations))):
            return _with_next(model, since, volts, v_il, fit, sigma_v * math.sqrt(factor))
    return f"the passage has no smooth shape (misfit {excess:.2g})"


def _with_next(
    model: _Passing, since: FloatArray, volts: FloatArray, v_il: float, fit: ModelFit, noise_v: float
) -> _Slowest:
    pace, at_v = model.slowest(fit.parameters, v_il)
    seen_v = math.sqrt(fit.residual_sum / max(fit.dof, 1))
    gradient = model.gradient(fit.parameters, v_il)
    u = math.sqrt(max(float(gradient @ fit.covariance @ gradient), 0.0))
    # Few samples may happen to lie closer to the curve than their noise.
    u *= max(noise_v / seen_v, 1.0) if seen_v > 0.0 else 1.0
    apart = 0.0
    if since.size >= fit.parameters.size + 3:
        start = np.concatenate((fit.parameters[:-1], [0.0], fit.parameters[-1:]))
        more = model.slowest(fit_model(model.volts, since, volts, start).parameters, v_il)[0]
        apart = abs(more - pace) if math.isfinite(more) else 0.0
    per_volt = model.slope(fit.parameters, v_il) if at_v <= v_il * (1.0 + 1e-6) else 0.0
    return _Slowest(pace, u, at_v, per_volt, apart)


@dataclass(frozen=True)
class _Passing:
    """Volts over time of a node whose pace is exp(polynomial of ln V).

    Parameters: coefficients (Chebyshev) from the constant on, in z = 2 (ln V − ln low)/(ln high − ln low) − 1, then
    ln(V at time 0 / high).
    """

    high_v: float
    low_v: float

    @cached_property
    def _logs(self) -> FloatArray:
        """ln V, falling, with room at both ends, shape (n,)."""
        high, low = math.log(self.high_v), math.log(self.low_v)
        room = 0.15 * (high - low) + 1e-6
        return np.linspace(high + room, low - room, _GRID)

    @cached_property
    def _basis(self) -> FloatArray:
        """The polynomials on that grid, shape (n, most coefficients)."""
        return self._polynomials(self._logs)

    def _polynomials(self, logs: FloatArray) -> FloatArray:
        high, low = math.log(self.high_v), math.log(self.low_v)
        z = 2.0 * (logs - low) / (high - low) - 1.0
        return np.asarray(np.polynomial.chebyshev.chebvander(z, _DEGREES[-1] + 1), dtype=np.float64)

    def _pace(self, basis: FloatArray, coefficients: FloatArray) -> FloatArray:
        return np.asarray(np.exp(np.clip(basis[:, : coefficients.size] @ coefficients, -80.0, 80.0)))

    def volts(self, since: FloatArray, parameters: FloatArray) -> FloatArray:
        logs = self._logs
        slowness = 1.0 / self._pace(self._basis, parameters[:-1])
        passed = np.empty_like(logs)
        passed[0] = 0.0
        np.cumsum(0.5 * (slowness[1:] + slowness[:-1]) * (logs[0] - logs[1]), out=passed[1:])
        begun = np.interp(-(math.log(self.high_v) + parameters[-1]), -logs, passed)
        return np.asarray(np.exp(np.interp(since + begun, passed, logs)))

    def guess(self, since: FloatArray, volts: FloatArray) -> FloatArray:
        """A parabola through the pace between a few samples that lie apart."""
        apart = np.unique(np.round(np.linspace(0, since.size - 1, min(since.size, 12))).astype(int))
        logs = np.log(np.maximum(volts[apart], 1e-9))
        pace = np.maximum(-np.diff(logs) / np.diff(since[apart]), 1e-3 * abs(logs[0] - logs[-1]) / since[-1])
        high, low = math.log(self.high_v), math.log(self.low_v)
        z = (logs[1:] + logs[:-1] - 2.0 * low) / (high - low) - 1.0
        coefficients = np.polynomial.chebyshev.chebfit(z, np.log(pace), _DEGREES[0])
        return np.append(coefficients, math.log(volts[0] / self.high_v))

    def slowest(self, parameters: FloatArray, v_il: float) -> tuple[float, float]:
        logs = np.linspace(math.log(max(self.low_v, v_il)), math.log(self.high_v), _GRID)
        pace = self._pace(self._polynomials(logs), parameters[:-1])
        at = int(np.argmin(pace))
        return float(pace[at]), float(math.exp(logs[at]))

    def slope(self, parameters: FloatArray, at_v: float) -> float:
        """Of the pace by the voltage, in 1/s a volt."""
        logs = np.log(np.array([at_v, at_v * 1.001]))
        here, there = self._pace(self._polynomials(logs), parameters[:-1])
        return float((there - here) / (at_v * 0.001))

    def gradient(self, parameters: FloatArray, v_il: float) -> FloatArray:
        """Of the slowest pace by the parameters, shape (p,): at the place where it is."""
        pace, at_v = self.slowest(parameters, v_il)
        at = self._polynomials(np.array([math.log(at_v)]))
        slopes = []
        for index in range(parameters.size):
            moved = parameters.copy()
            moved[index] += 1e-6
            slopes.append((float(self._pace(at, moved[:-1])[0]) - pace) / 1e-6 if index < parameters.size - 1 else 0.0)
        return np.array(slopes)
