"""A pull-down from a forced-voltage sweep: its conductance at 0 V, how it bends, and what it is at a voltage.

A transistor that pulls down draws I = k (V_ov·V − V²/2) in its linear range (the long-channel MOS transistor: S. M.
Sze, Physics of Semiconductor Devices; memory), that is G(V) = I/V = G0 (1 − c·V) with c = 1/(2 V_ov); a resistor has c
= 0. Fitted is I = G0·V − G0·c·V² by generalised least squares, the errors that all points share in the covariance.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from results.analysis.ends import Ends
from results.analysis.findings import SweepFinding, SweepPoint
from results.analysis.leak_line import FIT_REFUSED_BELOW, LinearFit, generalised_least_squares
from results.analysis.leakage import bench_load_u
from results.analysis.looking_glass import as_seen
from results.analysis.pin_bench import PinBench
from results.analysis.sweep.sweep_curve import curve_of, interpolated, noise_of
from results.analysis.uncertainty.estimate import Estimate
from results.record.trace import FloatArray

_MICRO = 1e6
_FEWEST = 5
_LEVELS = 4
"""Different voltages that a bend must be told from, with at least one degree of freedom."""


@dataclass(frozen=True)
class LowVoltage:
    """G0 (S) and the bend c (1/V; None where it was not fitted) from points up to `up_to_v`; `p_value` of the fit.

    `reason`: one line where nothing is determined.
    """

    at_zero: Estimate | None = None
    bend: Estimate | None = None
    up_to_v: float = 0.0
    points: int = 0
    p_value: float | None = None
    reason: str = ""


@dataclass(frozen=True)
class PullDownSweep:
    """The points of a sweep as what the pin draws, by rising voltage at the pin, each of shape (n,).

    `volts` count from where the pull-down ends. `slope_s`: its slope at each point. What errors of meter and source do
    to a point is told by `shares`.
    """

    volts: FloatArray
    drawn_a: FloatArray
    node_v: FloatArray
    source_a: FloatArray
    slope_s: FloatArray
    noise_v: float
    noise_a: float
    agreeing: FloatArray
    load_s: float
    series_ohm: float
    limits: Mapping[str, float]
    ends: Ends

    def shares(self, slope_s: FloatArray) -> dict[str, FloatArray]:
        """What one standard deviation of each shared error does to the current at a given pin voltage, shape (n,).

        I = I_source − V·G_load, and the pin is at V − s·I: an error of V moves the point along its slope. One of where
        the pull-down ends (a rail that was read) moves it back, by the same gain where the same meter read it.
        """
        per_volt, per_ampere = self._per(slope_s)
        from_load_v = self.node_v - self.ends.load_v
        return {
            "meter gain": (per_volt * from_load_v + slope_s * self.ends.read_v) * self.limits["meter gain"],
            "meter offset": per_volt * self.limits["meter offset"],
            "rail reading": slope_s * self.ends.own_u_v,
            "source gain": per_ampere * self.source_a * self.limits["source gain"],
            "source offset": per_ampere * self.limits["source offset"],
            "bench load": -per_ampere * from_load_v * self.limits["bench load"],
        }

    def own_u_a(self, slope_s: FloatArray) -> FloatArray:
        """Noise of each point in ampere at a given pin voltage, shape (n,)."""
        per_volt, per_ampere = self._per(slope_s)
        return np.asarray(np.hypot(per_volt * self.noise_v, per_ampere * self.noise_a) / np.sqrt(self.agreeing))

    def _per(self, slope_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        along = 1.0 + slope_s * self.series_ohm
        return -(self.load_s * along + slope_s), along


def pull_down_sweep(bench: PinBench, sweep: SweepFinding) -> PullDownSweep | str:
    """The sweep as what the pin draws, or why it says nothing of that."""
    record, load_s, ends = bench.record, bench.load_s, bench.ends_of(sweep.observation)
    usable = [point for point in sweep.points if point.net_current is not None]
    if sweep.observation is None or record.source is None or load_s is None or len(usable) < _FEWEST:
        return sweep.note or "the sweep has too few points"
    usable.sort(key=lambda point: point.at_pin_v or 0.0)
    noise_v, noise_a = noise_of(sweep.observation)
    root = math.sqrt(3.0)
    return PullDownSweep(
        volts=np.array([point.at_pin_v for point in usable], dtype=np.float64) - ends.fitted_v,
        drawn_a=np.array([-point.net_current.value for point in usable if point.net_current is not None]),
        node_v=np.array([point.voltage.value for point in usable if point.voltage is not None]),
        source_a=np.array([point.source.value for point in usable if point.source is not None]),
        slope_s=_slopes(sweep.points, usable),
        noise_v=noise_v,
        noise_a=noise_a,
        agreeing=np.array([point.step.agreeing for point in usable], dtype=np.float64),
        load_s=load_s,
        series_ohm=bench.pin.series_ohm,
        ends=ends,
        limits={
            "meter gain": record.meter.accuracy_reading / root,
            "meter offset": record.meter.accuracy_v / root,
            "source gain": record.source.accuracy_reading / root,
            "source offset": record.source.accuracy_a / root,
            "bench load": bench_load_u(record.meter, record.fixture),
        },
    )


def at_low_voltage(swept: PullDownSweep, up_to_v: float, *, bends: bool) -> LowVoltage:
    """G0, and c where `bends`, from the points up to that voltage; half as far where they fit no such curve."""
    first = _fitted(swept, up_to_v, bends)
    if first.p_value is None or first.p_value >= FIT_REFUSED_BELOW:
        return first
    nearer = _fitted(swept, 0.5 * up_to_v, bends)
    return first if nearer.p_value is None or nearer.p_value < first.p_value else nearer


def chord_at(swept: PullDownSweep, sweep: SweepFinding, at_v: float) -> Estimate | None:
    """G = I/V at a voltage (pin) from where the pull-down ends, between the points of both branches; None outside of
    what was swept."""
    found = []
    for branch in ("down", "up"):
        volts, net_a = curve_of(sweep.points, branch)
        volts = volts - swept.ends.fitted_v
        if volts.size >= 3 and volts[0] <= at_v <= volts[-1] + 0.01 * at_v:
            inside_v = min(at_v, float(volts[-1]))
            found.append(-float(interpolated(volts, net_a)(np.array([inside_v]))[0]) / inside_v)
    if not found:
        return None
    near = int(np.argmin(np.abs(swept.volts - at_v)))
    parts = {name: float(share[near]) / at_v for name, share in swept.shares(swept.slope_s).items()}
    own_s = float(swept.own_u_a(swept.slope_s)[near]) / at_v / math.sqrt(len(found))
    return Estimate(sum(found) / len(found), {**parts, f"sweep noise at {at_v:.3g} V": own_s})


def _slopes(points: Sequence[SweepPoint], usable: Sequence[SweepPoint]) -> FloatArray:
    """dI/dV of what the pin draws at each usable point: of its own branch, shape (n,)."""
    curves = {branch: curve_of(points, branch) for branch in ("down", "up")}
    found = []
    for point in usable:
        volts, net_a = curves[point.step.branch]
        slope = np.gradient(-net_a, volts) if volts.size > 1 else np.zeros(volts.size)
        found.append(float(np.interp(point.at_pin_v or 0.0, volts, slope)))
    return np.array(found)


def _fitted(swept: PullDownSweep, up_to_v: float, bends: bool) -> LowVoltage:
    # A level that was forced at the limit itself is not lost to the noise of its reading.
    chosen = (swept.volts <= up_to_v * 1.01) & (swept.volts >= -0.01 * up_to_v)
    volts, drawn = swept.volts[chosen], swept.drawn_a[chosen] * _MICRO
    levels = np.unique(np.round(volts / max(up_to_v, 1e-9), 2)).size
    needed = _LEVELS if bends else _LEVELS - 1
    if volts.size < _FEWEST or levels < needed:
        return LowVoltage(
            reason=f"{levels} levels below {as_seen(up_to_v):.2g} V were settled, at least {needed} are needed"
        )
    design = np.column_stack([volts, -(volts**2)] if bends else [volts])
    slope = np.full(volts.size, float(np.polyfit(volts, drawn, 1)[0]))
    for _ in range(3):
        shares = {name: share[chosen] * _MICRO for name, share in swept.shares(_all(swept, chosen, slope)).items()}
        own = swept.own_u_a(_all(swept, chosen, slope))[chosen] * _MICRO
        covariance = np.diag(own**2 + 1e-12) + sum(np.outer(share, share) for share in shares.values())
        fit = generalised_least_squares(design, drawn, covariance)
        slope = fit.parameters[0] - (2.0 * fit.parameters[1] * volts if bends else 0.0)
    from scipy.stats import chi2

    dof = volts.size - design.shape[1]
    p_value = float(chi2.sf(fit.chi_square, dof))
    at_zero, square = _estimates(fit, design, covariance, shares, math.sqrt(max(fit.chi_square / dof, 1.0)))
    bend = None if square is None else square.times(at_zero.inverted())
    return LowVoltage(at_zero, bend, float(volts.max()), int(volts.size), p_value)


def _all(swept: PullDownSweep, chosen: NDArray[np.bool_], slope_us: FloatArray) -> FloatArray:
    """The slope at every point (S): as fitted where chosen."""
    slopes = swept.slope_s.copy()
    slopes[chosen] = slope_us / _MICRO
    return slopes


def _estimates(
    fit: LinearFit, design: FloatArray, covariance: FloatArray, shares: Mapping[str, FloatArray], birge: float
) -> tuple[Estimate, Estimate | None]:
    """The parameters in SI with their uncertainty by source: what of the covariance no shared error explains is noise.

    That rest is split into independent sources (eigenvectors), so that the correlation of both parameters is kept.
    Where the points scatter more than their noise says, it counts that much more (R. T. Birge 1932; memory).
    """
    weights = fit.covariance @ design.T @ np.linalg.inv(covariance)
    by_name = {name: weights @ share for name, share in shares.items()}
    rest = fit.covariance - sum(np.outer(one, one) for one in by_name.values())
    values, vectors = np.linalg.eigh(rest)
    roots = vectors * np.sqrt(np.maximum(values, 0.0)) * birge
    for index in range(roots.shape[1]):
        by_name[f"noise of the low-voltage sweep {index + 1}"] = roots[:, index]
    found = [
        Estimate(float(fit.parameters[row]) / _MICRO, {name: float(p[row]) / _MICRO for name, p in by_name.items()})
        for row in range(fit.parameters.size)
    ]
    return found[0], found[1] if len(found) > 1 else None
