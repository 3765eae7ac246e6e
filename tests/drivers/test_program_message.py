"""A message is understood where the dialect could have written it, and not otherwise."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.dialect import TEMPLATES, Dialect
from drivers.message import joined
from drivers.program_message import MessageReader, number


def _reader(role: str, **overrides: str) -> MessageReader:
    return MessageReader(Dialect(role, overrides).templates)


def _purposes(reader: MessageReader, message: str) -> list[set[str]] | None:
    said = reader.read(message)
    return None if said is None else [set(one.purposes) for one in said]


@pytest.mark.parametrize("role", [role for role in TEMPLATES if role != "board"])
def test_whatever_a_dialect_writes_is_read_back_with_its_values(role: str) -> None:
    dialect, reader = Dialect(role), _reader(role)
    values: dict[str, object] = {"value": -1.5e-05, "text": 'D1 "none"; #1', "list": ("101",), "channel": "7"}
    read = {"value": "-1.5E-05", "text": 'D1 ""none""; #1', "list": "(@101)", "channel": "7"}
    for purpose, template in dialect.templates.items():
        if not template:
            continue  # no portable command exists
        wanted = {name: value for name, value in values.items() if f"{{{name}}}" in template}
        said = reader.read(dialect.text(purpose, **wanted))
        assert said is not None, purpose
        assert len(said) == 1
        assert purpose in said[0].purposes
        assert said[0].values == {name: read[name] for name in wanted}


def test_commands_that_are_sent_together_are_read_one_by_one() -> None:
    reader = _reader("source")
    assert _purposes(reader, "SOUR:VOLT:LEV:IMM:AMPL 3.3;:OUTP:STAT ON;*OPC?") == [{"voltage"}, {"output_on"}, {"done"}]


@pytest.mark.parametrize(
    "message",
    [
        "SOUR:VOLT 50",
        "sour:volt:lev:imm:ampl 50",
        "SOUR:VOLT:LEV:IMM:AMPL 3.3;VOLT 50",
        "SOUR:VOLT:LEV:IMM:AMPL 3.3;:SOUR:CURR 1",
        "SOUR:VOLT:LEV:IMM:AMPL 3.3 kV",
        "SOUR:VOLT:LEV:IMM:AMPL 3.3,50",
        "SOUR:VOLT:LEV:IMM:AMPL #H32",
        "SOUR:VOLT:LEV:IMM:AMPL",
        " OUTP:STAT ON",
        ":OUTP:STAT ON",
        "OUTP:STAT ON;",
        "OUTP:SMOD ZERO",
        'DISP:TEXT "a";:SOUR:VOLT 50;:DISP:TEXT "b"',
        "",
    ],
)
def test_what_no_dialect_writes_is_not_understood(message: str) -> None:
    """Another spelling of a command may be one to the instrument; here only what was written by this tool passes."""
    assert _reader("source").read(message) is None


def test_text_in_quotes_hides_no_command() -> None:
    assert _purposes(_reader("source"), 'DISP:TEXT "a;:OUTP:STAT ON"') == [{"label"}]
    assert _purposes(_reader("source"), 'DISP:TEXT "a";:OUTP:STAT ON') == [{"label"}, {"output_on"}]


def test_a_command_of_the_bench_file_stands_in_place_of_the_portable_one() -> None:
    reader = _reader("source", voltage="SOUR:VOLT {value:.3f};*WAI")
    said = reader.read("SOUR:VOLT 3.300;*WAI;:OUTP:STAT ON")
    assert said is not None
    assert [(set(one.purposes), dict(one.values)) for one in said] == [
        ({"voltage"}, {"value": "3.300"}),
        ({"output_on"}, {}),
    ]
    assert reader.read("SOUR:VOLT:LEV:IMM:AMPL 3.3") is None


def test_one_text_for_two_purposes_is_both() -> None:
    assert _purposes(_reader("supply", clear="OUTP:STAT OFF"), "OUTP:STAT OFF") == [{"clear", "output_off"}]


@pytest.mark.parametrize(
    ("text", "value"), [("3.3", 3.3), ("-1E-05", -1e-5), (".5", 0.5), ("MAX", None), ("NAN", None), ("", None)]
)
def test_a_number_is_decimal_data_and_no_word(text: str, value: float | None) -> None:
    assert number(text) == value


@given(st.lists(st.sampled_from(["voltage", "output_on", "output_off", "current_limit"]), min_size=1, max_size=6))
def test_any_order_of_commands_is_read_back_in_that_order(purposes: list[str]) -> None:
    dialect, reader = Dialect("source"), _reader("source")
    commands = [
        dialect.text(one, **({"value": 1.0} if "{value}" in dialect.templates[one] else {})) for one in purposes
    ]
    assert _purposes(reader, joined(*commands)) == [{one} for one in purposes]
