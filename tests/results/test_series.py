"""Preferred values are those of IEC 60063, in every decade."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from results.errors import QuantityError
from results.series import SERIES, is_preferred, largest_at_most, neighbours, values

# Source: IEC 60063 tables as published by makers and standards bodies.
E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
E24 = (
    *(1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0),
    *(3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1),
)
E48 = (
    *(1.00, 1.05, 1.10, 1.15, 1.21, 1.27, 1.33, 1.40, 1.47, 1.54, 1.62, 1.69, 1.78, 1.87, 1.96, 2.05),
    *(2.15, 2.26, 2.37, 2.49, 2.61, 2.74, 2.87, 3.01, 3.16, 3.32, 3.48, 3.65, 3.83, 4.02, 4.22, 4.42),
    *(4.64, 4.87, 5.11, 5.36, 5.62, 5.90, 6.19, 6.49, 6.81, 7.15, 7.50, 7.87, 8.25, 8.66, 9.09, 9.53),
)
E96_BETWEEN_E48 = (
    *(1.02, 1.07, 1.13, 1.18, 1.24, 1.30, 1.37, 1.43, 1.50, 1.58, 1.65, 1.74, 1.82, 1.91, 2.00, 2.10),
    *(2.21, 2.32, 2.43, 2.55, 2.67, 2.80, 2.94, 3.09, 3.24, 3.40, 3.57, 3.74, 3.92, 4.12, 4.32, 4.53),
    *(4.75, 4.99, 5.23, 5.49, 5.76, 6.04, 6.34, 6.65, 6.98, 7.32, 7.68, 8.06, 8.45, 8.87, 9.31, 9.76),
)
E192_LAST = (8.66, 8.76, 8.87, 8.98, 9.09, 9.20, 9.31, 9.42, 9.53, 9.65, 9.76, 9.88)
E192_FIRST = (1.00, 1.01, 1.02, 1.04, 1.05, 1.06, 1.07, 1.09, 1.10, 1.11, 1.13, 1.14, 1.15, 1.17, 1.18, 1.20)


def test_the_tabulated_series() -> None:
    assert values("E3") == (1.0, 2.2, 4.7)
    assert values("E6") == (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
    assert values("E12") == E12
    assert values("E24") == E24


def test_the_series_by_rule() -> None:
    assert values("E48") == E48
    assert values("E96") == tuple(sorted(E48 + E96_BETWEEN_E48))
    assert values("E192")[: len(E192_FIRST)] == E192_FIRST
    assert values("E192")[-len(E192_LAST) :] == E192_LAST


def test_9_20_is_the_one_exception_to_the_rounding_rule() -> None:
    rule = [round(10 ** (index / 192), 2) for index in range(192)]
    assert [(by_rule, value) for by_rule, value in zip(rule, values("E192"), strict=True) if by_rule != value] == [
        (9.19, 9.20)
    ]


def test_each_series_holds_its_number_of_values() -> None:
    assert [len(values(series)) for series in SERIES] == [3, 6, 12, 24, 48, 96, 192]


def test_largest_at_most_never_exceeds_what_is_safe() -> None:
    assert largest_at_most("E12", 9380.0) == 8200.0
    assert largest_at_most("E96", 9380.0) == 9310.0
    assert largest_at_most("E12", 8200.0) == 8200.0
    assert largest_at_most("E12", 8199.0) == 6800.0
    assert largest_at_most("E12", 999.0) == 820.0
    assert largest_at_most("E12", 1000.0) == 1000.0


def test_a_computed_value_counts_as_the_preferred_value_it_stands_for() -> None:
    assert largest_at_most("E12", 1.0 / (1.0 / 8200.0) * (1 - 1e-12)) == 8200.0
    assert is_preferred("E12", 8200.0 * (1 + 1e-12))


def test_neighbours_leave_the_value_itself_out() -> None:
    assert neighbours("E12", 8200.0) == (6800.0, 10000.0)
    assert neighbours("E12", 1000.0) == (820.0, 1200.0)
    assert neighbours("E12", 8200.0 * (1 - 1e-12)) == (6800.0, 10000.0)
    assert neighbours("E12", 8200.0 * (1 + 1e-12)) == (6800.0, 10000.0)
    assert neighbours("E24", 9000.0) == (8200.0, 9100.0)


@pytest.mark.parametrize("series", SERIES)
@pytest.mark.parametrize("power", [-1, 0, 3, 6])
def test_every_value_of_every_decade_is_its_own_largest_at_most(series: str, power: int) -> None:
    decade = [float(f"{round(value * 100)}e{power - 2}") for value in values(series)]
    assert [largest_at_most(series, ohm) for ohm in decade] == decade
    assert all(is_preferred(series, ohm) for ohm in decade)
    between = [math.sqrt(low * high) for low, high in pairwise(decade)]
    assert not any(is_preferred(series, ohm) for ohm in between)
    assert [neighbours(series, ohm) for ohm in between] == list(pairwise(decade))


def test_an_unknown_series_is_refused_with_the_known_ones() -> None:
    message = "'E13': unknown series of preferred values: one of E3, E6, E12, E24, E48, E96, E192"
    with pytest.raises(QuantityError, match=message):
        values("E13")


@pytest.mark.parametrize("ohm", [0.0, -8200.0, math.inf, math.nan])
def test_only_a_positive_finite_resistance_has_neighbours(ohm: float) -> None:
    with pytest.raises(QuantityError, match=f"a resistance must be positive and finite: {ohm!r} Ω"):
        neighbours("E12", ohm)
