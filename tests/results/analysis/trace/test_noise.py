"""A plateau's mean, scatter and correlation are right to the digits of NIST StRD; noise is told in motion, too."""

from __future__ import annotations

import math

import numpy as np
import pytest

from results.analysis.trace.hum import HumTerms
from results.analysis.trace.noise import (
    autocorrelation,
    correlation_factor,
    noise_scale,
    quantisation_u,
    quantum,
)
from results.analysis.trace.tail import fit_level
from tests.results.analysis.made_traces import Node, noise_voltage

# NIST StRD, univariate (public domain). NumAcc2 and NumAcc3: 1001 values, x.2, then x.1 and x.3 in turn.
NUM_ACC = {
    "NumAcc1": (np.array([10000001.0, 10000003.0, 10000002.0]), 10000002.0, 1.0, -0.5),
    "NumAcc2": (np.array([1.2] + [1.1, 1.3] * 500), 1.2, 0.1, -0.999),
    "NumAcc3": (np.array([1000000.2] + [1000000.1, 1000000.3] * 500), 1000000.2, 0.1, -0.999),
}


@pytest.mark.parametrize("name", NUM_ACC)
def test_nist_plateaus(name: str) -> None:
    """By the functions through which every settled voltage goes: level, scatter and correlation of its window."""
    values, mean, deviation, lag1 = NUM_ACC[name]
    plateau = fit_level(np.arange(values.size) * 1e-4, values, HumTerms())
    assert plateau.level_v == pytest.approx(mean, rel=1e-13)
    assert plateau.noise_v == pytest.approx(deviation, rel=2e-8)
    assert autocorrelation(plateau.residuals_v)[1] == pytest.approx(lag1, rel=2e-8)


def test_a_constant_has_no_correlation() -> None:
    assert not autocorrelation(np.full(50, 2.03)).any()
    assert correlation_factor(np.zeros(50)) == 1.0


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9])
def test_correlation_raises_the_variance_of_a_mean_as_for_a_first_order_autoregression(rho: float) -> None:
    noises = [noise_voltage(Node(correlation=rho, seed=seed), 4000) for seed in range(40)]
    plain = [correlation_factor(noise, cautious=False) for noise in noises]
    assert float(np.mean(plain)) == pytest.approx((1.0 + rho) / (1.0 - rho), rel=0.12)


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9])
def test_what_an_uncertainty_rests_on_is_raised_by_the_standard_error_and_no_more(rho: float) -> None:
    noises = [noise_voltage(Node(correlation=rho, seed=seed), 4000) for seed in range(40)]
    plain = np.array([correlation_factor(noise, cautious=False) for noise in noises])
    cautious = np.array([correlation_factor(noise) for noise in noises])
    assert np.all(cautious >= plain)
    assert 1.0 <= float(np.mean(cautious)) / ((1.0 + rho) / (1.0 - rho)) < 1.2


@pytest.mark.parametrize("rho", [0.0, 0.8])
def test_noise_is_told_on_a_signal_with_edges_and_slopes(rho: float) -> None:
    noise = noise_voltage(Node(noise_v=2e-3, correlation=rho, seed=3), 1500)
    moving = np.concatenate([np.zeros(200), np.full(300, 3.3), 3.3 * np.exp(-np.arange(1000) / 400.0)])
    assert noise_scale(moving + noise) == pytest.approx(2e-3, rel=0.25)


def test_the_step_of_a_converter_is_seen_and_none_where_there_is_none() -> None:
    noise = noise_voltage(Node(noise_v=2e-3, seed=4), 500)
    assert quantum(np.round((2.0 + noise) / 1e-3) * 1e-3) == pytest.approx(1e-3)
    assert quantum(2.0 + noise) == 0.0


def test_two_levels_far_apart_are_no_step() -> None:
    """They used to be taken as a converter with a step of 1.476 V, and the press between them was not seen."""
    assert quantum(np.array([0.0] * 50 + [1.476] * 20)) == pytest.approx(1e-3)


def test_quantisation_counts_in_full_without_dither_and_not_at_all_with_plenty() -> None:
    bare = 1e-3 / math.sqrt(12.0)
    rng = np.random.default_rng(5)
    assert quantisation_u(np.full(100, 2.0), 1e-3) == pytest.approx(bare)
    assert quantisation_u(np.round(rng.normal(2.0, 3e-3, 2000), 3), 1e-3) < 1e-3 * bare
    assert quantisation_u(np.full(100, 2.0), 0.0) == 0.0
