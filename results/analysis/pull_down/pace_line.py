"""Pull-down and capacitance together: 1/τ over the conductance of the trial resistor is a straight line.

1/τ = (G_pd + G_m)/C + G_t/C: its slope is 1/C, and intercept by slope is what the pin and the bench conduct, whatever C
is. Fitted by generalised least squares with the uncertainties of both axes (effective variance, see leak_line).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from results.analysis.leak_line import FIT_REFUSED_BELOW, generalised_least_squares
from results.analysis.uncertainty.estimate import Estimate
from results.record.trace import FloatArray

FEWEST = 3
_ROUNDS = 30


@dataclass(frozen=True)
class PaceLine:
    """`inside`: what pin and bench conduct (S); `capacitance` in farad. Both None where `reason` says why.

    `p_value`: of the lack of fit, with at least one degree of freedom.
    """

    inside: Estimate | None = None
    capacitance: Estimate | None = None
    points: int = 0
    p_value: float | None = None
    reason: str = ""


def fit_pace_line(points: Sequence[tuple[str, Estimate, Estimate]]) -> PaceLine:
    """Fit the line to one point a resistor: its name, conductance G_t (S) and pace 1/τ (1/s).

    Each conductance is taken to err by itself in the test, which makes it the sharper one; that all might err alike
    (one lot, one ohmmeter) is added to the uncertainty, as C and G scale with it.
    """
    if len(points) < FEWEST:
        return PaceLine(points=len(points), reason=f"{len(points)} resistors with a time constant, {FEWEST} are needed")
    scale_s = max(one.value for _, one, _ in points) or 1.0
    scale_pace = max(pace.value for _, _, pace in points)
    x = np.array([one.value for _, one, _ in points]) / scale_s
    y = np.array([pace.value for _, _, pace in points]) / scale_pace
    x_u = np.array([one.u for _, one, _ in points]) / scale_s
    y_u = np.array([pace.u for _, _, pace in points]) / scale_pace
    weights, parameters, chi_square = _fitted(x, y, x_u, y_u)
    from scipy.stats import chi2

    p_value = float(chi2.sf(chi_square, len(points) - 2))
    intercept, slope = (float(one) for one in parameters)
    if p_value < FIT_REFUSED_BELOW:
        shown = "p < 0.001" if p_value < 1e-3 else f"p = {p_value:.3f}"
        return PaceLine(None, None, len(points), p_value, f"not a straight line: lack of fit {shown}")
    if slope <= 0.0 or intercept <= 0.0:
        return PaceLine(None, None, len(points), p_value, "the line has no positive slope and intercept")
    first, second = Estimate(intercept), Estimate(slope)
    for index, (name, one, pace) in enumerate(points):
        # An error of a conductance is one of the pace against the slope.
        errors = {key: part / scale_pace for key, part in pace.parts.items()}
        errors |= {key: -slope * part / scale_s for key, part in one.parts.items()}
        errors = errors or {f"point {name}": 0.0}
        first = first.plus(Estimate(0.0, {key: float(weights[0, index]) * part for key, part in errors.items()}))
        second = second.plus(Estimate(0.0, {key: float(weights[1, index]) * part for key, part in errors.items()}))
    alike = max(one.u / one.value for _, one, _ in points if one.value > 0.0)
    shared = Estimate(1.0, {"trial resistors, alike": alike})
    inside = first.times(second.inverted()).scaled(scale_s).times(shared)
    return PaceLine(inside, second.inverted().scaled(scale_s / scale_pace).times(shared), len(points), p_value)


def _fitted(x: FloatArray, y: FloatArray, x_u: FloatArray, y_u: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """What each y does to intercept and slope, shape (2, n); both, shape (2,); chi-square. Weights depend on the slope
    and are iterated."""
    design = np.column_stack([np.ones_like(x), x])
    slope = 1.0
    for _ in range(_ROUNDS):
        variance = y_u**2 + (slope * x_u) ** 2 + 1e-24
        fit = generalised_least_squares(design, y, np.diag(variance))
        before, slope = slope, float(fit.parameters[1])
        if abs(slope - before) <= 1e-12 * abs(slope):
            break
    return np.asarray(fit.covariance @ (design.T / variance)), fit.parameters, fit.chi_square
