"""Two results agree where their difference is no more than its own expanded uncertainty, shared errors left out."""

from __future__ import annotations

import math

import pytest
from uncertainties import ufloat

from results.analysis.uncertainty.estimate import Estimate, mean
from results.analysis.uncertainty.normalised_error import normalised_error, pairwise_errors


def test_independent_results_are_compared_as_the_standard_says() -> None:
    """ISO/IEC 17043:2010, B.3.1.3 (formula from memory): U1 = 6, U2 = 8, a difference of 10 is E_n = 1."""
    pair = normalised_error("lab", Estimate(110.0, {"lab": 3.0}), "reference", Estimate(100.0, {"reference": 4.0}))
    assert pair.value == pytest.approx(1.0)
    assert pair.agrees
    apart = normalised_error("lab", Estimate(111.0, {"lab": 3.0}), "reference", Estimate(100.0, {"reference": 4.0}))
    assert apart.value == pytest.approx(1.1)
    assert not apart.agrees


def test_what_two_results_share_is_left_out_of_their_difference() -> None:
    """The `uncertainties` package with one variable a source gives the same difference (to 1e-12)."""
    gain, noise, other = ufloat(0.0, 0.03), ufloat(0.0, 0.01), ufloat(0.0, 0.02)
    expected = (5.0 + 2.0 * gain + noise) - (4.9 + 1.9 * gain - other)
    one = Estimate(5.0, {"gain": 0.06, "noise": 0.01})
    two = Estimate(4.9, {"gain": 0.057, "other": -0.02})
    pair = normalised_error("one", one, "two", two)
    assert pair.difference == pytest.approx(expected.nominal_value, rel=1e-12)
    assert pair.u == pytest.approx(expected.std_dev, rel=1e-12)
    assert pair.value == pytest.approx(0.1 / (2.0 * expected.std_dev), rel=1e-12)
    assert pair.u < math.hypot(one.u, two.u)


def test_products_and_inverses_carry_shared_errors_as_the_package_does() -> None:
    gain, own = ufloat(0.0, 0.03), ufloat(0.0, 0.01)
    x, y = 5.0 + 2.0 * gain, 3.0 - gain + own
    expected = 1.0 / (x * y)
    found = Estimate(5.0, {"gain": 0.06}).times(Estimate(3.0, {"gain": -0.03, "own": 0.01})).inverted()
    assert found.value == pytest.approx(expected.nominal_value, rel=1e-12)
    assert found.u == pytest.approx(expected.std_dev, rel=1e-12)


def test_the_mean_of_repeats_keeps_what_they_share() -> None:
    repeats = [Estimate(10.0, {"gain": 0.3, f"noise {n}": 0.4}) for n in range(4)]
    assert mean(repeats).u == pytest.approx(math.hypot(0.3, 0.2))
    with pytest.raises(ValueError, match="at least one estimate"):
        mean([])


def test_results_that_claim_to_be_certain_agree_only_where_they_are_equal() -> None:
    assert normalised_error("a", Estimate(1.0), "b", Estimate(1.0)).agrees
    assert normalised_error("a", Estimate(1.0), "b", Estimate(1.1)).value == math.inf


def test_every_pair_is_compared_once() -> None:
    results = [(name, Estimate(1.0, {name: 0.1})) for name in "abc"]
    assert [(pair.first, pair.second) for pair in pairwise_errors(results)] == [("a", "b"), ("a", "c"), ("b", "c")]
