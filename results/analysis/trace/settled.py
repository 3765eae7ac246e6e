"""The voltage at which the node comes to rest, with its standard uncertainty; or that it is still moving."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from results.analysis.ends import ground_of
from results.analysis.findings import Settled, Value
from results.analysis.looking_glass import as_seen, moved_as_seen
from results.analysis.trace.hum import Hum, HumTerms, aliased_to_steady, find_hum
from results.analysis.trace.noise import quantisation_u
from results.analysis.trace.samples import LINE_HZ
from results.analysis.trace.tail import Noise, TailFit, fit_level, fit_tail, misfit
from results.record.run_record import MeterModel

FloatArray = NDArray[np.float64]

FEWEST = 8
"""Samples of the free node: with fewer nothing is said about its rest."""

_STARTS = (0.0, 0.03, 0.08, 0.16, 0.28, 0.4, 0.5, 0.6)
_AFTER_DECAY = 0.4  # what follows this part of the samples is searched for hum
_PERIODS = 3.0
_REFERENCE = 0.6  # what follows this part of the free node's samples tells the noise
_SEEN = 9.0  # variances: an exponential that lowers the misfit by less is not there
_COVERED = 4.0  # time constants that a stretch must cover before its end may be extrapolated
_EXTRAPOLATED_U_V = 0.005
_TOO_NOISY = 0.02  # of the rail: standard uncertainty of a number that is none
_HUM_SEEN = 0.3  # of the noise: less than that is taken out all the same, but not called hum
_STILL = 1e-4  # of the rail: movement below this is rest


@dataclass(frozen=True)
class Settling:
    """What the free node comes to.

    `settled` is None where it has not come to rest, with the `reason`. `last_v`: where it is at the end. `fit` is what
    the window was read with, `hum` its hum terms, `noise` that of the last part.
    """

    settled: Settled | None
    last_v: Value
    moving: bool
    fit: TailFit
    hum: HumTerms
    noise: Noise
    reason: str = ""
    notes: tuple[str, ...] = ()

    def without_hum(self, time_s: FloatArray, voltage_v: FloatArray) -> FloatArray:
        """The samples of the free node, shape (n,), less the hum of the window carried back to the edge."""
        if not self.hum.orders or self.hum.forced:
            return voltage_v
        design = self.hum.columns(time_s)
        window = self.fit.hum_v[-time_s.size :]
        if window.size < design.shape[1] or not np.any(window):
            return voltage_v
        return voltage_v - design @ np.linalg.lstsq(design[-window.size :], window, rcond=None)[0]


def accuracy_u(level_v: float, meter: MeterModel) -> float:
    """Standard uncertainty from the meter's accuracy limits, rectangular: a/√3 (JCGM 100:2008, 4.3.7)."""
    read_v = level_v - ground_of(meter).value
    return (abs(read_v) * meter.accuracy_reading + meter.accuracy_v) / math.sqrt(3.0)


def settle(
    time_s: FloatArray,
    voltage_v: FloatArray,
    *,
    meter: MeterModel,
    interval_s: float,
    rail_v: float,
    step_v: float = 0.0,
    known_hum: Hum | None = None,
    unseen_hum_v: float = 0.0,
) -> Settling:
    """Read the rest point from the samples of the free node, shape (n,), n >= 8, in seconds and volts.

    The window begins where level + hum + one exponential leave nothing but noise; the noise is told from the last part.
    The level of that fit is the settled voltage: a tail still within the noise is in the fit, not in the result.
    `unseen_hum_v`: amplitude of hum that samples too few to show it may hold.
    """
    lines = LINE_HZ if meter.line_hz is None else (meter.line_hz,)
    hum = _hum_of(time_s, voltage_v, interval_s, lines, known_hum)
    reference = _best(time_s, voltage_v, min(int(_REFERENCE * time_s.size), time_s.size - FEWEST), hum, interval_s)
    noise = Noise(reference.noise_v, reference.factor, reference.residuals_v.size / reference.factor)
    start = _start(time_s, voltage_v, hum, interval_s, noise)
    fit = _best(time_s, voltage_v, start, hum, interval_s)
    length = float(time_s[-1] - time_s[start])
    # At an unknown phase: arcsine, JCGM 100:2008, 4.4.5 and F.2.3.3.
    unseen = _steady_hum_u(fit, hum, interval_s, length) if hum.orders else unseen_hum_v / math.sqrt(2.0)
    other = _Other(quantisation_u(voltage_v[start:], step_v), unseen)
    settled = _window(time_s[start:], fit, hum, meter, other)
    last = _last(time_s.size - start, length, fit, meter, other)
    return _judged(settled, last, length, Settling(None, last, True, fit, hum, noise), rail_v)


def _hum_of(
    time_s: FloatArray, voltage_v: FloatArray, interval_s: float, lines: tuple[float, ...], known: Hum | None
) -> HumTerms:
    """Hum in the later part; where the node still decays there, a second time without the decay."""
    late = min(int(_AFTER_DECAY * time_s.size), time_s.size - FEWEST)
    if known is None and (time_s[-1] - time_s[late]) * min(lines) < _PERIODS:
        late = late // 4  # a longer stretch shows hum better than one without any decay
    time, volts = time_s[late:], voltage_v[late:]
    hum = find_hum(time, volts, interval_s, lines, known)
    fit = _best(time, volts, 0, hum, interval_s)
    if fit.tau_s is None:
        return hum
    tail = fit.amplitude_v * np.exp(-(time - time[0]) / fit.tau_s)
    return find_hum(time, volts - tail, interval_s, lines, known)


def _best(time_s: FloatArray, voltage_v: FloatArray, start: int, hum: HumTerms, interval_s: float) -> TailFit:
    """With an exponential where one stands out, else without."""
    time, volts = time_s[start:], voltage_v[start:]
    if time.size >= FEWEST + 2 * len(hum.orders):
        fitted = fit_tail(time, volts, hum, interval_s)
        if fitted.gain > _enough(time.size / fitted.factor):
            return fitted
    if time.size <= 2 + 2 * len(hum.orders):
        hum = HumTerms()
    return fit_level(time, volts, hum)


def _enough(worth: float) -> float:
    """The gain that shows an exponential, where the noise was told from `worth` independent samples.

    _SEEN for many; for few as much more as the F distribution with 2 and `worth` − 4 degrees of freedom asks for at the
    same probability: its quantile at p is ν/2·((1 − p)^(−2/ν) − 1).
    """
    freedom = max(worth - 4.0, 1.0)
    return freedom * math.expm1(_SEEN / freedom)


def _start(time_s: FloatArray, voltage_v: FloatArray, hum: HumTerms, interval_s: float, noise: Noise) -> int:
    """The first sample of the window: one step later than the earliest stretch that fits."""
    last = time_s.size - max(FEWEST, 2 * len(hum.orders) + 6)
    starts = sorted({min(int(part * time_s.size), max(last, 0)) for part in _STARTS})
    for place, start in enumerate(starts):
        fitted = _best(time_s, voltage_v, start, hum, interval_s)
        if misfit(fitted.residuals_v, noise)[1]:
            return starts[min(place + 1, len(starts) - 1)]
    return starts[-1]


@dataclass(frozen=True)
class _Other:
    """Standard uncertainty beside noise and accuracy, in volt: converter step, and hum that samples cannot show."""

    step_v: float
    hum_v: float

    @property
    def u_v(self) -> float:
        return math.hypot(self.step_v, self.hum_v)


def _window(time_s: FloatArray, fit: TailFit, hum: HumTerms, meter: MeterModel, other: _Other) -> Settled:
    u_noise, u_accuracy = math.hypot(fit.level_u_v, other.u_v), accuracy_u(fit.level_v, meter)
    length = float(time_s[-1] - time_s[0])
    seen = not hum.forced and fit.hum_amplitude_v > _HUM_SEEN * fit.noise_v
    return Settled(
        voltage_v=fit.level_v,
        u_v=math.hypot(u_noise, u_accuracy),
        u_noise_v=u_noise,
        u_accuracy_v=u_accuracy,
        start_s=float(time_s[0]),
        end_s=float(time_s[-1]),
        effective_samples=time_s.size / fit.factor,
        hum_v=fit.hum_amplitude_v if seen else 0.0,
        hum_hz=hum.line_hz if seen else None,
        drift_v=0.0 if fit.tau_s is None else fit.at(length) - fit.at(0.0),
        u_step_v=other.step_v,
        u_hum_v=other.hum_v,
    )


def _last(count: int, length: float, fit: TailFit, meter: MeterModel, other: _Other) -> Value:
    """Where the fit is at its end. Type A: of a level, or about that of the last fifth of a curve."""
    level = fit.at(length)
    u_noise = fit.level_u_v
    if fit.tau_s is not None:
        u_noise = fit.noise_v * math.sqrt(min(fit.factor / max(0.2 * count, 1.0), 1.0))
    return Value(level, math.sqrt(u_noise**2 + other.u_v**2 + accuracy_u(level, meter) ** 2))


def _judged(settled: Settled, last: Value, length: float, found: Settling, rail_v: float) -> Settling:
    """At rest, moving, moving but close enough to be extrapolated, or too noisy."""
    fit, still = found.fit, _STILL * rail_v
    to_go = abs(last.value - fit.level_v)
    if settled.u_noise_v > _TOO_NOISY * rail_v and last.u > _TOO_NOISY * rail_v:
        seen = f"{as_seen(last.value):.3g} V with a standard uncertainty of {last.u:.2g} V"
        reason = f"too noisy or too short to be read: {seen}"
        return replace(found, moving=False, reason=reason)
    if fit.tau_s is None or (to_go <= still and settled.u_noise_v <= _TOO_NOISY * rail_v):
        return replace(found, settled=settled, moving=False)
    if length < _COVERED * fit.tau_s or not fit.clear:
        if abs(settled.drift_v) <= 2.0 * still:
            return replace(found, settled=_drifting(settled, last), moving=False)
        moved = f"{moved_as_seen(settled.drift_v):+.4f} V"
        return replace(found, reason=f"still moving: {moved} within the last {length:.4g} s")
    if settled.u_v > max(_EXTRAPOLATED_U_V, 2.0 * last.u):
        return replace(found, reason="still moving: too noisy to be extrapolated")
    note = f"still {1e3 * to_go:.2g} mV from rest when the log ends: extrapolated"
    return replace(found, settled=settled, notes=(note,))


def _drifting(settled: Settled, last: Value) -> Settled:
    """A movement too small to matter: its end is taken, and all of it goes into the uncertainty, as a half-width."""
    u_drift = abs(settled.drift_v) / math.sqrt(3.0)
    u_v = math.hypot(last.u, u_drift)
    u_noise = math.sqrt(max(u_v**2 - settled.u_accuracy_v**2, 0.0))
    return replace(settled, voltage_v=last.value, u_v=u_v, u_noise_v=u_noise, u_drift_v=u_drift)


def _steady_hum_u(fit: TailFit, hum: HumTerms, interval_s: float, length_s: float) -> float:
    """Harmonics of the hum that the sample interval turns into a steady voltage.

    Such a harmonic of order m is unseen; of a trapezoid it is at most 1/m² of the fundamental, at an unknown phase
    (arcsine: over √2, JCGM 100:2008, F.2.3.3 gives its variance as a²/2).
    """
    squares = 0.0
    if hum.line_hz is not None and hum.orders:
        for order in aliased_to_steady(hum.line_hz, interval_s, length_s):
            squares += (fit.hum_amplitude_v / order**2) ** 2 / 2.0
    return math.sqrt(squares)


__all__ = ["FEWEST", "Settling", "accuracy_u", "settle"]
