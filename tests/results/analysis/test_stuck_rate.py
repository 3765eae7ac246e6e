"""A number of presses proves only so much about how often a pin sticks."""

from __future__ import annotations

import pytest

from results.analysis.stuck_rate import lower_limit, two_sided, upper_limit


def test_no_stuck_press_out_of_five_excludes_only_rates_above_45_percent() -> None:
    """Closed form for none: (1 − p)^n = 0.05."""
    assert upper_limit(0, 5) == pytest.approx(1.0 - 0.05 ** (1 / 5), rel=1e-12)
    assert upper_limit(0, 5) == pytest.approx(0.4507, abs=5e-5)


def test_limits_agree_with_the_published_example() -> None:
    """4 of 20 at 90 %: 0.071354 to 0.401028 (NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.1)."""
    limits = two_sided(4, 20, confidence=0.90)
    assert limits == pytest.approx((0.071354, 0.401028), abs=2e-6)


def test_the_limit_is_the_rate_at_which_so_few_are_seen_with_the_stated_chance() -> None:
    """The definition itself, by the binomial distribution."""
    from scipy.stats import binom

    limit = upper_limit(2, 12)
    assert limit is not None
    assert float(binom.cdf(2, 12, limit)) == pytest.approx(0.05, rel=1e-9)


def test_ends_of_the_scale() -> None:
    assert upper_limit(3, 3) == 1.0
    assert lower_limit(0, 3) == 0.0
    assert lower_limit(3, 3) == pytest.approx(0.05 ** (1 / 3), rel=1e-12)
    assert upper_limit(0, 0) is None
    assert two_sided(0, 0) is None


def test_impossible_counts_are_refused() -> None:
    with pytest.raises(ValueError, match="stuck trials must lie between 0 and 3: 4"):
        upper_limit(4, 3)
    with pytest.raises(ValueError, match=r"confidence must lie between 0 and 1: 1\.0"):
        upper_limit(1, 3, confidence=1.0)
