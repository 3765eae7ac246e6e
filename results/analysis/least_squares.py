"""Least squares of any smooth model, with standard deviations from its covariance. Checked on NIST StRD data."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Model = Callable[[FloatArray, FloatArray], FloatArray]
"""model(x, parameters) -> y, shapes (n,), (p,) -> (n,)."""

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

    Levenberg-Marquardt (Moré's, MINPACK) finds the valley; undamped Gauss-Newton steps then go to its floor, as the
    valley's own tolerance is too coarse for nearly collinear parameters. Standard deviations: residual variance with
    n − p degrees of freedom times the inverse of JᵀJ. Raises ValueError where there are fewer points than parameters.
    """
    from scipy.optimize import least_squares

    if y.size <= start.size:
        raise ValueError(f"fit: more points than parameters are needed: {y.size} points, {start.size} parameters")

    def residuals(parameters: FloatArray) -> FloatArray:
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            values = np.asarray(model(x, parameters) - y, dtype=np.float64)
        return np.where(np.isfinite(values), values, 1e150)

    found = least_squares(
        residuals, start, jac="3-point", method="lm", x_scale="jac", xtol=1e-15, ftol=1e-15, gtol=1e-15, max_nfev=20000
    )
    parameters, small = _polished(model, x, y, np.asarray(found.x, dtype=np.float64))
    return _with_covariance(model, x, y, parameters, small)


def _polished(model: Model, x: FloatArray, y: FloatArray, parameters: FloatArray) -> tuple[FloatArray, bool]:
    """Gauss-Newton steps as long as they lower the sum of squares; True when the last one was negligible."""
    best = float(np.sum((y - model(x, parameters)) ** 2))
    size = np.inf
    for _ in range(_ROUNDS):
        columns = jacobian(model, x, parameters)
        scale = np.linalg.norm(columns, axis=0)
        scale[scale == 0.0] = 1.0
        step = np.linalg.lstsq(columns / scale, y - model(x, parameters), rcond=None)[0] / scale
        size = float(np.max(np.abs(step) / np.maximum(np.abs(parameters), 1e-300)))
        trial = parameters + step
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            lowered = float(np.sum((y - model(x, trial)) ** 2))
        if not np.isfinite(lowered) or lowered > best * (1.0 + 1e-12) + 1e-300:
            break
        parameters, best = trial, min(best, lowered)
        if size < 1e-12:
            break
    return parameters, size < 1e-6


def _with_covariance(model: Model, x: FloatArray, y: FloatArray, parameters: FloatArray, small: bool) -> ModelFit:
    columns = jacobian(model, x, parameters)
    scale = np.linalg.norm(columns, axis=0)
    scale[scale == 0.0] = 1.0
    rest = y - model(x, parameters)
    dof = y.size - parameters.size
    inverse = np.linalg.pinv(columns / scale)
    covariance = (inverse @ inverse.T) / np.outer(scale, scale) * float(rest @ rest) / dof
    deviations = np.sqrt(np.diag(covariance))
    good = small and bool(np.all(np.isfinite(deviations)))
    return ModelFit(parameters, deviations, covariance, float(rest @ rest), dof, good)
