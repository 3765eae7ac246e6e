"""Tolerance limits: factors as published, and limits that hold what they say."""

from __future__ import annotations

import numpy as np
import pytest

from results.analysis.uncertainty.tolerance_limit import (
    least_count,
    one_sided_factor,
    tolerance_limits,
    two_sided_factor,
)


@pytest.mark.parametrize(("count", "factor"), [(10, 2.911), (30, 2.220)])
def test_one_sided_factors(count: int, factor: float) -> None:
    """One-sided 95/95, as tabulated (exact, noncentral t): n 10: 2.911, n 30: 2.220."""
    assert round(one_sided_factor(count), 3) == factor


def test_two_sided_factors_are_those_of_howe() -> None:
    """NIST/SEMATECH e-Handbook 7.2.6.3: n 43, 90 % of the population, 99 % confidence: 2.2173. For n 10, 95/95, Howe's
    is 3.382 where the exact one is 3.393: a report must say which."""
    assert round(two_sided_factor(43, 0.90, 0.99), 4) == 2.2173
    assert round(two_sided_factor(10), 3) == 3.382


def test_sizes_without_a_distribution() -> None:
    """Wilks: 95/95 59 and, two-sided, 93; 99/95 299 and 473."""
    assert (least_count("upper"), least_count("both")) == (59, 93)
    assert (least_count("upper", 0.99), least_count("both", 0.99)) == (299, 473)


def test_a_factor_of_one_value_is_refused() -> None:
    for factor in (one_sided_factor, two_sided_factor):
        with pytest.raises(ValueError, match="needs two values or more: 1"):
            factor(1)


def test_limits_of_normal_values_are_mean_and_factor() -> None:
    values = [float(v) for v in 5.0 + 2.0 * np.random.default_rng(4).standard_normal(20)]
    mean, deviation = np.mean(values), np.std(values, ddof=1)
    upper, both = tolerance_limits(values, "upper"), tolerance_limits(values, "both")
    assert (upper.method, both.method) == ("normal, exact factor", "normal, Howe's factor")
    assert upper.low is None
    assert upper.high == pytest.approx(mean + one_sided_factor(20) * deviation)
    assert both.low == pytest.approx(mean - two_sided_factor(20) * deviation)
    assert both.high == pytest.approx(mean + two_sided_factor(20) * deviation)


def test_limits_do_not_depend_on_the_unit() -> None:
    values = 5.0 + 2.0 * np.random.default_rng(4).standard_normal(20)
    large, small = (tolerance_limits([float(v) for v in values * unit], "both") for unit in (1.0, 1e-9))
    assert small.normal_p == pytest.approx(large.normal_p)
    assert small.high is not None
    assert large.high is not None
    assert small.high * 1e9 == pytest.approx(large.high)


def test_limits_hold_their_share_with_their_confidence() -> None:
    """Of 10 000 made normal samples of 15 the limits by factor hold 95 % of the population in 95 % (known to 0.2 %)."""
    from scipy.stats import norm

    samples = np.random.default_rng(8).standard_normal((10_000, 15))
    mean, deviation = samples.mean(axis=1), samples.std(axis=1, ddof=1)
    below = norm.cdf(mean + one_sided_factor(15) * deviation)
    reach = two_sided_factor(15) * deviation
    within = norm.cdf(mean + reach) - norm.cdf(mean - reach)
    assert np.mean(below >= 0.95) == pytest.approx(0.95, abs=0.01)
    assert np.mean(within >= 0.95) == pytest.approx(0.95, abs=0.01)


def test_what_is_not_normal_has_limits_from_enough_values_only() -> None:
    """Two clusters, as of pins with and without a leak."""
    clusters = [0.001 * k for k in range(30)] + [10.0 + 0.001 * k for k in range(30)]
    assert tolerance_limits(clusters, "upper").method == "distribution-free"
    assert tolerance_limits(clusters, "upper").high == pytest.approx(10.029)
    assert tolerance_limits(clusters[1:], "upper").method == "distribution-free"
    few = tolerance_limits(clusters[1:-1], "upper")
    assert (few.method, few.high) == ("not determined", None)
    assert few.reason == "not normal, and without a distribution 59 values are needed: 58"
    assert (
        tolerance_limits(clusters, "both").reason == "not normal, and without a distribution 93 values are needed: 60"
    )
    many = tolerance_limits([value + shift for value in clusters for shift in (0.0, 0.1)], "both")
    assert (many.low, many.high) == (0.0, pytest.approx(10.129))


def test_few_or_equal_values_have_none() -> None:
    assert tolerance_limits([1.0, 2.0] * 4, "upper").reason == "8 values are too few: 10 or more"
    assert tolerance_limits([1.0] * 12, "upper").reason == "all values are the same"
