"""What the points of a sweep say beside G_req: noise, hysteresis, rest points, and the board's own trip points."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from results.analysis.ends import ground_of
from results.analysis.findings import RestsAt, SweepPoint, Value
from results.analysis.load_line import NetCurrent, rest_points
from results.record.observation import Branch, Observation, SweepStep
from results.record.run_record import RunRecord
from results.record.trace import FloatArray

SIGNIFICANT = 0.01
"""A difference between the branches counts as memory where noise alone would show one as large in 1 % of sweeps."""


def last_readings(readings: FloatArray, step: SweepStep) -> FloatArray | None:
    """Those of a step that agree, shape (agreeing,); None where one of them is missing or was an overload."""
    last = readings[step.first + step.count - step.agreeing : step.first + step.count]
    return last if last.size == step.agreeing and np.isfinite(last).all() else None


def _settled(observation: Observation) -> list[SweepStep]:
    """The steps whose readings tell the noise."""
    trace = observation.trace
    return [
        step
        for step in observation.steps
        if step.agreeing > 1
        and not step.in_compliance
        and last_readings(trace.voltage_v, step) is not None
        and trace.current_a is not None
        and last_readings(trace.current_a, step) is not None
    ]


def noise_of(observation: Observation) -> tuple[float, float]:
    """Standard deviation of one reading of the meter (V) and of the source (A), pooled over all settled steps."""
    trace, settled = observation.trace, _settled(observation)
    if not settled or trace.current_a is None:
        return 0.0, 0.0
    pooled = []
    for readings in (trace.voltage_v, trace.current_a):
        groups = [group for step in settled if (group := last_readings(readings, step)) is not None]
        squares = sum(float(np.sum((group - group.mean()) ** 2)) for group in groups)
        pooled.append(math.sqrt(squares / sum(group.size - 1 for group in groups)))
    return pooled[0], pooled[1]


def noise_freedom(observation: Observation) -> float:
    """Degrees of freedom of that noise: readings less the means of their steps; at least one."""
    settled = _settled(observation)
    return float(max(sum(step.agreeing - 1 for step in settled), 1))


def curve_of(points: Sequence[SweepPoint], branch: Branch) -> tuple[FloatArray, FloatArray]:
    """Volts at the pin, rising, and net pin current (A) of a branch, each of shape (n,); points closer than 0.1 mV are
    averaged."""
    mine = sorted(
        (point.at_pin_v, point.net_current.value)
        for point in points
        if point.step.branch == branch and point.at_pin_v is not None and point.net_current is not None
    )
    if not mine:
        return np.empty(0), np.empty(0)
    volts, amperes = np.array(mine).T
    groups = np.concatenate(([0], np.cumsum(np.diff(volts) > 1e-4)))
    count = np.bincount(groups)
    return np.bincount(groups, volts) / count, np.bincount(groups, amperes) / count


def interpolated(volts: FloatArray, amperes: FloatArray) -> NetCurrent:
    """A curve through all points that makes no hump of its own between two of them (piecewise cubic, monotone)."""
    from scipy.interpolate import PchipInterpolator

    curve = PchipInterpolator(volts, amperes)
    return lambda wanted: np.asarray(curve(wanted), dtype=np.float64)


def hysteresis(
    points: Sequence[SweepPoint], noise: tuple[float, float], load_s: float, settled_a: float
) -> tuple[Value | None, float | None, bool | None]:
    """Largest difference of the net pin current, down less up, at one level of the first pass: with its standard
    uncertainty, where, and whether it is more than noise and `settled_a` (which both branches were allowed). None
    where no level was settled on both branches.

    The instruments' errors are the same on both branches and cancel. The two nodes differ a little in voltage: the up
    branch is carried there along its own slope.
    """
    up_v, up_a = curve_of(points, "up")
    down = [p for p in points if p.step.branch == "down" and p.step.sweep_pass == 1 and p.net_current is not None]
    if up_v.size < 3 or not down:
        return None, None, None
    slope = np.gradient(up_a, up_v)
    found = []
    for point in down:
        nearest = int(np.argmin(np.abs(up_v - (point.at_pin_v or 0.0))))
        assert point.net_current is not None
        apart_v = (point.at_pin_v or 0.0) - up_v[nearest]
        difference = float(point.net_current.value - (up_a[nearest] + slope[nearest] * apart_v))
        root = math.sqrt(2.0 / point.step.agreeing)
        u_a = root * math.hypot(noise[1], (abs(slope[nearest]) + load_s) * noise[0])
        found.append((abs(difference), difference, u_a, point.at_pin_v))
    largest, difference, u_a, at_v = max(found)
    return Value(difference, u_a), at_v, largest > settled_a + _bound(len(found)) * u_a


def _bound(count: int) -> float:
    """How many standard deviations the largest of `count` differences may reach by noise alone (Bonferroni)."""
    from scipy.stats import norm

    return float(norm.isf(SIGNIFICANT / (2.0 * count)))


def rests_of(points: Sequence[SweepPoint], record: RunRecord, load_s: float, series_ohm: float) -> tuple[RestsAt, ...]:
    """Where the down branch meets the load line of each trial resistor with the bench's load on it.

    From a quarter of V_IL up; below, the pin is released whatever it does.
    """
    volts, amperes = curve_of(points, "down")
    if volts.size < 3:
        return ()
    net_current = interpolated(volts, amperes)
    low_v = max(0.25 * record.levels.v_il, float(volts[0]))
    if low_v >= float(volts[-1]):
        return ()
    found = []
    for resistor in record.resistors:
        outside_s = resistor.conductance_s + load_s
        factor = 1.0 + series_ohm * outside_s
        # What the bench's load gives back where it does not end at 0 V, as the pin sees it.
        back_a = load_s * ground_of(record.meter).value / factor
        curve = raised(net_current, back_a)
        found.append(RestsAt(resistor.name, rest_points(curve, outside_s / factor, low_v, float(volts[-1]))))
    return tuple(found)


def raised(net_current: NetCurrent, by_a: float) -> NetCurrent:
    """The curve with a constant current more, in ampere: what a load that does not end at 0 V gives."""
    return lambda volts: net_current(volts) + by_a


def trips(points: Sequence[SweepPoint]) -> tuple[Value | None, Value | None]:
    """Where the board's own reading changes, going down (high to low) and going up: the middle of the two points
    between which it does, rectangular. None where it does not change, or more than once in the first pass."""
    return _trip(points, "down"), _trip(points, "up")


def _trip(points: Sequence[SweepPoint], branch: Branch) -> Value | None:
    read = [
        (point.at_pin_v, point.step.reads)
        for point in points
        if point.step.branch == branch and point.step.sweep_pass == 1 and point.at_pin_v is not None
    ]
    changes = [(a, b) for (a, was), (b, now) in pairwise(read) if was and now and was != now]
    if len(changes) != 1:
        return None
    low_v, high_v = sorted(changes[0])
    return Value(0.5 * (low_v + high_v), 0.5 * (high_v - low_v) / math.sqrt(3.0))
