"""An instrument is spoken to in portable commands; a bench file replaces single ones, and no wrong one gets through."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.dialect import OPTIONAL, TEMPLATES, Dialect, DialectError
from drivers.errors import LimitError


@pytest.mark.parametrize(
    ("role", "purpose", "values", "expected"),
    [
        ("meter", "identify", {}, "*IDN?"),
        ("meter", "range", {"value": 10.0}, "SENS:VOLT:DC:RANG 10"),
        ("meter", "aperture", {"value": 0.0001}, "SENS:VOLT:DC:APER 0.0001"),
        ("meter", "timer", {"value": 2e-5}, "TRIG:TIM 2E-05"),
        ("meter", "count", {"value": 1400}, "TRIG:COUN 1400"),
        ("meter", "autozero", {"value": False}, "CAL:ZERO:AUTO OFF"),
        ("meter", "autozero", {"value": "ONCE"}, "CAL:ZERO:AUTO ONCE"),
        ("meter", "label", {"text": 'D1 "none" 1;2'}, 'DISP:TEXT "D1 ""none"" 1;2"'),
        ("source", "voltage", {"value": -3.3}, "SOUR:VOLT:LEV:IMM:AMPL -3.3"),
        ("switch", "close", {"list": ("101", "103")}, "ROUT:CLOS (@101,103)"),
        ("switch", "closed", {"list": "(@1!1)"}, "ROUT:CLOS? (@1!1)"),
        ("relay_board", "close", {"channel": 4}, "CLOSE 4"),
        ("board", "setup", {"pin": "D1", "setup": "reset default"}, "setup D1 reset default"),
    ],
)
def test_a_command_is_its_template_with_the_values_in_place(
    role: str, purpose: str, values: dict[str, object], expected: str
) -> None:
    assert Dialect(role).text(purpose, **values) == expected


@pytest.mark.parametrize("role", TEMPLATES)
def test_every_portable_command_is_itself_a_valid_override(role: str) -> None:
    for purpose, template in TEMPLATES[role].items():
        assert Dialect(role, {purpose: template}).has(purpose) is bool(template)
    assert OPTIONAL.isdisjoint({"output_off", "off_high_impedance", "open", "open_all", "error", "identify"})


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_loses_nothing_on_the_way(value: float) -> None:
    command = Dialect("source").text("voltage", value=value)
    sent = command.removeprefix("SOUR:VOLT:LEV:IMM:AMPL ")
    assert re.fullmatch(r"-?[0-9]+(\.[0-9]+)?(E[+-]?[0-9]+)?", sent)
    assert float(sent) == value


def test_an_override_replaces_one_command_and_no_other() -> None:
    dialect = Dialect("meter", {"range": "CONF:VOLT:DC {value:.3f}", "autozero": ""})
    assert dialect.text("range", value=10.0) == "CONF:VOLT:DC 10.000"
    assert dialect.text("autozero", value=False) == ""
    assert not dialect.has("autozero")
    assert dialect.text("impedance", value=1e7) == "INP:IMP 10000000"
    assert Dialect("meter").text("range", value=10.0) == "SENS:VOLT:DC:RANG 10"


def test_an_aperture_may_be_counted_in_line_cycles() -> None:
    dialect = Dialect("meter", {"aperture": "SENS:VOLT:DC:NPLC {nplc}"})
    assert dialect.uses("aperture", "nplc")
    assert not Dialect("meter").uses("aperture", "nplc")
    for speaker, expected in ((dialect, "SENS:VOLT:DC:NPLC 1"), (Dialect("meter"), "SENS:VOLT:DC:APER 0.02")):
        assert speaker.text("aperture", value=0.02, nplc=1.0) == expected
    with pytest.raises(DialectError, match=r"meter.commands.aperture: no value for \{nplc\}"):
        dialect.text("aperture", value=0.02)


@pytest.mark.parametrize(
    ("purpose", "template", "rule"),
    [
        ("rangee", "X", "meter.commands.rangee: no such command; a meter has aperture, "),
        ("range", "RANG", r"meter.commands.range: 'RANG' must hold exactly \{value\}"),
        ("range", "RANG {volts}", r"must hold exactly \{value\}"),
        ("range", "RANG {value} {text}", r"must hold exactly \{value\}"),
        ("start", "INIT {value}", "'INIT {value}' must hold exactly no placeholder"),
        ("aperture", "RATE SLOW", r"must hold exactly \{value\} or \{nplc\}"),
        ("range", "RANG {value", "meter.commands.range: 'RANG {value': expected '}'"),
        ("range", "RANG {value.real}", "is not a plain name"),
        ("range", "RANG {0}", "is not a plain name"),
        ("range", "RANG {value!r}", "is not a plain name"),
        ("range", "RANG {value.__class__}", "is not a plain name"),
        ("range", "RANG {value:>900000000}", "'>900000000' is no format of a number, such as .6f"),
        ("range", "RANG {value:.900000000f}", "'.900000000f' is no format of a number"),
        ("range", "RANG {value:{value}}", r"'\{value\}' is no format of a number"),
        ("range", "RANG {value:%}", "'%' is no format of a number"),
        ("label", "DISP:TEXT {text}", r"must hold \{text\} in double quotes"),
        ("label", "DISP:TEXT '{text}'", r"must hold \{text\} in double quotes"),
        ("range", "RANG {value:q}", "meter.commands.range: "),
        ("range", "", "meter.commands.range: may not be empty"),
        ("autozero", "  ", "meter.commands.autozero: may not be empty"),
        ("range", "RANG {value}\n*RST", "holds a character that is not printable ASCII"),
        ("range", "RANG? {value}", "must not be a query"),
        ("timer_read", "TRIG:TIM", "must be a query"),
    ],
)
def test_a_wrong_override_is_refused_naming_its_key(purpose: str, template: str, rule: str) -> None:
    with pytest.raises(DialectError, match=rule):
        Dialect("meter", {purpose: template})


@pytest.mark.parametrize(
    ("purpose", "values", "rule"),
    [
        ("nonsense", {}, "meter.commands.nonsense: no such command"),
        ("range", {}, r"meter.commands.range: no value for \{value\} of 'SENS:VOLT:DC:RANG \{value\}'"),
        ("start", {"value": 1}, r"meter.commands.start: 'INIT' takes no \{value\}"),
        ("range", {"value": float("nan")}, r"\{value\} must be a finite number: nan"),
        ("range", {"value": float("inf")}, r"\{value\} must be a finite number: inf"),
        ("range", {"value": None}, r"\{value\} cannot be sent: None"),
        ("range", {"value": "10;OUTP ON"}, r"\{value\} must not hold a semicolon"),
        ("range", {"value": "10\nOUTP ON"}, r"\{value\} must be printable ASCII"),
        ("label", {"text": "47 kΩ"}, r"\{text\} must be printable ASCII: '47 kΩ'"),
    ],
)
def test_a_wrong_value_is_refused_before_anything_is_sent(purpose: str, values: dict[str, object], rule: str) -> None:
    with pytest.raises(DialectError, match=rule):
        Dialect("meter").text(purpose, **values)


def test_an_unknown_role_is_refused_and_a_refusal_is_a_limit() -> None:
    with pytest.raises(
        LimitError, match="scope: no such role; there are meter, source, supply, chamber, switch, relay_board, board"
    ):
        Dialect("scope")
