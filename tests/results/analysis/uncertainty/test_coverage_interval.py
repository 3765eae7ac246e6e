"""The 95 % interval of a sum of rectangular and normal errors holds 95 %."""

from __future__ import annotations

import math

import pytest

from results.analysis.uncertainty.coverage_interval import half_width, standard_uncertainty


def test_sum_of_four_rectangular_errors() -> None:
    """JCGM 101:2008, 9.2.3: four rectangular ones of unit variance: 3.88 = 2√3 (2 − (3/5)^¼)."""
    published = 2.0 * math.sqrt(3.0) * (2.0 - 0.6**0.25)
    assert round(published, 2) == 3.88
    assert half_width([math.sqrt(3.0)] * 4, 0.0) == pytest.approx(published, abs=0.01)


def test_one_rectangular_error_reaches_95_percent_of_its_limit() -> None:
    """Twice its standard uncertainty would be 1.15 of it, and cover everything."""
    assert half_width([2.0], 0.0) == pytest.approx(1.9, rel=0.003)


def test_a_normal_error_alone_reaches_1_96_standard_deviations() -> None:
    assert half_width([], 2.0) == pytest.approx(2.0 * 1.959964, rel=0.005)
    assert half_width([0.0, 0.0], 2.0) == half_width([], 2.0)


def test_the_sign_of_a_limit_does_not_matter_and_equal_errors_give_equal_numbers() -> None:
    assert half_width([1.0, -2.0], 0.5) == half_width([1.0, 2.0], 0.5)


def test_variances_add() -> None:
    assert standard_uncertainty([3.0, 3.0], 1.0) == pytest.approx(math.sqrt(9.0 / 3.0 * 2 + 1.0))
