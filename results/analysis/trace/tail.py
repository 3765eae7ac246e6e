"""One exponential on top of a level and hum, fitted by variable projection; and whether its residuals are noise."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from results.analysis.trace.hum import HumTerms
from results.analysis.trace.noise import correlation_factor
from results.analysis.uncertainty.least_squares import descend, unit_covariance

FloatArray = NDArray[np.float64]

_GRID = 25
_DOUBT = 0.9995  # of chi-square: beyond this the residuals are no noise
_ROUND_OFF = 4e-16
_DESCENT = 3  # steps: from the search the second is at the floor already
_NEAR = 0.1  # of ln τ
_LAST = 700.0  # exponent before a number overflows


@dataclass(frozen=True)
class Noise:
    """Noise as told from a stretch at rest: standard deviation `sigma_v`, `factor` by which its correlation raises the
    variance of a mean, and `worth`: of how many independent samples it was told."""

    sigma_v: float
    factor: float
    worth: float


@dataclass(frozen=True)
class TailFit:
    """V(t) = level + amplitude·exp(−(t − t[0])/τ) + hum, fitted to a stretch of shape (n,).

    Standard uncertainties carry the correlation of the noise (`factor`: of the variance of a mean). `gain`: by how much
    the exponential lowers the misfit, in variances of the noise. `tau_s` is None where the fit has no exponential.
    `hum_v`, shape (n,): the hum part. `clear`: τ lies inside its bounds.
    """

    level_v: float
    level_u_v: float
    amplitude_v: float
    tau_s: float | None
    tau_u_s: float | None
    residuals_v: FloatArray
    hum_v: FloatArray
    hum_amplitude_v: float
    noise_v: float
    factor: float
    gain: float
    clear: bool

    def at(self, since_s: float) -> float:
        """The voltage without hum at a time since the first sample of the stretch."""
        if self.tau_s is None:
            return self.level_v
        return self.level_v + self.amplitude_v * math.exp(-since_s / self.tau_s)


def fit_level(time_s: FloatArray, voltage_v: FloatArray, hum: HumTerms) -> TailFit:
    """Level and hum only."""
    design = np.column_stack([np.ones(time_s.size), hum.columns(time_s)])
    return _solved(time_s, voltage_v, design, None, 0.0)


def fit_tail(time_s: FloatArray, voltage_v: FloatArray, hum: HumTerms, interval_s: float) -> TailFit:
    """Level, hum and one exponential. τ from a quarter of an interval to five lengths; linear parts solved exactly.

    Voltages and times are scaled to order one first.
    """
    since = time_s - time_s[0]
    length = float(since[-1])
    base = np.column_stack([np.ones(time_s.size), hum.columns(time_s)])
    orthonormal = np.linalg.qr(base)[0]
    shift, scale = float(voltage_v[-1]), max(float(np.ptp(voltage_v)), 1e-12)
    target = (voltage_v - shift) / scale
    target = target - orthonormal @ (orthonormal.T @ target)
    total = float(target @ target)

    def left(log_taus: FloatArray) -> FloatArray:
        shapes = np.exp(-since[:, None] / np.exp(log_taus)[None, :])
        sizes = np.sum(shapes * shapes, axis=0)
        shapes = shapes - orthonormal @ (orthonormal.T @ shapes)
        norms = np.sum(shapes * shapes, axis=0)
        norms = np.where(norms > 1e-10 * sizes, norms, np.inf)
        return np.asarray(total - (shapes.T @ target) ** 2 / norms)

    low, high = math.log(0.25 * interval_s), math.log(5.0 * length)
    grid = np.linspace(low, high, _GRID)
    at = int(np.argmin(left(grid)))
    log_tau = _minimum(left, float(grid[max(at - 1, 0)]), float(grid[min(at + 1, _GRID - 1)]))
    tau = _polished(math.exp(log_tau), since, base, voltage_v - shift)
    shape = np.exp(-since / tau)
    return _solved(time_s, voltage_v, np.column_stack([base, shape]), tau, float(total * scale**2))


def _polished(tau: float, since: FloatArray, base: FloatArray, volts: FloatArray) -> float:
    """The descent that certified data check, from where the search has come to. In ln τ, so that τ stays positive."""

    def local(parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        pace = math.exp(min(max(-float(parameters[-1]), -_LAST), _LAST))
        shape = np.exp(-since * pace)
        design = np.column_stack([base, shape])
        slope = float(parameters[-2]) * pace * since * shape
        return design @ parameters[:-1], np.column_stack([design, slope])

    linear = np.linalg.lstsq(np.column_stack([base, np.exp(-since / tau)]), volts, rcond=None)[0]
    if linear[-1] == 0.0:
        return tau
    start = np.append(linear, math.log(tau))
    found = descend(local, volts, start, rounds=_DESCENT)[0]
    # The search is finer than that: further off there is no valley to go down into.
    return math.exp(float(found[-1])) if abs(float(found[-1] - start[-1])) < _NEAR else tau


def _minimum(left: Callable[[FloatArray], FloatArray], low: float, high: float) -> float:
    """The interval around the lowest of seven places, a third as wide each time."""
    for _ in range(6):
        places = np.linspace(low, high, 7)
        at = int(np.argmin(left(places)))
        low, high = float(places[max(at - 1, 0)]), float(places[min(at + 1, 6)])
    return 0.5 * (low + high)


def _solved(
    time_s: FloatArray, voltage_v: FloatArray, design: FloatArray, tau: float | None, plain_sum: float
) -> TailFit:
    """The linear parts, and the covariance of all parameters including ln τ."""
    shift = float(voltage_v.mean())
    solution = np.linalg.lstsq(design, voltage_v - shift, rcond=None)[0]
    residuals = voltage_v - shift - design @ solution
    full = design
    amplitude = 0.0
    if tau is not None:
        amplitude = float(solution[-1])
        slope = (time_s - time_s[0]) / tau * design[:, -1]
        full = np.column_stack([design, amplitude * slope if amplitude else slope])
    pairs = design.shape[1] - 1 - (tau is not None)
    slow = full.shape[1] - pairs
    left = float(residuals @ residuals)
    factor = correlation_factor(residuals, slow)
    # A level or a decay takes up as much of the noise as one independent sample holds.
    dof = max(time_s.size - pairs - slow * factor, 0.2 * time_s.size, 1.0)
    noise = math.sqrt(left / dof)
    covariance = unit_covariance(full)
    # With few independent samples a standard deviation is itself uncertain: JCGM 101:2008, 6.4.9.2.
    worth = max(dof / factor, 3.5)
    spread = noise * math.sqrt(factor * worth / (worth - 2.0))
    hum_parts = solution[1 : 1 + pairs]
    gain = 0.0
    if tau is not None and plain_sum > 0.0:
        floor = (_ROUND_OFF * max(abs(shift), 1e-3)) ** 2
        gain = max(plain_sum - left, 0.0) / max(noise**2 * factor, floor)
    return TailFit(
        level_v=shift + float(solution[0]),
        level_u_v=spread * math.sqrt(float(covariance[0, 0])),
        amplitude_v=amplitude,
        tau_s=tau,
        tau_u_s=None if tau is None else spread * math.sqrt(float(covariance[-1, -1])) * tau,
        residuals_v=residuals,
        hum_v=design[:, 1 : 1 + pairs] @ hum_parts,
        hum_amplitude_v=float(np.hypot(hum_parts[0], hum_parts[1])) if pairs else 0.0,
        noise_v=noise,
        factor=factor,
        gain=gain,
        clear=tau is not None and tau < 4.0 * float(time_s[-1] - time_s[0]),
    )


def misfit(residuals_v: FloatArray, noise: Noise, allowed_v: float = 0.0) -> tuple[float, bool]:
    """Reduced chi-square of residuals in blocks, and whether they are no more than noise.

    Blocks grow from one sample, because a wrong shape shows first and a small one only in the mean over many. The mean
    of a block of m samples has variance σ²·min(factor, m)/m, and `allowed_v` on top for what is no noise but too small
    to matter. Noise told from few samples is uncertain itself (variance: √(2/worth)), which widens the limit.
    """
    from scipy.stats import chi2

    count = residuals_v.size
    ends = np.unique(np.round(np.geomspace(1.0, count + 1.0, 26)).astype(int)) - 1
    sums = np.add.reduceat(residuals_v, ends[:-1])
    sizes = np.diff(ends)
    variance = noise.sigma_v**2 * np.minimum(noise.factor, sizes) / sizes + allowed_v**2
    floor = (1e-12 + 1e-9 * float(np.max(np.abs(residuals_v)))) ** 2
    value = float(np.sum((sums / sizes) ** 2 / np.maximum(variance, floor)))
    dof = max(sizes.size - 3, 1)
    limit = float(chi2.ppf(_DOUBT, dof)) * (1.0 + 6.0 * math.sqrt(1.0 / max(noise.worth, 2.0)))
    return value / dof, value <= limit
