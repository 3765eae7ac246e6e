"""The plain-leak line: a straight line through settled points, and whether it may be believed.

A constant leak with a linear pull-down gives I_net = I_leak − V · G_pd. The line is fitted to the settled points above
V_IL/2 by generalised least squares (A. C. Aitken, Proc. R. Soc. Edinb. 55 (1935) 42), with the effective variance of
both axes (J. Orear, Am. J. Phys. 50 (1982) 912), and refused where it does not fit. Both citations: memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from results.analysis.budgets.error_model import BENCH_LOAD, METER_GAIN, RAIL_READING, constant_source, fitted
from results.analysis.findings import LeakLine, LinePart, Value
from results.analysis.leakage import RestPoint
from results.analysis.looking_glass import as_seen
from results.analysis.uncertainty.budget import Source
from results.quantity import show
from results.record.run_record import Rules
from results.record.trace import FloatArray

FIT_REFUSED_BELOW = 0.05
"""A line whose misfit chance would exceed only once in twenty is refused: the usual 5 % level."""

_ROUNDS = 30
_MICRO = 1e6


@dataclass(frozen=True)
class LinePoint:
    """The settled trials of one resistor: their mean rest point, and the part of its u (volt) that is its own.

    `own_u_v` holds noise, repeatability and the constant part of the meter's accuracy; the gain error is not in it, as
    all points share it. `random_u_v` is what of it is noise and repeatability, with `dof` degrees of freedom.
    `fitted_by`: the relative error of the resistor, the same source as in the trials; None: not told apart.
    """

    rest: RestPoint
    own_u_v: float
    random_u_v: float = 0.0
    dof: float = math.inf
    fitted_by: Source | None = None


@dataclass(frozen=True)
class LinearFit:
    """Parameters (p,), their covariance (p, p) and chi-square of a generalised least-squares fit."""

    parameters: FloatArray
    covariance: FloatArray
    chi_square: float


def generalised_least_squares(design: FloatArray, observed: FloatArray, covariance: FloatArray) -> LinearFit:
    """Generalised least squares of observed (n,) on design (n, p) with the covariance (n, n) of the observations.

    The problem is whitened with the Cholesky factor and solved by QR. Raises numpy.linalg.LinAlgError where the
    covariance is not positive definite.
    """
    factor = np.linalg.cholesky(covariance)
    white = np.linalg.solve(factor, design)
    target = np.linalg.solve(factor, observed)
    q, r = np.linalg.qr(white)
    parameters = np.linalg.solve(r, q.T @ target)
    inverse = np.linalg.solve(r, np.eye(r.shape[0]))
    residuals = target - white @ parameters
    return LinearFit(parameters, inverse @ inverse.T, float(residuals @ residuals))


def average(points: Sequence[tuple[RestPoint, float]], gain_u: float, fitted_by: Source | None = None) -> LinePoint:
    """The mean of repeated trials with one resistor; each comes with the noise part (type A) of its u in volt.

    The systematic part (type B) is common to the repeats and is not reduced by their number; of the random part the
    larger of noise and observed scatter is.
    """
    rests = [rest for rest, _ in points]
    volts = np.array([rest.touch.value for rest in rests])
    noise = np.array([noise_v for _, noise_v in points])
    systematic = max(max(rest.touch.u**2 - noise_v**2, 0.0) for rest, noise_v in points)
    scatter = float(volts.var(ddof=1)) if volts.size > 1 else 0.0
    noise_v2 = float(np.mean(noise**2))
    random = max(noise_v2, scatter) / volts.size
    dof = volts.size - 1.0 if scatter > noise_v2 else math.inf
    mean_v = float(volts.mean())
    read_v = mean_v - rests[0].ends.load_v
    own = max(systematic - (gain_u * read_v) ** 2, 0.0) + random
    rest = replace(rests[0], touch=Value(mean_v, math.sqrt(systematic + random)))
    return LinePoint(rest, math.sqrt(own), math.sqrt(random), dof, fitted_by)


def fit_line(
    points: Sequence[LinePoint], gain_u: float, rules: Rules, below: Sequence[RestPoint] = (), floor_v: float = 0.0
) -> LeakLine:
    """Fit the line to one point a resistor, and test it; `gain_u` is the relative standard uncertainty of the meter.

    With I = V·G and V at the pin = V (1 + s·G), a point misses the line by r = V·G − a + b·V·(1 + s·G). Its errors are
    those of V (own, and the common gain) and of G, so the covariance of the r carries the correlation between both
    axes; where the resistors end at a voltage that was read, that reading is common to all points. The weights depend
    on b and are iterated. The test: p of chi-square at least 0.05 with at least one degree of
    freedom, b inside the plan's pull-down range, and no contradiction by what is not in the fit: the rest points
    `below` `floor_v` (volt, at the pin), where the line must not hold the node above it.

    How far the errors of the resistors are correlated (one lot, one ohmmeter) is not known: they are taken as
    independent in the test, which makes it the sharper one, and an error common to all is added to the covariance.
    """
    dof = len(points) - 2
    if dof < 1:
        tried = f"{len(points)} resistor{'' if len(points) == 1 else 's'}"
        reason = f"{tried} with a settled point above V_IL/2, at least 3 needed"
        return LeakLine(len(points), None, None, 0.0, 0.0, max(dof, 0), None, False, reason)
    try:
        fit = _iterated(points, gain_u)
    except np.linalg.LinAlgError:
        reason = "the points carry no uncertainty or coincide: a fit cannot be tested"
        return LeakLine(len(points), None, None, 0.0, 0.0, dof, None, False, reason)
    parts = _parts(points, gain_u, fit)
    fit = replace(fit, covariance=fit.covariance + _common(points) ** 2 * np.outer(fit.parameters, fit.parameters))
    from scipy.stats import chi2

    p_value = float(chi2.sf(fit.chi_square, dof))
    leak_a, pull_down_s = (float(value) / _MICRO for value in fit.parameters)
    u_leak, u_pull_down = (math.sqrt(float(variance)) / _MICRO for variance in np.diag(fit.covariance))
    reason = _refusal(p_value, pull_down_s, rules) or _contradicted(fit, below, floor_v, rules.coverage)
    return LeakLine(
        points=len(points),
        leak_a=Value(leak_a, u_leak),
        pull_down_s=Value(pull_down_s, u_pull_down),
        covariance=float(fit.covariance[0, 1]) / _MICRO**2,
        chi_square=fit.chi_square,
        dof=dof,
        p_value=p_value,
        passes=not reason,
        reason=reason,
        parts=parts,
    )


@dataclass(frozen=True)
class _System:
    """The fit at an assumed slope, in µA, µS and V, so that every number is of order one: one row a point.

    `per_volt`, `per_siemens`, `per_end`: by how much a point misses the line for an error of its voltage, of its
    resistor's conductance and of where that ends; `per_gain`, `per_load`: for a relative error of the meter's gain and
    of the bench's load, which act on all points.
    """

    design: FloatArray
    observed: FloatArray
    covariance: FloatArray
    per_volt: FloatArray
    per_siemens: FloatArray
    per_end: FloatArray
    per_gain: FloatArray
    per_load: FloatArray


def _system(points: Sequence[LinePoint], gain_u: float, slope: float) -> _System:
    volts = np.array([point.rest.touch.value for point in points])
    outside = np.array([point.rest.outside.value for point in points]) * _MICRO
    fitted_u = np.array([point.rest.fitted.u for point in points]) * _MICRO
    own_u = np.array([point.own_u_v for point in points])
    series = np.array([point.rest.series_ohm for point in points]) / _MICRO
    ends = [point.rest.ends for point in points]
    fitted_s = np.array([point.rest.fitted.value for point in points]) * _MICRO
    currents = volts * outside - np.array([point.rest.injected_a for point in points]) * _MICRO
    across = volts - np.array([end.fitted_v for end in ends])
    from_load, read_v, end_u = np.array([[end.load_v, end.read_v, end.own_u_v] for end in ends]).T
    per_volt = outside + slope * (1.0 + series * outside)
    per_siemens = across * (1.0 + slope * series)
    per_end = -fitted_s * (1.0 + slope * series) - slope
    per_gain = per_volt * (volts - from_load) + per_end * read_v
    per_load = _load_s(points) * _MICRO * (volts - from_load) * (1.0 + slope * series)
    covariance = np.diag((per_volt * own_u) ** 2 + (per_siemens * fitted_u) ** 2)
    for shared in (gain_u * per_gain, _load_u(points) * per_load, end_u * per_end):
        covariance += np.outer(shared, shared)
    design = np.column_stack([np.ones_like(volts), -(across + series * currents)])
    return _System(design, currents, covariance, per_volt, per_siemens, per_end, per_gain, per_load)


def _load_s(points: Sequence[LinePoint]) -> float:
    """The bench's load, which all points share, in siemens."""
    return points[0].rest.outside.value - points[0].rest.fitted.value


def _load_u(points: Sequence[LinePoint]) -> float:
    """Its relative standard uncertainty."""
    load_s, rest = _load_s(points), points[0].rest
    return math.sqrt(max(rest.outside.u**2 - rest.fitted.u**2, 0.0)) / load_s if load_s > 0.0 else 0.0


def _iterated(points: Sequence[LinePoint], gain_u: float) -> LinearFit:
    slope = 0.0
    for _ in range(_ROUNDS):
        system = _system(points, gain_u, slope)
        fit = generalised_least_squares(system.design, system.observed, system.covariance)
        before, slope = slope, float(fit.parameters[1])
        if abs(slope - before) <= 1e-12 * abs(slope):
            break
    return fit


def _parts(points: Sequence[LinePoint], gain_u: float, fit: LinearFit) -> tuple[LinePart, ...]:
    """Leak and pull-down by the sources of their errors: an error r of the points moves the parameters by K·r, with
    K = (XᵀC⁻¹X)⁻¹XᵀC⁻¹."""
    system = _system(points, gain_u, float(fit.parameters[1]))
    moved = fit.covariance @ system.design.T @ np.linalg.inv(system.covariance)

    def part(source: Source, error: FloatArray) -> LinePart:
        leak_ua, pull_down_us = (float(value) for value in moved @ error)
        return LinePart(source, leak_ua / _MICRO, pull_down_us / _MICRO)

    end_u = points[0].rest.ends.own_u_v
    parts = [
        part(Source(METER_GAIN, "B", "rectangular", gain_u), system.per_gain),
        part(Source(BENCH_LOAD, "B", "rectangular", _load_u(points)), system.per_load),
        part(Source(RAIL_READING, "B", "rectangular", end_u, unit="V"), system.per_end),
    ]
    for point, row in zip(points, np.eye(len(points)), strict=True):
        name, constant = point.rest.resistor, math.sqrt(max(point.own_u_v**2 - point.random_u_v**2, 0.0))
        parts.append(part(constant_source(name, constant), system.per_volt * row))
        random = Source(f"noise and repeats, {fitted(name)}", "A", "t", point.random_u_v, point.dof, unit="V")
        parts.append(part(random, system.per_volt * row))
        if point.fitted_by is not None:
            # A resistor that is too large conducts too little.
            error = -point.rest.fitted.value * _MICRO * system.per_siemens * row
            parts.append(part(point.fitted_by, error))
    leak_ua, pull_down_us = (float(value) for value in fit.parameters)
    alike = Source("error common to all resistors", "B", "rectangular", _common(points))
    parts.append(LinePart(alike, leak_ua / _MICRO, pull_down_us / _MICRO))
    return tuple(one for one in parts if one.source.u > 0.0)


def _common(points: Sequence[LinePoint]) -> float:
    """Relative standard uncertainty of the conductances outside if all resistors err alike: leak and pull-down then
    err alike, too."""
    return max((point.rest.fitted.u / point.rest.outside.value for point in points if point.rest.fitted.u), default=0.0)


def _contradicted(fit: LinearFit, below: Sequence[RestPoint], floor_v: float, coverage: float) -> str:
    """Where the line surely still drives the node up at the floor, a node that rested below it was not on the line."""
    gradient = np.array([1.0, -floor_v])
    line_u = math.sqrt(max(float(gradient @ fit.covariance @ gradient), 0.0))
    held_ua = float(gradient @ fit.parameters)
    for rest in below:
        # What the resistor takes when the pin is at the floor, through the series resistance on the board.
        seen = _MICRO / (1.0 + rest.series_ohm * rest.outside.value)
        taken_ua = seen * (floor_v * rest.outside.value - rest.injected_a)
        if held_ua - taken_ua > coverage * math.hypot(line_u, seen * floor_v * rest.outside.u):
            return (
                f"the line would hold the pin above {show(as_seen(floor_v), 'V')} with {rest.resistor}, which rested "
                f"at {show(as_seen(rest.pin.value), 'V', 2)}"
            )
    return ""


def _refusal(p_value: float, pull_down_s: float, rules: Rules) -> str:
    """Why the line is not believed; empty where it is."""
    if p_value < FIT_REFUSED_BELOW:
        shown = "p < 0.001" if p_value < 1e-3 else f"p = {p_value:.3f}"
        return f"not a straight line: lack of fit {shown}, refused below {FIT_REFUSED_BELOW}"
    low_s, high_s = 1.0 / rules.pull_down_high_ohm, 1.0 / rules.pull_down_low_ohm
    if low_s <= pull_down_s <= high_s:
        return ""
    implied = f"{show(1.0 / pull_down_s, 'Ω')}" if pull_down_s > 0.0 else "none"
    expected = f"{show(rules.pull_down_low_ohm, 'Ω')} to {show(rules.pull_down_high_ohm, 'Ω')}"
    return f"the line implies a pull-down of {implied}, outside the plan's range {expected}"
