"""Can the samples of a trace be judged at all? Times in order, no gap, no overload; else one line that says why not."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from results.analysis.ends import ground_of
from results.analysis.trace.noise import noise_scale, quantum
from results.record.run_record import MeterModel
from results.record.trace import Trace

FloatArray = NDArray[np.float64]

FEWEST = 10
"""Fewer samples than this say nothing about a press and a release."""

_GAP = 3.0  # intervals: more than a lost sample or two is a gap
_JITTER = 0.02  # relative: what rounded time stamps may show
_CLIPPED_FEWEST = 8
_AT_ZERO = 0.01  # of what the trace spans: a floor this near to 0 V is no end of a range that matters
_WHISKER = 0.5  # cycles within the log: less than that of an alias cannot be told from DC
LINE_HZ = (50.0, 60.0)


@dataclass(frozen=True)
class Samples:
    """Samples fit to be judged: `time_s`, `voltage_v`, shape (n,), finite, times increasing.

    `interval_s` is the median sample interval, `step_v` the converter's step (0: none seen). `problem` is one line
    where they are not fit; then the arrays may be anything.
    """

    time_s: FloatArray
    voltage_v: FloatArray
    interval_s: float = 0.0
    step_v: float = 0.0
    problem: str = ""
    notes: tuple[str, ...] = ()


def screened(trace: Trace, meter: MeterModel) -> Samples:
    """Check a trace and cut off what lies before the last overload."""
    time = np.asarray(trace.time_s, dtype=np.float64).ravel()
    volts = np.asarray(trace.voltage_v, dtype=np.float64).ravel()
    problem = _shape_problem(time, volts) or _time_problem(time)
    if problem:
        return Samples(time, volts, problem=problem)
    interval = float(np.median(np.diff(time)))
    notes = _jitter_note(time, interval)
    lost = np.nonzero(~np.isfinite(volts))[0]
    if lost.size:
        first = int(lost[-1]) + 1
        where = f"{lost.size} of {volts.size} samples, {time[lost[0]]:.6g} s to {time[lost[-1]]:.6g} s"
        if volts.size - first < FEWEST:
            return Samples(time, volts, interval, problem=f"trace: the meter was overloaded in {where}")
        notes += (f"overloaded in {where}: only what follows was read",)
        time, volts = time[first:], volts[first:]
    step = quantum(volts)
    read = volts if not ground_of(meter).value else ground_of(meter).value - volts  # a converter's ends are the meter's
    problem = (
        _clip_problem(time, read, step, meter)
        or _floor_problem(time, read, step)
        or _alias_problem(time, interval, meter)
    )
    return Samples(time, volts, interval, step, problem, notes)


def _shape_problem(time: FloatArray, volts: FloatArray) -> str:
    if time.size != volts.size:
        return f"trace: as many times as voltages are needed: {time.size} times, {volts.size} voltages"
    if time.size == 0:
        return "trace: it holds no samples"
    if time.size < FEWEST:
        return f"trace: at least {FEWEST} samples are needed: {time.size}"
    if not np.any(np.isfinite(volts)):
        return f"trace: the meter was overloaded in all {volts.size} samples"
    return ""


def _time_problem(time: FloatArray) -> str:
    bad = np.nonzero(~np.isfinite(time))[0]
    if bad.size:
        return f"trace: every time must be a number: sample {bad[0] + 1} has {time[bad[0]]}"
    steps = np.diff(time)
    back = np.nonzero(steps <= 0.0)[0]
    if back.size:
        at = int(back[0])
        return f"trace: times must increase: sample {at + 2} at {time[at + 1]:.9g} s follows {time[at]:.9g} s"
    usual = float(np.median(steps))
    widest = int(np.argmax(steps))
    if steps[widest] > _GAP * usual:
        return (
            f"trace: no gap longer than {_GAP:g} sample intervals is allowed: {steps[widest]:.6g} s after "
            f"{time[widest]:.6g} s, the interval is {usual:.6g} s"
        )
    return ""


def _jitter_note(time: FloatArray, interval: float) -> tuple[str, ...]:
    steps = np.diff(time)
    if float(np.max(np.abs(steps - interval))) <= _JITTER * interval:
        return ()
    return (f"sample intervals vary from {steps.min():.4g} s to {steps.max():.4g} s; times taken as logged",)


def _clip_problem(time: FloatArray, volts: FloatArray, step: float, meter: MeterModel) -> str:
    """A converter at its end shows one value again and again where the noise would show many."""
    top = float(volts.max())
    at_top = volts >= top - 0.25 * step if step > 0.0 else volts == top
    count = int(np.count_nonzero(at_top))
    if count < _CLIPPED_FEWEST:
        return ""
    if meter.range_v is not None:
        if top < meter.range_v * (1.0 - 1e-9):
            return ""
        rule = f"the meter's range of {meter.range_v:g} V"
    else:
        # Without the range: only noise wider than the step makes a constant maximum suspicious.
        noise = noise_scale(volts, (1,))
        near = int(np.count_nonzero(volts >= top - noise))
        if noise <= max(step, 1e-6 * abs(top)) or count < 0.3 * near or _quiet_below(volts, top, step, noise):
            return ""
        rule = "one constant maximum"
    first, last = np.nonzero(at_top)[0][[0, -1]]
    return (
        f"trace: the meter was at its end, {rule}: {count} of {volts.size} samples read {top:.6g} V, "
        f"{time[first]:.6g} s to {time[last]:.6g} s"
    )


def _floor_problem(time: FloatArray, volts: FloatArray, step: float) -> str:
    """A converter at its lower end: one value again and again, while the samples above it are noisy.

    An end at 0 V cuts off half of the noise there and nothing else: a node that reads 0 V is at 0 V.
    """
    floor, span = float(volts.min()), float(np.ptp(volts))
    at_floor = volts <= floor + max(0.25 * step, 0.0)
    count = int(np.count_nonzero(at_floor))
    above = volts[~at_floor]
    if count < _CLIPPED_FEWEST or above.size < _CLIPPED_FEWEST or abs(floor) < _AT_ZERO * span:
        return ""
    # Quantised noise touches its lowest value here and there; a converter at its end stays there.
    if longest_run(at_floor) < _CLIPPED_FEWEST or noise_scale(above, (1,)) <= max(2.0 * step, 1e-5 * span):
        return ""
    first, last = np.nonzero(at_floor)[0][[0, -1]]
    return (
        f"trace: the meter was at its end, one constant minimum: {count} of {volts.size} samples read {floor:.6g} V, "
        f"{time[first]:.6g} s to {time[last]:.6g} s"
    )


def longest_run(flags: NDArray[np.bool_]) -> int:
    """The longest stretch of True."""
    edges = np.diff(np.concatenate(([0], flags.astype(np.int8), [0])))
    return int(np.max(np.nonzero(edges < 0)[0] - np.nonzero(edges > 0)[0], initial=0))


def _quiet_below(volts: FloatArray, top: float, step: float, noise: float) -> bool:
    """True where the level just below the maximum is as quiet as the maximum: a clean signal, not a clipped one."""
    below = volts[volts < top - max(step, 1e-9) * 0.5]
    if below.size < _CLIPPED_FEWEST:
        return True
    _, counts = np.unique(below, return_counts=True)
    return bool(counts.max() >= _CLIPPED_FEWEST and noise < 4.0 * step)


def _alias_problem(time: FloatArray, interval: float, meter: MeterModel) -> str:
    """Hum sampled at its own period looks like a steady voltage."""
    length = float(time[-1] - time[0])
    for line in LINE_HZ if meter.line_hz is None else (meter.line_hz,):
        whole = round(interval * line)
        if whole < 1 or abs(line - whole / interval) * length >= _WHISKER:
            continue
        periods = meter.aperture_s * line
        if round(periods) >= 1 and math.isclose(periods, round(periods), rel_tol=2e-3):
            continue
        return (
            f"trace: hum cannot be told from a steady voltage: the sample interval {interval:.6g} s is a whole number "
            f"of periods of {line:g} Hz ({whole}), the aperture {meter.aperture_s:.6g} s is not"
        )
    return ""
