"""Least squares of any smooth model, with standard deviations from its covariance. Checked on NIST StRD data.

The way to the floor of the valley and the covariance there are those of every exponential that a report shows: the
certified data check them as they are used (tail.py).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Model = Callable[[FloatArray, FloatArray], FloatArray]
"""model(x, parameters) -> y, shapes (n,), (p,) -> (n,)."""
Local = Callable[[FloatArray], tuple[FloatArray, FloatArray]]
"""local(parameters) -> values, shape (n,), and their derivatives by the parameters, shape (n, p)."""

_ROUNDS = 40
_STEP = float(np.finfo(np.float64).eps) ** (1.0 / 3.0)


@dataclass(frozen=True)
class ModelFit:
    """Parameters, shape (p,), their standard deviations and their covariance, shape (p, p).

    `residual_sum` is the sum of squared residuals (unit of y squared), `dof` is n − p. `trustworthy` says that the last
    step was negligible and the covariance finite: an optimizer's own word for success is not taken.
    """

    parameters: FloatArray
    deviations: FloatArray
    covariance: FloatArray
    residual_sum: float
    dof: int
    trustworthy: bool


def jacobian(model: Model, x: FloatArray, parameters: FloatArray) -> FloatArray:
    """Derivatives of the model by its parameters, shape (n, p), by central differences."""
    columns = []
    for index, value in enumerate(parameters):
        step = _STEP * (abs(value) if value != 0.0 else 1.0)
        up, down = parameters.copy(), parameters.copy()
        up[index] += step
        down[index] -= step
        columns.append((model(x, up) - model(x, down)) / (up[index] - down[index]))
    return np.column_stack(columns)


def fit_model(model: Model, x: FloatArray, y: FloatArray, start: FloatArray) -> ModelFit:
    """Minimise the sum of (y − model(x, parameters))², from `start`, shape (p,).

    Levenberg-Marquardt (Moré's, MINPACK) finds the valley, `descend` goes to its floor, and `unit_covariance` gives the
    standard deviations: residual variance with n − p degrees of freedom. Raises ValueError where there are fewer points
    than parameters.
    """
    from scipy.optimize import least_squares

    if y.size <= start.size:
        raise ValueError(f"fit: more points than parameters are needed: {y.size} points, {start.size} parameters")

    def residuals(parameters: FloatArray) -> FloatArray:
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            values = np.asarray(model(x, parameters) - y, dtype=np.float64)
        return np.where(np.isfinite(values), values, 1e150)

    def local(parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        return model(x, parameters), jacobian(model, x, parameters)

    found = least_squares(
        residuals, start, jac="3-point", method="lm", x_scale="jac", xtol=1e-15, ftol=1e-15, gtol=1e-15, max_nfev=20000
    )
    parameters, small = descend(local, y, np.asarray(found.x, dtype=np.float64))
    values, columns = local(parameters)
    rest = y - values
    dof = y.size - parameters.size
    covariance = unit_covariance(columns) * float(rest @ rest) / dof
    deviations = np.sqrt(np.diag(covariance))
    good = small and bool(np.all(np.isfinite(deviations)))
    return ModelFit(parameters, deviations, covariance, float(rest @ rest), dof, good)


def descend(local: Local, y: FloatArray, start: FloatArray, rounds: int = _ROUNDS) -> tuple[FloatArray, bool]:
    """Undamped Gauss-Newton steps to the floor of the valley that `start` lies in: parameters, shape (p,), and whether
    the last step was negligible.

    A sum of squares alone gives its minimum to half the digits only, and an optimizer's tolerance is too coarse for
    nearly collinear parameters. Stops where a step no longer lowers the sum.
    """
    parameters = start
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        values, columns = local(parameters)
        best, size = float(np.sum((y - values) ** 2)), np.inf
        for _ in range(rounds):
            scale = np.linalg.norm(columns, axis=0)
            scale[scale == 0.0] = 1.0
            step = np.linalg.lstsq(columns / scale, y - values, rcond=None)[0] / scale
            size = float(np.max(np.abs(step) / np.maximum(np.abs(parameters), 1e-300)))
            trial = parameters + step
            trial_values, trial_columns = local(trial)
            lowered = float(np.sum((y - trial_values) ** 2))
            if not np.isfinite(lowered) or lowered > best * (1.0 + 1e-12) + 1e-300:
                break
            parameters, values, columns, best = trial, trial_values, trial_columns, min(best, lowered)
            if size < 1e-12:
                break
    return parameters, size < 1e-6


def unit_covariance(columns: FloatArray) -> FloatArray:
    """(JᵀJ)⁻¹ of the derivatives `columns`, shape (n, p): the covariance of the parameters for noise of variance 1."""
    scale = np.linalg.norm(columns, axis=0)
    scale[scale == 0.0] = 1.0
    inverse = np.linalg.pinv(columns / scale, rcond=1e-9)
    return np.asarray((inverse @ inverse.T) / np.outer(scale, scale))
