"""Traces made from closed forms: a node that relaxes towards the press level while a contact is closed, and towards its
rest point while it is open; with bounce, mains hum, noise and a converter's step on top. The truth is known."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from results.record.run_record import Levels, MeterModel
from results.record.trace import Trace

FloatArray = NDArray[np.float64]

LEVELS = Levels(0.8, 2.0)
METER = MeterModel(accuracy_reading=1e-4, accuracy_v=0.5e-3)


@dataclass(frozen=True)
class Node:
    """One trace to be made. Seconds and volts.

    `presses`: (closes, opens) pairs; opens may be inf. `low_v` before the first press, `held_v` while closed, `rest_v`
    afterwards. `bounce_s`: how long the contact chatters at each closing and opening. `second_v`, `second_tau_s`: a
    second exponential of that size in the release.
    """

    presses: tuple[tuple[float, float], ...] = ((0.005, 0.025),)
    low_v: float = 0.0
    held_v: float = 3.246
    rest_v: float = 0.0
    press_tau_s: float = 2e-7
    release_tau_s: float = 9e-6
    second_v: float = 0.0
    second_tau_s: float = 1e-3
    interval_s: float = 1e-4
    length_s: float = 0.145
    jitter: float = 0.0
    bounce_s: float = 0.0
    noise_v: float = 4e-4
    correlation: float = 0.0
    hum_v: float = 0.0
    hum_hz: float = 50.0
    trapezoid: bool = False
    harmonics: tuple[tuple[int, float], ...] = ()
    step_v: float = 0.0
    drift_v_per_s: float = 0.0
    seed: int = 1

    @property
    def released_s(self) -> float:
        """The last opening of the contact."""
        return closures(self)[-1][1]


def closures(node: Node) -> list[tuple[float, float]]:
    """When the contact is closed: the presses, with their bounces."""
    rng = np.random.default_rng((node.seed, 7))
    closed: list[tuple[float, float]] = []
    for begins, ends in node.presses:
        if node.bounce_s <= 0.0:
            closed.append((begins, ends))
            continue
        marks = np.sort(rng.uniform(0.0, node.bounce_s, 4))
        closed.append((begins, begins + marks[0]))
        closed.append((begins + marks[1], begins + marks[2]))
        if math.isinf(ends):
            closed.append((begins + marks[3], ends))
            continue
        closed.append((begins + marks[3], ends - node.bounce_s))
        marks = ends - node.bounce_s + np.sort(rng.uniform(0.0, node.bounce_s, 3))
        closed.append((float(marks[0]), float(marks[1])))
        closed.append((float(marks[2]), ends))
    return closed


def clean_voltage(node: Node, time_s: FloatArray) -> FloatArray:
    """The node without noise, hum and converter: shape as `time_s`, which increases."""
    volts = np.empty(time_s.size)
    at, now, target, tau, extra = -math.inf, node.low_v, node.low_v, node.release_tau_s, 0.0
    done = 0
    for begins, ends in [*closures(node), (math.inf, math.inf)]:
        for moment, goal, pace, more in (
            (begins, node.held_v, node.press_tau_s, 0.0),
            (ends, node.rest_v, node.release_tau_s, node.second_v),
        ):
            stop = int(np.searchsorted(time_s, moment, side="right" if goal == node.rest_v else "left"))
            since = time_s[done:stop] - at
            volts[done:stop] = _relaxed(since, now, target, tau, extra, node.second_tau_s)
            if math.isfinite(moment):
                now = float(_relaxed(np.array([moment - at]), now, target, tau, extra, node.second_tau_s)[0])
                at, target, tau, extra = moment, goal, pace, more
            done = stop
    return volts + node.drift_v_per_s * time_s


def _relaxed(since: FloatArray, begun: float, target: float, tau: float, extra: float, second_tau: float) -> FloatArray:
    if since.size and math.isinf(since[0]):
        return np.full(since.size, begun)
    slow = extra * np.exp(-since / second_tau)
    return np.asarray(target + (begun - target - extra) * np.exp(-since / tau) + slow)


def hum_voltage(node: Node, time_s: FloatArray) -> FloatArray:
    """Mains hum at a random phase: sine with harmonics, or a trapezoid."""
    rng = np.random.default_rng((node.seed, 11))
    phase = 2.0 * math.pi * node.hum_hz * time_s + rng.uniform(0.0, 2.0 * math.pi)
    if node.trapezoid:
        return np.asarray(np.clip(1.5 * node.hum_v * np.arcsin(np.sin(phase)) * 2.0 / math.pi, -node.hum_v, node.hum_v))
    hum = node.hum_v * np.sin(phase)
    for order, share in node.harmonics:
        hum = hum + share * node.hum_v * np.sin(order * phase + rng.uniform(0.0, 2.0 * math.pi))
    return np.asarray(hum)


def noise_voltage(node: Node, count: int) -> FloatArray:
    """White noise, or a first-order autoregression of the same standard deviation."""
    from scipy.signal import lfilter

    rng = np.random.default_rng((node.seed, 13))
    white = rng.standard_normal(count)
    rho = node.correlation
    if rho <= 0.0:
        return node.noise_v * white
    white[1:] *= math.sqrt(1.0 - rho**2)
    return np.asarray(node.noise_v * lfilter([1.0], [1.0, -rho], white))


def made(node: Node) -> Trace:
    """The trace as a meter would log it."""
    count = round(node.length_s / node.interval_s)
    time: FloatArray = np.arange(count, dtype=np.float64) * node.interval_s
    if node.jitter:
        rng = np.random.default_rng((node.seed, 17))
        time = time + node.interval_s * node.jitter * rng.uniform(-0.5, 0.5, count)
    volts = clean_voltage(node, time) + hum_voltage(node, time) + noise_voltage(node, count)
    if node.step_v:
        volts = np.round(volts / node.step_v) * node.step_v
    return Trace(time, volts)
