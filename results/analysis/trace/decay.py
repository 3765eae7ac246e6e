"""The time constant of what follows the release, and whether one exponential describes it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from results.analysis.findings import Decay, Edge
from results.analysis.trace.hum import HumTerms
from results.analysis.trace.settled import Settling
from results.analysis.trace.tail import Noise, TailFit, fit_tail, misfit
from results.record.run_record import MeterModel

FloatArray = NDArray[np.float64]

_FEWEST = 8
IMPERFECT = 5e-4  # of the step: a deviation from one exponential below this does not matter
_LATER = ((1.0, 1.0), (2.0, 4.0))  # time constants after the edge, and variances that are put down to chance
_SEEN_LATER = 100.0  # variances: a decay that is less clear there says nothing about its time constant
_HUM_LEFT = 0.01  # of the hum: harmonics that are not carried
_WORST_U = 0.3  # relative: a time constant less certain than this is none
_COVERED = 1.0  # time constants that the samples must span
_SHAPE = 4  # samples on the move: fewer show no shape
_CLEAR = 8.0  # noise deviations by which the node must move


def resolution_s(interval_s: float, meter: MeterModel) -> float:
    """The shortest time constant that can be told: the largest of sample interval, aperture and step response."""
    return max(interval_s, meter.aperture_s, meter.step_s)


def fit_decay(
    time_s: FloatArray,
    voltage_v: FloatArray,
    edge: Edge,
    *,
    meter: MeterModel,
    interval_s: float,
    settling: Settling,
) -> tuple[Decay, TailFit | None]:
    """Fit V = V_inf + A·exp(−t/τ) (and hum) to the samples of the free node, shape (n,), from the edge on.

    Hum and noise are those of where the node has come to rest. Returns the fit, too, where it holds:
    one exponential that describes all of the movement.
    """
    hum, noise = settling.hum, settling.noise
    finest = resolution_s(interval_s, meter)
    if time_s.size < _FEWEST + 2 * len(hum.orders):
        return Decay(None, reason=f"{time_s.size} samples after the release are too few for a time constant"), None
    step = abs(float(np.median(voltage_v[-max(3, time_s.size // 5) :])) - edge.held_v)
    if step < _CLEAR * noise.sigma_v and step * math.sqrt(time_s.size) < 5.0 * _CLEAR * noise.sigma_v:
        return Decay(
            None, reason=f"the node moved by {step:.3g} V only, within the noise of {noise.sigma_v:.2g} V"
        ), None
    fit = fit_tail(time_s, voltage_v, hum, interval_s)
    tau = fit.tau_s or 0.0
    swing = abs(fit.amplitude_v)
    seen = _moves_after_first(fit, noise, step)
    if (seen and tau <= finest) or (not seen and _over_at_once(settling.without_hum(time_s, voltage_v), edge, noise)):
        return Decay(finest, is_upper_bound=True), None
    if not seen:
        return Decay(None, reason="the movement is too small or too short for a time constant"), None
    allowed = max(IMPERFECT * min(swing, 2.0 * step), _HUM_LEFT * fit.hum_amplitude_v)
    chi = misfit(fit.residuals_v, noise)[0]
    excess, single = misfit(fit.residuals_v, noise, allowed)
    model_u_s = _model_u(time_s, voltage_v, fit, hum, interval_s)
    if not single:
        lasting = np.nonzero(np.abs(voltage_v - voltage_v[-1]) > max(8.0 * noise.sigma_v, 0.003 * step))[0]
        if not lasting.size or lasting[-1] < _SHAPE:
            return Decay(
                None, reason=f"the movement is over within {_SHAPE} samples: too few for a time constant"
            ), None
        # What the wrong shape does to the value is as large as the misfit says.
        u_s = math.hypot((fit.tau_u_s or 0.0) * math.sqrt(max(excess, 1.0)), model_u_s)
        return replace(_several(fit, u_s, chi, finest), u_model_s=model_u_s, dof=_freedom(fit)), None
    u_s = math.hypot(fit.tau_u_s or math.inf, model_u_s)
    length = float(time_s[-1] - time_s[0])
    if not fit.clear or length < _COVERED * tau or not math.isfinite(u_s) or u_s > _WORST_U * tau:
        reason = f"the log of {length:.3g} s after the release is too short or too noisy for the time constant"
        return Decay(None, reduced_chi_square=chi, reason=reason), None
    return Decay(tau, u_s, reduced_chi_square=chi, u_model_s=model_u_s, dof=_freedom(fit)), fit


def _freedom(fit: TailFit) -> float:
    """Of the noise that the fit left: independent samples less level, amplitude and time constant, at least one."""
    return max(fit.residuals_v.size / fit.factor - 3.0, 1.0)


def _moves_after_first(fit: TailFit, noise: Noise, step_v: float) -> bool:
    """Is there a decay in the samples at all, or is it over before the first of them?"""
    return fit.gain > 25.0 and abs(fit.amplitude_v) > max(3.0 * noise.sigma_v * min(noise.factor, 3.0), 1e-3 * step_v)


def _over_at_once(clean_v: FloatArray, edge: Edge, noise: Noise) -> bool:
    """Has the node done its way, all but exp(−1) of it, by the second sample? Else it is no fast decay."""
    rest = float(np.median(clean_v[-max(3, clean_v.size // 5) :]))
    to_go = abs(float(clean_v[1]) - rest)
    return to_go <= 0.37 * abs(edge.held_v - rest) + 2.0 * noise.sigma_v


def _model_u(time_s: FloatArray, voltage_v: FloatArray, whole: TailFit, hum: HumTerms, interval_s: float) -> float:
    """By how much the time constant changes on the way down: of a current that is not linear it does.

    The fit from one and from two time constants on, against the whole: what their difference is beyond its own
    uncertainty, of the larger. Of two fits, one within the other's samples, the variance of the difference is the
    difference of the variances (Hausman 1978, from memory).
    """
    tau, worst = whole.tau_s or 0.0, 0.0
    for since, chance in _LATER:
        first = round(since * tau / interval_s)
        if first < 1 or time_s.size - first < _FEWEST + 2 * len(hum.orders):
            continue
        late = fit_tail(time_s[first:], voltage_v[first:], hum, interval_s)
        if late.clear and late.tau_s is not None and late.gain > _SEEN_LATER:
            variance = max((late.tau_u_s or 0.0) ** 2 - (whole.tau_u_s or 0.0) ** 2, 0.0)
            worst = max(worst, (late.tau_s - tau) ** 2 - chance * variance)
    return math.sqrt(worst)


def _several(fit: TailFit, u_s: float, chi: float, finest: float) -> Decay:
    """The best single exponential of a movement that is none: its time constant is a description, not a fact."""
    tau = fit.tau_s or 0.0
    if tau < finest or not fit.clear:
        return Decay(None, one_exponential=False, reduced_chi_square=chi, reason="the movement is no exponential")
    return Decay(tau, u_s, one_exponential=False, reduced_chi_square=chi)
