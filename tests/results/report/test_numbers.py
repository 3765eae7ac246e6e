"""A number in the report is rounded to its expanded uncertainty, carries its unit, and is never "nan"."""

import math

import pytest

from results.analysis.findings import Bracket, Value
from results.report.numbers import bare_cell, bracket_text, cell, percent, plain, quantity_text


@pytest.mark.parametrize(
    ("value", "u", "unit", "expected"),
    [
        # JCGM 100:2008, 7.2.2: m_s = 100.02147 g with u_c = 0.35 mg is given as 100.02147(35): two digits (memory).
        (2.030123, 0.00042, "V", "(2.03012 ± 0.00084) V"),
        (34.04e-6, 1.2e-6, "A", "(34.0 ± 2.4) µA"),
        (60e3, 17e3, "Ω", "(60 ± 34) kΩ"),
        (9.38e3, 60.0, "Ω", "(9.38 ± 0.12) kΩ"),
        (999.97e-6, 0.5e-6, "A", "(1.0000 ± 0.0010) mA"),
        (-1e-9, 2e-9, "A", "(−1.0 ± 4.0) nA"),
        (3e-9, 61.5e-9, "A", "(0.00 ± 0.12) µA"),
        (-1e-12, 2e-9, "A", "(0.0 ± 4.0) nA"),
    ],
)
def test_a_value_has_the_decimals_of_two_digits_of_its_uncertainty(value, u, unit, expected):
    assert quantity_text(Value(value, u), unit, 2.0).replace("\u00a0", " ") == expected


def test_voltages_of_a_column_keep_the_bare_unit():
    assert cell(Value(0.0121, 0.00025), "V", 2.0, prefixed=False) == {"n": "0.01210 ± 0.00050", "unit": "V"}


def test_a_value_without_uncertainty_stands_alone():
    assert cell(Value(8200.0, 0.0), "Ω", 2.0) == {"n": "8.2", "unit": "kΩ"}


@pytest.mark.parametrize("quantity", [None, Value(math.nan, 1.0), Value(math.inf, 1.0)])
def test_what_is_not_a_number_is_not_determined(quantity):
    assert cell(quantity, "V", 2.0) == {"text": "not determined"}


def test_an_unusable_uncertainty_is_left_out():
    assert cell(Value(2.0, math.nan), "V", 2.0) == {"n": "2", "unit": "V"}
    assert bare_cell(math.nan, "V") == {"text": "not determined"}
    assert plain(None, "V") == "not determined"


def test_an_upper_limit_is_never_rounded_below_itself():
    # Clopper-Pearson, 0 of 3 and 0 of 5, one-sided 95 %: 1 − 0.05^(1/n).
    assert percent(1 - 0.05 ** (1 / 3)) == "63.2\u00a0%"
    assert percent(1 - 0.05 ** (1 / 5)) == "45.1\u00a0%"
    assert percent(0.63) == "63\u00a0%"
    assert percent(None) == "not determined"


@pytest.mark.parametrize(
    ("bracket", "expected"),
    [
        (Bracket("8.2 kΩ", "10 kΩ", 8.2e3, 10e3, "bracketed"), "8.2 kΩ to 10 kΩ"),
        (Bracket("47 kΩ", "none", 47e3, None, "bracketed"), "at least 47 kΩ"),
        (Bracket("47 kΩ", None, 47e3, None, "all released"), "at least 47 kΩ"),
        (Bracket(None, "4.7 kΩ", None, 4.7e3, "none released"), "below 4.7 kΩ"),
        (Bracket("none", None, None, None, "none needed"), "none needed"),
        (Bracket("22 kΩ", "4.7 kΩ", 22e3, 4.7e3, "intermittent"), "intermittent"),
        (Bracket(None, None, None, None, "not determined"), "not determined"),
    ],
)
def test_each_state_of_a_bracket_has_its_words(bracket, expected):
    assert bracket_text(bracket).replace("\u00a0", " ") == expected
