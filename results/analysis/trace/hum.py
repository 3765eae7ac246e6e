"""Mains hum: sines and cosines at the line frequency and its harmonics, and how strong they are in a trace."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

HARMONICS = (1, 2, 3, 4, 5, 7, 9, 11)
_NYQUIST = 0.46  # of the sample rate: closer to one half, sine and cosine cannot be told apart
_ROBUST = (1, 2, 3, 5, 7)
_FEWEST_PERIODS = 2.0
_ROUNDS = 8
_BISQUARE = 4.685  # 95 % efficiency on normal noise (Beaton and Tukey 1974)


@dataclass(frozen=True)
class Hum:
    """Hum found all over a trace: `voltage_v`, shape (n,), and the `amplitude_v` of its fundamental at `line_hz`."""

    voltage_v: FloatArray
    amplitude_v: float
    line_hz: float


def columns(time_s: FloatArray, line_hz: float, orders: tuple[int, ...]) -> FloatArray:
    """cos and sin of each order in turn, shape (n, 2·orders)."""
    phase = 2.0 * math.pi * line_hz * time_s
    parts = [part for order in orders for part in (np.cos(order * phase), np.sin(order * phase))]
    return np.column_stack(parts) if parts else np.empty((time_s.size, 0))


def orders_below_nyquist(line_hz: float, interval_s: float, wanted: tuple[int, ...] = HARMONICS) -> tuple[int, ...]:
    """The harmonics that this sample interval can show."""
    return tuple(order for order in wanted if order * line_hz * interval_s < _NYQUIST)


def aliased_to_steady(line_hz: float, interval_s: float, length_s: float) -> tuple[int, ...]:
    """Harmonics that this sample interval turns into a steady voltage (less than one cycle within the length)."""
    found = []
    for order in range(2, 16):
        whole = round(order * line_hz * interval_s)
        if whole >= 1 and abs(order * line_hz - whole / interval_s) * length_s < 1.0:
            found.append(order)
    return tuple(found)


def shows_hum(time_s: FloatArray, lines: tuple[float, ...]) -> bool:
    """Is the trace long enough, for each line frequency, that `robust_hum` would find hum in it?"""
    return float(time_s[-1] - time_s[0]) * min(lines) >= _FEWEST_PERIODS


def robust_hum(time_s: FloatArray, voltage_v: FloatArray, interval_s: float, lines: tuple[float, ...]) -> Hum | None:
    """Hum over a whole trace with its edges in it, or None where there is none that stands out.

    Second differences over a quarter of a period are fitted, so that levels and slopes drop out and an edge spoils ten
    milliseconds only; what it spoils loses its weight (iterated least squares, bisquare). None for a trace under two
    periods.
    """
    best: tuple[float, Hum] | None = None
    for line in lines:
        length = float(time_s[-1] - time_s[0])
        orders = orders_below_nyquist(line, interval_s, _ROBUST)
        lag = max(1, round(0.25 / line / interval_s))
        if not orders or length * line < _FEWEST_PERIODS or time_s.size < 2 * lag + 4 * len(orders) + 8:
            continue
        basis = columns(time_s, line, orders)
        moved = _bent(voltage_v, lag)
        design = np.column_stack([_bent(basis, lag), np.ones(moved.size)])
        solution, before, after = _bisquare(design, moved)
        amplitude = float(np.hypot(solution[0], solution[1]))
        if after < 0.8 * before and (best is None or after < best[0]):
            best = (after, Hum(basis @ solution[:-1], amplitude, line))
    return None if best is None else best[1]


def unseen_hum(time_s: FloatArray, voltage_v: FloatArray, lines: tuple[float, ...]) -> float:
    """Amplitude that hum may have, told from a stretch at one level, where the trace is too short to show hum; volt.

    The larger of level and fundamental fitted and half of what the stretch moves by, never more than all of that.
    """
    if time_s.size < 6:
        return 0.0
    most = float(np.ptp(voltage_v))
    sizes = [0.5 * most]
    for line in lines:
        design = np.column_stack([np.ones(time_s.size), columns(time_s - time_s[0], line, (1,))])
        solution = np.linalg.lstsq(design, voltage_v, rcond=None)[0]
        sizes.append(float(np.hypot(solution[1], solution[2])))
    return min(max(sizes), most)


def _bent(values: FloatArray, lag: int) -> FloatArray:
    return np.asarray(values[2 * lag :] - 2.0 * values[lag:-lag] + values[: -2 * lag])


def _array(values: Any) -> FloatArray:
    return np.asarray(values, dtype=np.float64)


def _bisquare(design: FloatArray, target: FloatArray) -> tuple[FloatArray, float, float]:
    """Coefficients, and the median absolute deviation before and after."""
    rest = _array(target - np.median(target))
    before = after = float(np.median(np.abs(rest)))
    solution = np.zeros(design.shape[1])
    for _ in range(_ROUNDS):
        scale = _BISQUARE * 1.4826 * max(after, 1e-12)
        weight = np.clip(1.0 - (rest / scale) ** 2, 0.0, None) ** 2
        normal = (design * weight[:, None]).T
        try:
            solution = _array(np.linalg.solve(normal @ design, normal @ target))
        except np.linalg.LinAlgError:
            return np.zeros(design.shape[1]), before, before
        rest = _array(target - design @ solution)
        after = float(np.median(np.abs(rest)))
    return solution, before, after


@dataclass(frozen=True)
class HumTerms:
    """What of the hum a fit has to carry: `orders` of `line_hz`; empty orders: none. `forced`: too short to be told."""

    line_hz: float | None = None
    orders: tuple[int, ...] = ()
    forced: bool = False

    def columns(self, time_s: FloatArray) -> FloatArray:
        """Shape (n, 2·orders)."""
        return columns(time_s, self.line_hz or 0.0, self.orders)


def find_hum(
    time_s: FloatArray, voltage_v: FloatArray, interval_s: float, lines: tuple[float, ...], known: Hum | None
) -> HumTerms:
    """Which harmonics of which line frequency stand out in a stretch without edges.

    Level and slow movement are carried by a cubic meanwhile. A stretch under two periods cannot show hum: there the
    fundamental is carried all the same (so that its part in the uncertainty is counted), under 0.4 periods only where
    the whole trace has hum (`known`).
    """
    best: tuple[float, HumTerms] | None = None
    length = float(time_s[-1] - time_s[0])
    for line in lines if known is None else (known.line_hz,):
        periods = length * line
        orders = orders_below_nyquist(line, interval_s)
        if not orders or (periods < 0.4 and known is None):
            continue
        if periods < 2.0:
            score, found = _standing_out(time_s, voltage_v, line, (1,), 1)
            terms = HumTerms(line, (1,), known is None and not (periods >= 1.0 and found.orders))
        else:
            score, terms = _standing_out(time_s, voltage_v, line, orders[: max(1, time_s.size // 8)])
        if best is None or score < best[0]:
            best = (score, terms)
    return HumTerms() if best is None else best[1]


def _standing_out(
    time_s: FloatArray, voltage_v: FloatArray, line_hz: float, orders: tuple[int, ...], degree: int = 3
) -> tuple[float, HumTerms]:
    """Sum of squares left over, and the orders whose amplitude is beyond what noise would give."""
    scaled = (time_s - time_s.mean()) / max(float(time_s[-1] - time_s[0]), 1e-30)
    smooth = np.polynomial.polynomial.polyvander(scaled, degree)

    def solved(line: float) -> tuple[float, FloatArray]:
        design = np.column_stack([smooth, columns(time_s, line, orders)])
        solution = np.linalg.lstsq(design, voltage_v, rcond=None)[0]
        rest = voltage_v - design @ solution
        return float(rest @ rest), solution[smooth.shape[1] :]

    left, found = solved(line_hz)
    count = time_s.size
    error = math.sqrt(2.0 * left / max(count - 4 - 2 * len(orders), 1) / count)
    amplitudes = np.hypot(found[::2], found[1::2])
    kept = tuple(
        order for order, size in zip(orders, amplitudes, strict=True) if size > (4.5 if degree > 1 else 20.0) * error
    )
    if not kept:
        return left, HumTerms()
    if float(amplitudes.max()) > 20.0 * error:
        line_hz, left = _tuned(solved, line_hz, left)
    return left, HumTerms(line_hz, kept)


def _tuned(solved: Callable[[float], tuple[float, FloatArray]], line_hz: float, left: float) -> tuple[float, float]:
    """The mains is off its nominal frequency by up to a per cent: the vertex of the sum of squares near it."""
    reach = 0.01 * line_hz
    for _ in range(2):
        below, above = solved(line_hz - reach)[0], solved(line_hz + reach)[0]
        bend = below + above - 2.0 * left
        if bend <= 0.0:
            break
        shift = float(np.clip(0.5 * (below - above) / bend, -1.0, 1.0)) * reach
        better = solved(line_hz + shift)[0]
        if better >= left:
            break
        line_hz, left, reach = line_hz + shift, better, reach / 4.0
    return line_hz, left
