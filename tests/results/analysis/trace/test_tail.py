"""One exponential over a level is fitted exactly, and what it does not describe is seen in its residuals."""

from __future__ import annotations

import numpy as np
import pytest

from results.analysis.trace.hum import HumTerms
from results.analysis.trace.tail import Noise, fit_level, fit_tail, misfit

TIME = np.arange(1200, dtype=np.float64) * 1e-4
NONE = HumTerms()


@pytest.mark.parametrize("tau", [3e-4, 7e-3, 0.05])
@pytest.mark.parametrize("scale", [1e-6, 1.0, 1e3])
def test_a_noise_free_exponential_is_recovered_in_any_unit(tau: float, scale: float) -> None:
    fit = fit_tail(TIME, scale * (0.3 + 3.0 * np.exp(-TIME / tau)), NONE, 1e-4)
    assert fit.tau_s == pytest.approx(tau, rel=1e-8)
    assert fit.level_v == pytest.approx(0.3 * scale, rel=1e-8)
    assert fit.amplitude_v == pytest.approx(3.0 * scale, rel=1e-8)
    assert fit.at(tau) == pytest.approx(scale * (0.3 + 3.0 * 0.36787944117), rel=1e-8)
    assert fit.clear


def test_standard_uncertainties_are_those_of_many_repeats() -> None:
    rng = np.random.default_rng(8)
    clean = 0.3 + 3.0 * np.exp(-TIME / 0.02)
    fits = [fit_tail(TIME, clean + rng.normal(0.0, 1e-3, TIME.size), NONE, 1e-4) for _ in range(150)]
    levels = np.array([fit.level_v for fit in fits])
    taus = np.array([fit.tau_s for fit in fits], dtype=np.float64)
    assert float(np.std(levels)) == pytest.approx(float(np.mean([fit.level_u_v for fit in fits])), rel=0.15)
    stated = np.array([fit.tau_u_s for fit in fits], dtype=np.float64)
    assert float(np.std(taus)) == pytest.approx(float(np.mean(stated)), rel=0.15)


def test_hum_is_carried_beside_the_exponential() -> None:
    hum = 0.05 * np.sin(2.0 * np.pi * 50.0 * TIME + 0.7)
    fit = fit_tail(TIME, 0.3 + 3.0 * np.exp(-TIME / 0.01) + hum, HumTerms(50.0, (1,)), 1e-4)
    assert fit.hum_amplitude_v == pytest.approx(0.05, rel=1e-6)
    assert fit.tau_s == pytest.approx(0.01, rel=1e-6)
    assert fit_level(TIME, 0.3 + hum, HumTerms(50.0, (1,))).level_v == pytest.approx(0.3, abs=1e-12)


def test_noise_gains_nothing_from_an_exponential_and_a_decay_does() -> None:
    rng = np.random.default_rng(9)
    gains = [fit_tail(TIME, rng.normal(2.0, 1e-3, TIME.size), NONE, 1e-4).gain for _ in range(60)]
    assert float(np.quantile(gains, 0.9)) < 9.0
    assert fit_tail(TIME, 2.0 + 1e-2 * np.exp(-TIME / 0.02) + rng.normal(0.0, 1e-3, TIME.size), NONE, 1e-4).gain > 100.0


def test_residuals_of_noise_pass_and_a_wrong_shape_does_not() -> None:
    rng = np.random.default_rng(10)
    noise = Noise(1e-3, 1.0, 500.0)
    passed = sum(misfit(rng.normal(0.0, 1e-3, 1000), noise)[1] for _ in range(200))
    assert passed >= 198
    bent = 5e-3 * np.exp(-np.arange(1000) / 30.0)
    value, good = misfit(bent + rng.normal(0.0, 1e-3, 1000), noise)
    assert value > 5.0
    assert not good
    assert misfit(bent + rng.normal(0.0, 1e-3, 1000), noise, allowed_v=5e-3)[1]
