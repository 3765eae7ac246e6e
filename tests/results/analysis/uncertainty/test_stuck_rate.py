"""A number of presses proves only so much about how often a pin sticks."""

from __future__ import annotations

import pytest

from results.analysis.uncertainty.stuck_rate import lower_limit, presses_needed, stuck_rate, two_sided, upper_limit
from results.record.run_record import RateAsked


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


@pytest.mark.parametrize(
    ("below", "confidence", "allowed", "presses"),
    [(0.05, 0.95, 0, 59), (0.01, 0.95, 0, 299), (0.05, 0.95, 1, 93), (0.01, 0.95, 1, 473)],
)
def test_presses_needed_are_the_sample_sizes_of_wilks(
    below: float, confidence: float, allowed: int, presses: int
) -> None:
    """95/95 and 99/95 without a distribution (Wilks): one-sided 59 and 299. From the smallest to the largest of a
    sample, two-sided, 93 and 473: there the sum has one term more, as where one press may stick."""
    assert presses_needed(below, confidence, allowed) == presses


def test_one_press_fewer_does_not_show_it() -> None:
    """The definition itself, at rates and confidences whose powers lie near the edge."""
    for below, confidence in ((0.05, 0.95), (0.5, 0.5), (0.5, 0.75), (0.1, 0.9), (0.001, 0.999), (0.9, 0.9)):
        presses = presses_needed(below, confidence)
        assert (1.0 - below) ** presses <= (1.0 - confidence) * (1.0 + 1e-9)
        assert presses == 1 or (1.0 - below) ** (presses - 1) > (1.0 - confidence) * (1.0 + 1e-9)
    assert presses_needed(0.5, 0.75) == 2
    # A coin: P(X <= 3) is 130/512 of nine, 176/1024 of ten.
    assert presses_needed(0.5, 0.75, 3) == 10


def test_rates_that_cannot_be_shown_are_refused() -> None:
    with pytest.raises(ValueError, match=r"a rate to be shown must lie between 0 and 1: 0\.0"):
        presses_needed(0.0, 0.95)
    with pytest.raises(ValueError, match="stuck presses allowed must not be negative: -1"):
        presses_needed(0.1, 0.95, -1)


ASKED = RateAsked(0.05, 0.95, 59)


def test_what_the_plan_asks_is_shown_by_as_many_presses_as_it_names_and_not_by_one_fewer() -> None:
    enough, few = stuck_rate(0, 0, 59, ASKED), stuck_rate(0, 0, 58, ASKED)
    assert enough is not None
    assert few is not None
    assert (enough.shown, few.shown) == (True, False)
    assert enough.text == (
        "asked: rate below 5 % with 95 % confidence: shown, 0 of 59 presses stuck, "
        "which excludes only rates above 4.96 %"
    )
    assert few.text.endswith("; 59 new presses with no more than 0 stuck would show it")


def test_one_stuck_press_asks_for_a_new_and_longer_series() -> None:
    rate = stuck_rate(1, 1, 59, ASKED)
    assert rate is not None
    assert rate.shown is False
    assert rate.rate == pytest.approx(1 / 59)
    assert "not shown, 1 of 59 presses stuck" in rate.text
    assert rate.text.endswith("; 93 new presses with no more than 1 stuck would show it")


def test_a_rate_that_is_surely_higher_is_said_to_be() -> None:
    """20 of 59: two-sided 95 % from 22.08 % (Clopper-Pearson by its definition)."""
    from scipy.stats import binom

    rate = stuck_rate(20, 20, 59, ASKED)
    assert rate is not None
    assert float(binom.sf(19, 59, rate.low95)) == pytest.approx(0.025, rel=1e-9)
    assert float(binom.cdf(20, 59, rate.high95)) == pytest.approx(0.025, rel=1e-9)
    assert rate.text.endswith("; it is at least 22.08 %")


def test_presses_that_may_have_stuck_count_in_the_upper_limits_alone() -> None:
    sure, open_ = stuck_rate(0, 0, 59, ASKED), stuck_rate(0, 2, 59, ASKED)
    assert sure is not None
    assert open_ is not None
    assert (open_.rate, open_.low95) == (0.0, 0.0)
    assert open_.high95 > sure.high95
    assert open_.upper95 == upper_limit(2, 59)
    assert "2 of 59 presses stuck or may have stuck" in open_.text


def test_without_presses_or_without_a_question() -> None:
    assert stuck_rate(0, 0, 0, ASKED) is None
    plain = stuck_rate(1, 1, 4, None)
    assert plain is not None
    assert (plain.shown, plain.text) == (None, "")
