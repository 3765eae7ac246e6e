"""A quantity is read only where its unit is written and is the one asked for; what is shown reads back the same."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from results.errors import QuantityError
from results.quantity import parse, resistor_name, rkm, show


def test_a_quantity_without_an_end_is_refused_at_once() -> None:
    """A million digits kept the reader busy for minutes."""
    rule = r"^'1{100}…': longer than 100 characters: expected a quantity in V, for example \"3.3 V\"$"
    with pytest.raises(QuantityError, match=rule):
        parse("1" * 1_000_000 + " V", "V")


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("8.2 kΩ", "Ω", 8200.0),
        ("8.2 k\u2126", "Ω", 8200.0),  # the ohm sign of Unicode, not the Greek letter
        ("8.2kohm", "Ω", 8200.0),
        ("8.2 Kohm", "Ω", 8200.0),
        ("1e3 Ohms", "Ω", 1000.0),
        ("10 MΩ", "Ω", 10e6),
        ("10 mΩ", "Ω", 0.01),
        ("50 ms", "s", 0.05),
        ("2 min", "s", 120.0),
        ("1 h", "s", 3600.0),
        ("150 pF", "F", 150e-12),
        ("4n7", "F", 4.7e-9),
        ("1 %", "%", 0.01),
        ("100 ppm", "%", 1e-4),
        ("3.3 V", "V", 3.3),
        ("-20 mV", "V", -0.02),
        ("+.5V", "V", 0.5),
        ("120 µA", "A", 120e-6),
        ("120 μA", "A", 120e-6),
        ("120 uA", "A", 120e-6),
        ("50 Hz", "Hz", 50.0),
        ("10 µS", "S", 1e-5),
        ("-40 °C", "°C", -40.0),
        ("0.5 W", "W", 0.5),
    ],
)
def test_quantities_are_read_as_engineers_write_them(text: str, unit: str, value: float) -> None:
    assert parse(text, unit) == value  # type: ignore[arg-type]


# Source: IEC 60062 letter-and-digit code, values quoted in public tables (second-hand); 8k2: common usage (memory).
CODES = [
    ("R47", 0.47),
    ("4R7", 4.7),
    ("470R", 470.0),
    ("4K7", 4700.0),
    ("47K", 47e3),
    ("47K3", 47.3e3),
    ("470K", 470e3),
    ("4M7", 4.7e6),
    ("R10", 0.1),
    ("1K0", 1000.0),
    ("2M2", 2.2e6),
]


@pytest.mark.parametrize(("code", "ohm"), [*CODES, ("8k2", 8200.0), ("R300", 0.3), ("4L7", 0.0047), ("8k2 Ω", 8200.0)])
def test_letter_and_digit_codes_are_read(code: str, ohm: float) -> None:
    assert parse(code, "Ω") == ohm


@pytest.mark.parametrize(("code", "ohm"), CODES)
def test_letter_and_digit_codes_are_written(code: str, ohm: float) -> None:
    assert rkm(ohm) == code


@pytest.mark.parametrize(
    ("text", "unit", "message"),
    [
        (
            "8.2 kOm",
            "Ω",
            "'8.2 kOm': wrong unit 'kOm': expected a quantity in Ω, for example \"8.2 kΩ\"",
        ),
        ("3.3", "V", "'3.3': a bare number, the unit is missing: expected a quantity in V, for example \"3.3 V\""),
        (3.3, "V", '3.3: a bare number, the unit is missing: expected a quantity in V, for example "3.3 V"'),
        (True, "V", 'True: not a text: expected a quantity in V, for example "3.3 V"'),
        ("8.2k", "Ω", "'8.2k': a prefix 'k' without a unit: expected a quantity in Ω, for example \"8.2 kΩ\""),
        ("50 mS", "s", "'50 mS': wrong unit 'mS': expected a quantity in s, for example \"50 ms\""),
        ("50 ms", "V", "'50 ms': wrong unit 'ms': expected a quantity in V, for example \"3.3 V\""),
        (
            "1,5 kΩ",
            "Ω",
            "'1,5 kΩ': a comma in the number, write a decimal point: expected a quantity in Ω, for example \"8.2 kΩ\"",
        ),
        ("nan V", "V", "'nan V': not a finite number: expected a quantity in V, for example \"3.3 V\""),
        ("inf s", "s", "'inf s': not a finite number: expected a quantity in s, for example \"50 ms\""),
        ("1e999 V", "V", "'1e999 V': not a finite number: expected a quantity in V, for example \"3.3 V\""),
        ("", "F", "'': not a number with a unit: expected a quantity in F, for example \"150 pF\""),
        ("1 V", "%", "'1 V': wrong unit 'V': expected a quantity in %, for example \"1 %\""),
        ("25 C", "°C", "'25 C': wrong unit 'C': expected a quantity in °C, for example \"25 °C\""),
    ],
)
def test_what_is_no_quantity_is_refused_with_text_unit_and_example(text: object, unit: str, message: str) -> None:
    with pytest.raises(QuantityError) as caught:
        parse(text, unit)  # type: ignore[arg-type]
    assert str(caught.value) == message


@pytest.mark.parametrize(
    "text", ["R", "k", "4m7", "٣ V", "0x10 V", "1_000 V", "--5 V", "1..5 V", "5 V V", "1e99999 V", "V"]
)
def test_odd_texts_are_refused(text: str) -> None:
    with pytest.raises(QuantityError, match="expected a quantity in Ω"):
        parse(text, "Ω")


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [
        (8200.0, "Ω", "8.2 kΩ"),
        (120e-6, "A", "120 µA"),
        (999.96, "V", "1 kV"),
        (-0.002, "V", "-2 mV"),
        (0.0, "V", "0 V"),
        (0.01, "%", "1 %"),
        (1e-7, "%", "0.00001 %"),
        (1.0, "%", "100 %"),
        (-5.0, "°C", "-5 °C"),
        (None, "A", "not determined"),
        (math.nan, "A", "not determined"),
        (-math.inf, "V", "-∞ V"),
    ],
)
def test_values_are_shown_in_engineering_notation(value: float | None, unit: str, shown: str) -> None:
    assert show(value, unit) == shown  # type: ignore[arg-type]


def test_digits_are_significant_digits() -> None:
    assert show(9384.7, "Ω", digits=3) == "9.38 kΩ"
    assert show(0.123456, "%", digits=2) == "12 %"


def test_a_resistor_has_one_name_however_its_value_was_computed() -> None:
    assert resistor_name(8200.0) == "8.2 kΩ"
    assert resistor_name(1.0 / (1.0 / 8200.0)) == "8.2 kΩ"
    assert resistor_name(8199.999999999) == "8.2 kΩ"
    assert resistor_name(0.47) == "0.47 Ω"
    assert resistor_name(47030.0) == "47.03 kΩ"
    assert resistor_name(None) == "none"


@pytest.mark.parametrize("ohm", [0.0, -1.0, math.nan, math.inf])
def test_only_a_positive_finite_resistance_has_a_name_or_a_code(ohm: float) -> None:
    with pytest.raises(QuantityError, match=f"a resistance must be positive and finite: {ohm!r} Ω"):
        resistor_name(ohm)
    with pytest.raises(QuantityError, match=f"a resistance must be positive and finite: {ohm!r} Ω"):
        rkm(ohm)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(st.integers(100, 999), st.integers(-4, 9))
def test_every_three_digit_resistance_reads_back_from_its_name_and_its_code(digits: int, power: int) -> None:
    ohm = float(f"{digits}e{power}")
    assert parse(resistor_name(ohm), "Ω") == ohm
    assert parse(rkm(ohm), "Ω") == ohm


@settings(max_examples=300, deadline=None, derandomize=True)
@given(st.text(alphabet="0123456789.,eEkKmMRΩohmVs%µ +-∞nainf_", max_size=12))
def test_any_text_is_read_as_a_finite_number_or_refused_in_one_line(text: str) -> None:
    outcome: object
    try:
        outcome = parse(text, "Ω")
    except QuantityError as exc:
        outcome = str(exc)
    if isinstance(outcome, float):
        assert math.isfinite(outcome)
    else:
        assert str(outcome).startswith(repr(text))
        assert "\n" not in str(outcome)
