"""The end of a decay to 0 V: how fast a node that nothing holds up falls at small voltages, and how that bends.

With a pull-down G(V) = G0 (1 − c·V) and a linear load G on the node, C dV/dt = −V (G0 (1 − c·V) + G), that is
dV/dt = −p V (1 − b·V) with the pace p = (G0 + G)/C and the bend b = c·G0/(G0 + G): Bernoulli's equation, solved by
V = V0 e/(1 − b V0 (1 − e)) with e = exp(−p t). The pace is that at V -> 0, whatever the bend.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from results.analysis.findings import Edge
from results.analysis.trace.decay import IMPERFECT, resolution_s
from results.analysis.trace.hum import robust_hum
from results.analysis.trace.noise import correlation_factor, noise_scale
from results.analysis.trace.samples import LINE_HZ, Samples, screened
from results.analysis.trace.tail import Noise, misfit
from results.analysis.uncertainty.least_squares import fit_model
from results.analysis.value import Value
from results.record.run_record import MeterModel
from results.record.trace import FloatArray, Trace

_FEWEST = 12
_RESOLVED = 2.0  # time constants, in units of the shortest that can be told
_SPANNED = 2.0  # time constants that the samples must span
_STRETCH = 25.0  # time constants that are fitted: what follows is rest, and says no more


@dataclass(frozen=True)
class FreeDecay:
    """`pace` in 1/s, `bend` in 1/V, each with its standard uncertainty; both None where `reason` says why."""

    pace: Value | None = None
    bend: Value | None = None
    reason: str = ""


def free_decay(trace: Trace, edge: Edge, meter: MeterModel, below_v: float) -> FreeDecay:
    """Fit pace, bend, start and the meter's zero to the samples from where the node falls below `below_v` (volt) on.

    The meter's aperture changes the size of an exponential and not its pace. A gain error does not matter, and an
    offset is carried in the fit.
    """
    samples = screened(trace, meter)
    if samples.problem:
        return FreeDecay(reason=samples.problem)
    clean = without_hum(samples, meter)
    above = np.nonzero(clean[edge.after :] > below_v)[0]
    first = edge.after + (int(above[-1]) + 1 if above.size else 0)
    return _fitted(samples.time_s[first:], clean[first:], resolution_s(samples.interval_s, meter), below_v)


def without_hum(samples: Samples, meter: MeterModel) -> FloatArray:
    """The voltages with what mains hum there is in the whole trace taken out, shape (n,)."""
    lines = LINE_HZ if meter.line_hz is None else (meter.line_hz,)
    hum = robust_hum(samples.time_s, samples.voltage_v, samples.interval_s, lines)
    return samples.voltage_v if hum is None else samples.voltage_v - hum.voltage_v


def falling(since: FloatArray, parameters: FloatArray) -> FloatArray:
    """Volts at times since the first sample, shape (n,); parameters: pace, start, 1 + bend, 1 + zero, shape (4,).

    None of them is near 0, so that a last step of the fit can be told to be negligible.
    """
    pace, start, bend, zero = parameters
    left = np.exp(-since * pace)
    return np.asarray(zero - 1.0 + start * left / (1.0 - (bend - 1.0) * start * (1.0 - left)))


def _fitted(time_s: FloatArray, volts: FloatArray, finest_s: float, below_v: float) -> FreeDecay:
    tau_s = _first_guess(time_s, volts)
    if tau_s is None or tau_s < _RESOLVED * finest_s:
        return FreeDecay(reason=f"the decay is over within the {finest_s:.2g} s that can be told")
    length = float(time_s[-1] - time_s[0])
    if length < _SPANNED * tau_s or time_s.size < _FEWEST:
        return FreeDecay(reason=f"the log goes on for {length:.2g} s only after the node has fallen to {below_v:.2g} V")
    kept = time_s - time_s[0] <= _STRETCH * tau_s
    since, seen = (time_s[kept] - time_s[0]) / tau_s, volts[kept]
    if since.size < _FEWEST:
        return FreeDecay(reason=f"{since.size} samples are too few for the end of the decay")
    start = np.array([1.0, seen[0] - seen[-1], 1.0, 1.0 + seen[-1]])
    fit = fit_model(falling, since, seen, start)
    residuals = seen - falling(since, fit.parameters)
    factor = correlation_factor(residuals, fit.parameters.size)
    resting = noise_scale(seen)
    noise = Noise(max(resting, 1e-9), factor, since.size / factor)
    excess, holds = misfit(residuals, noise, IMPERFECT * below_v)
    if not (fit.trustworthy and holds):
        return FreeDecay(reason=f"the node does not fall as a pull-down alone makes it (misfit {excess:.2g})")
    root = math.sqrt(factor)
    pace, bend = float(fit.parameters[0]), float(fit.parameters[2]) - 1.0
    pace_u, bend_u = root * float(fit.deviations[0]), root * float(fit.deviations[2])
    return FreeDecay(Value(pace / tau_s, pace_u / tau_s), Value(bend, bend_u))


def _first_guess(time_s: FloatArray, volts: FloatArray) -> float | None:
    """Time constant from where the node has gone 1 − 1/e of its way; None where there is no way to go."""
    if time_s.size < 3:
        return None
    rest = float(np.median(volts[-max(3, volts.size // 5) :]))
    done = np.nonzero(volts - rest <= (volts[0] - rest) * math.exp(-1.0))[0]
    if not done.size or volts[0] <= rest:
        return None
    return max(float(time_s[done[0]] - time_s[0]), 1e-12)
