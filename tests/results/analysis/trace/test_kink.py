"""A slow departure is dated where two curves meet; a smooth curve has no such place."""

from __future__ import annotations

import numpy as np
import pytest

from results.analysis.trace.kink import kink_time

TIME = np.arange(200, dtype=np.float64) * 1e-3
NOISE = np.random.default_rng(3).normal(0.0, 1e-3, 200)


def test_a_level_that_turns_into_a_slope() -> None:
    kink = kink_time(TIME, np.where(TIME < 0.1, 1.0, 1.0 - 2.0 * (TIME - 0.1)) + NOISE, 0.05, 0.15)
    assert kink is not None
    assert kink.time_s == pytest.approx(0.1, abs=4.0 * kink.u_s)
    assert 1e-5 < kink.u_s < 1e-3


def test_a_node_still_charging_when_it_is_released() -> None:
    rising = 3.0 - 0.1 * np.exp(-TIME / 0.1)
    falling = (3.0 - 0.1 * np.exp(-1.0)) * np.exp(-(TIME - 0.1) / 0.6)
    kink = kink_time(TIME, np.where(TIME < 0.1, rising, falling) + NOISE, 0.05, 0.15)
    assert kink is not None
    assert kink.time_s == pytest.approx(0.1, abs=2e-3)


def test_a_smooth_curve_has_none() -> None:
    assert kink_time(TIME, np.exp(-TIME / 0.3) + NOISE, 0.05, 0.15) is None
    assert kink_time(TIME, 1.0 - TIME + NOISE, 0.05, 0.15) is None


def test_too_few_samples_have_none() -> None:
    assert kink_time(TIME[:5], TIME[:5], 0.0, 0.004) is None
