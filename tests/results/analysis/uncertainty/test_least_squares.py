"""The fitter reaches the certified parameters and standard deviations of NIST StRD from both starting points."""

from __future__ import annotations

import numpy as np
import pytest

from results.analysis.trace.hum import HumTerms
from results.analysis.trace.tail import fit_tail
from results.analysis.uncertainty.least_squares import FloatArray, Model, fit_model

# NIST StRD, nonlinear regression (public domain): y, x as published.
MISRA1A = """
10.07 77.6 14.73 114.9 17.94 141.1 23.93 190.8 29.61 239.9 35.18 289.0 40.02 332.8 44.82 378.4 50.76
434.8 55.05 477.3 61.01 536.8 66.40 593.1 75.47 689.1 81.78 760.0
"""
CHWIRUT2 = """
92.9 0.5 57.1 1.0 31.05 1.75 11.5875 3.75 8.025 5.75 63.6 0.875 21.4 2.25 14.25 3.25 8.475 5.25 63.8
0.75 26.8 1.75 16.4625 2.75 7.125 4.75 67.3 0.625 41.0 1.25 21.15 2.25 8.175 4.25 81.5 0.5 13.12 3.0
59.9 0.75 14.62 3.0 32.9 1.5 5.44 6.0 12.56 3.0 5.44 6.0 32.0 1.5 13.95 3.0 75.8 0.5 20.0 2.0 10.42
4.0 59.5 0.75 21.67 2.0 8.55 5.0 62.0 0.75 20.2 2.25 7.76 3.75 3.75 5.75 11.81 3.0 54.7 0.75 23.7
2.5 11.55 4.0 61.3 0.75 17.7 2.5 8.74 4.0 59.2 0.75 16.3 2.5 8.62 4.0 81.0 0.5 4.87 6.0 14.62 3.0
81.7 0.5 17.17 2.75 81.3 0.5 28.9 1.75
"""
MGH17_Y = """
844 908 932 936 925 908 881 850 818 784 751 718 685 658 628 603 580 558 538 522 506 490 478 467 457
448 438 431 424 420 414 411 406
"""


def pairs(text: str) -> tuple[FloatArray, FloatArray]:
    numbers = np.array([float(word) for word in text.split()])
    return numbers[1::2], numbers[::2]


def misra1a(x: FloatArray, b: FloatArray) -> FloatArray:
    return b[0] * (1.0 - np.exp(-b[1] * x))


def chwirut2(x: FloatArray, b: FloatArray) -> FloatArray:
    return np.exp(-b[0] * x) / (b[1] + b[2] * x)


def mgh17(x: FloatArray, b: FloatArray) -> FloatArray:
    return b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4])


MGH17_DATA = (np.arange(33) * 10.0, np.array([float(word) for word in MGH17_Y.split()]) / 1000.0)
CASES = {
    "Misra1a": (
        misra1a,
        pairs(MISRA1A),
        ([500.0, 0.0001], [250.0, 0.0005]),
        [2.3894212918e02, 5.5015643181e-04],
        [2.7070075241e00, 7.2668688436e-06],
        1.2455138894e-01,
    ),
    "Chwirut2": (
        chwirut2,
        pairs(CHWIRUT2),
        ([0.1, 0.01, 0.02], [0.15, 0.008, 0.010]),
        [1.6657666537e-01, 5.1653291286e-03, 1.2150007096e-02],
        [3.8303286810e-02, 6.6621605126e-04, 1.5304234767e-03],
        5.1304802941e02,
    ),
    "MGH17": (
        mgh17,
        MGH17_DATA,
        ([50.0, 150.0, -100.0, 1.0, 2.0], [0.5, 1.5, -1.0, 0.01, 0.02]),
        [3.7541005211e-01, 1.9358469127e00, -1.4646871366e00, 1.2867534640e-02, 2.2122699662e-02],
        [2.0723153551e-03, 2.2031669222e-01, 2.2175707739e-01, 4.4861358114e-04, 8.9471996575e-04],
        5.4648946975e-05,
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_the_model_alone_gives_the_certified_residual_sum_of_squares(name: str) -> None:
    model, (x, y), _, certified, _, residual_sum = CASES[name]
    assert float(np.sum((y - model(x, np.array(certified))) ** 2)) == pytest.approx(residual_sum, rel=1e-8)


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize("name", CASES)
def test_both_starts_reach_the_certified_values(name: str, start: int) -> None:
    model, (x, y), starts, certified, deviations, residual_sum = CASES[name]
    fit = fit_model(model, x, y, np.array(starts[start]))
    assert fit.trustworthy
    assert fit.parameters == pytest.approx(certified, rel=1e-6)
    assert fit.deviations == pytest.approx(deviations, rel=1e-5)
    assert fit.residual_sum == pytest.approx(residual_sum, rel=1e-8)
    assert fit.dof == y.size - len(certified)


def test_the_exponential_of_a_report_is_that_of_the_certified_fit() -> None:
    """Level, amplitude, time constant and their deviations agree with the general fit, to the digits of the data.

    A report raises the deviations for correlated noise and for few samples; without that they are the same.
    """
    x = np.arange(400) * 1e-4
    y = 0.4 + 2.6 * np.exp(-x / 5e-3) + 1e-3 * np.random.default_rng(6).standard_normal(x.size)
    report = fit_tail(x, y, HumTerms(), 1e-4)

    def fall(x: FloatArray, b: FloatArray) -> FloatArray:
        return b[0] + b[1] * np.exp(-x / b[2])

    fit = fit_model(fall, x, y, np.array([0.0, 1.0, 1e-3]))
    assert [report.level_v, report.amplitude_v, report.tau_s] == pytest.approx(fit.parameters, rel=1e-9)
    assert report.tau_u_s is not None
    assert report.tau_u_s / report.level_u_v == pytest.approx(fit.deviations[2] / fit.deviations[0], rel=1e-6)
    worth = fit.residual_sum / report.noise_v**2 / report.factor
    raised = report.noise_v * np.sqrt(report.factor * worth / (worth - 2.0) * fit.dof / fit.residual_sum)
    assert report.tau_u_s == pytest.approx(raised * fit.deviations[2], rel=1e-6)
    assert raised >= 1.0


def test_a_fit_without_spare_points_is_refused() -> None:
    model: Model = misra1a
    with pytest.raises(ValueError, match="more points than parameters are needed: 2 points, 2 parameters"):
        fit_model(model, np.array([1.0, 2.0]), np.array([1.0, 2.0]), np.array([1.0, 1.0]))


def test_a_parameter_that_the_data_do_not_fix_is_not_trusted() -> None:
    x = np.linspace(0.0, 1.0, 20)

    def flat(x: FloatArray, b: FloatArray) -> FloatArray:
        return np.full(x.size, b[0]) * np.exp(-x * 0.0) + 0.0 * b[1]

    fit = fit_model(flat, x, np.sin(40.0 * x), np.array([1.0, 1.0]))
    assert fit.deviations[0] > 0.0
    assert fit.parameters[0] == pytest.approx(float(np.sin(40.0 * x).mean()))
