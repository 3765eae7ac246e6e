"""How noisy a stretch of samples is: scale, correlation, and the step of the converter."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_QUANTILE_40 = 0.5244  # of the absolute value of a standard normal deviate
_FEWEST_LEVELS = 5
LAGS = (1, 4, 16)
"""Of the second differences that tell noise, in samples."""


def autocorrelation(residuals: FloatArray) -> FloatArray:
    """Sample autocorrelation coefficients of residuals about their mean, from lag 0 on, shape (n,); 0 for a constant.

    NIST e-Handbook 1.3.5.12, by the Fourier transform.
    """
    rest = residuals - residuals.mean()
    total = float(rest @ rest)
    if total <= 0.0:
        return np.zeros(residuals.size)
    size = 1 << (2 * residuals.size - 1).bit_length()
    spectrum = np.abs(np.fft.rfft(rest, size)) ** 2
    return np.asarray(np.fft.irfft(spectrum, size)[: residuals.size] / total)


def correlation_factor(residuals: FloatArray, fitted: int = 1, *, cautious: bool = True) -> float:
    """By how much correlation raises the variance of a mean: 1 + 2·Σρ(k), never below 1.

    The larger of two estimates, as each alone falls short on some kind of noise: the integrated autocorrelation time
    with an automatic window of five times itself (Sokal 1997), and a first-order autoregression whose coefficient is
    raised by (fitted + 3ρ)/n, the bias that a finite length and the fitted parameters give it (Kendall 1954).
    `cautious` raises the coefficient by its standard error √((1 − ρ²)/n) too, so that an uncertainty rests rather on
    too much than on too little. Sources from memory.
    """
    count = residuals.size
    if count < 8:
        return 1.0
    rho = autocorrelation(residuals)[: count // 2]
    if rho[0] == 0.0:
        return 1.0
    sums = 1.0 + 2.0 * np.cumsum(rho[1:])
    lags = np.arange(1, sums.size + 1)
    closed = np.nonzero(lags >= 5.0 * np.maximum(sums, 0.2))[0]
    integrated = float(sums[closed[0]] if closed.size else sums[-1])
    first = float(rho[1])
    raised = first + (fitted + 3.0 * first) / count
    if cautious:
        raised += math.sqrt(max(1.0 - raised**2, 0.0) / count)
    raised = min(raised, 1.0 - 1.0 / count)
    if raised > 0.0:
        integrated = max(integrated, (1.0 + raised) / (1.0 - raised))
    return float(min(max(integrated, 1.0), count / 2.0))


def noise_scale(values: FloatArray, lags: tuple[int, ...] = LAGS) -> float:
    """Standard deviation of the noise on a signal that moves, robust against edges and slopes.

    From second differences, whose variance is 6σ², at a few lags (neighbouring samples of correlated noise differ by
    less than the noise is): the largest. Of each their 40 % quantile, so that half of the samples may move.
    """
    scales = [0.0]
    for lag in lags:
        if values.size > 30 * lag:
            bent = np.abs(values[2 * lag :] - 2.0 * values[lag:-lag] + values[: -2 * lag])
            scales.append(float(np.quantile(bent, 0.4)) / _QUANTILE_40 / math.sqrt(6.0))
    return max(scales)


def quantum(values: FloatArray) -> float:
    """The step in which the values come, in their unit; 0 where they come in no step."""
    levels = np.unique(values)
    if levels.size < _FEWEST_LEVELS:
        return _decimal_step(levels)
    steps = np.diff(levels)
    span = float(levels[-1] - levels[0])
    steps = steps[steps > 1e-9 * max(span, float(np.max(np.abs(levels))))]
    if steps.size == 0:
        return 0.0
    step = float(steps.min())
    off = np.abs(steps / step - np.round(steps / step))
    return step if float(off.max()) < 0.05 else 0.0


def _decimal_step(levels: FloatArray) -> float:
    """Too few levels to compare: the decimal place to which they are written; 0 for none of six."""
    for places in range(7):
        if float(np.max(np.abs(levels - np.round(levels, places)))) < 1e-9:
            return float(10.0**-places)
    return 0.0


def quantisation_u(values: FloatArray, step: float) -> float:
    """Standard uncertainty that a converter's step leaves on the mean of a stretch, same unit.

    Without dither the mean lies anywhere within the step: step/√12 (JCGM 100:2008, F.2.2.1). Noise of standard
    deviation σ acts as dither and lowers it by exp(−2π²σ²/step²) (Widrow). σ can only be told with three levels in use.
    """
    if step <= 0.0:
        return 0.0
    codes = np.unique(np.round(values / step), return_counts=True)[1]
    bare = step / math.sqrt(12.0)
    if int(np.count_nonzero(codes > 0.02 * values.size)) < 3:
        return bare
    variance = max(float(np.var(values)) - step**2 / 12.0, 0.0)
    return bare * math.exp(-2.0 * math.pi**2 * variance / step**2)
