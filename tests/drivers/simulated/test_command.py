"""SCPI program messages are read the same whole, byte by byte and with more behind them; what is wrong is named."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.simulated.command import (
    LONGEST_MESSAGE,
    Block,
    Channels,
    MessageSplitter,
    Number,
    Text,
    Unit,
    Word,
    asks,
    units,
)
from drivers.simulated.command_tree import CommandTree
from drivers.simulated.scpi_error import ScpiError

MESSAGES = [
    (b"*IDN?\n", [b"*IDN?"]),
    (b"A 1\r\nB 2\n", [b"A 1", b"B 2"]),
    (b'DISP:TEXT "#15\x0b";X\n', [b'DISP:TEXT "#15\x0b";X']),
    (b"DATA #15ab\ncd;*OPC?\nNEXT\n", [b"DATA #15ab\ncd;*OPC?", b"NEXT"]),
    (b"DATA #H1F\nX #\n", [b"DATA #H1F", b"X #"]),
    (b"DATA #2x\n", [b"DATA #2x"]),
    (b"\n", [b""]),
]


@pytest.mark.parametrize(("stream", "expected"), MESSAGES)
def test_a_stream_is_cut_into_the_same_messages_whole_and_byte_by_byte(stream: bytes, expected: list[bytes]) -> None:
    assert MessageSplitter().feed(stream) == expected

    splitter = MessageSplitter()
    found = [message for byte in stream for message in splitter.feed(bytes([byte]))]
    assert found == expected


def test_a_message_without_its_end_needs_more() -> None:
    splitter = MessageSplitter()

    assert splitter.feed(b"SENS:VOLT") == []
    assert splitter.feed(b":RANG 10\nTRIG") == [b"SENS:VOLT:RANG 10"]
    assert splitter.feed(b":COUN 5\n") == [b"TRIG:COUN 5"]


def test_a_block_that_is_not_complete_needs_more_even_past_a_line_feed() -> None:
    splitter = MessageSplitter()

    assert splitter.feed(b"DATA #210abc\ndef\n") == []
    assert splitter.feed(b"gh\n") == [b"DATA #210abc\ndef\ngh"]


def test_a_message_too_long_is_reported_once_and_the_next_is_read() -> None:
    splitter = MessageSplitter()

    assert splitter.feed(b"x" * (LONGEST_MESSAGE + 1)) == []
    found = splitter.feed(b"more\n*IDN?\n")
    assert isinstance(found[0], ScpiError)
    assert str(found[0]) == "-363 Input buffer overrun"
    assert found[1:] == [b"*IDN?"]


@given(st.binary(max_size=200), st.lists(st.integers(0, 200), max_size=6))
def test_any_bytes_are_cut_the_same_however_they_arrive(data: bytes, cuts: list[int]) -> None:
    stream = data + b"\n"
    splitter = MessageSplitter()
    bounds = [0, *sorted(min(cut, len(stream)) for cut in cuts), len(stream)]
    pieces = [stream[a:b] for a, b in pairwise(bounds)]

    assert [m for piece in pieces for m in splitter.feed(piece)] == MessageSplitter().feed(stream)


@given(st.text(st.characters(max_codepoint=255), max_size=80))
def test_any_text_is_read_or_refused_with_a_number_of_the_standard(text: str) -> None:
    try:
        list(units(text))
        number = None
    except ScpiError as error:
        number = error.number
    assert number is None or -200 < number <= -101 or number == -222


def _headers(message: str) -> list[str]:
    return [":".join(unit.header) + ("?" if unit.query else "") for unit in units(message)]


@pytest.mark.parametrize(
    ("message", "expected"),
    [
        ("SENS:VOLT:RANG 10;APER 1", ["SENS:VOLT:RANG", "SENS:VOLT:APER"]),
        ("SENS:VOLT:RANG 10;:TRIG:COUN 5;SOUR TIM", ["SENS:VOLT:RANG", "TRIG:COUN", "TRIG:SOUR"]),
        ("SENS:VOLT:RANG 10;*CLS;APER 1", ["SENS:VOLT:RANG", "*CLS", "SENS:VOLT:APER"]),
        (":abor;init", ["ABOR", "INIT"]),
        ("TRAC:FEED SENS;FEED:CONT NEXT;CONT?", ["TRAC:FEED", "TRAC:FEED:CONT", "TRAC:FEED:CONT?"]),
        (" *idn? ; ;", ["*IDN?"]),
        ("", []),
    ],
)
def test_a_header_without_a_colon_goes_on_from_the_level_before(message: str, expected: list[str]) -> None:
    assert _headers(message) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("10", Number(10.0)),
        ("-.5", Number(-0.5)),
        ("1.5E-3", Number(1.5e-3)),
        ("100 us", Number(1e-4, "S")),
        ("8.2 kohm", Number(8200.0, "OHM")),
        ("10 MOHM", Number(10e6, "OHM")),
        ("10 MV", Number(10e-3, "V")),
        ("1 MAV", Number(1e6, "V")),
        ("50HZ", Number(50.0, "HZ")),
        ("#H1F", Number(31.0)),
        ("#B101", Number(5.0)),
        ("on", Word("ON")),
        ('"it says ""D1"""', Text('it says "D1"')),
        ("'a;b,c'", Text("a;b,c")),
        ("(@101)", Channels((101,))),
        ("(@ 101, 103:105 ,107)", Channels((101, 103, 104, 105, 107))),
        ("(@105:103)", Channels((105, 104, 103))),
        ("#15a;b,c", Block(b"a;b,c")),
    ],
)
def test_a_parameter_is_read_with_its_type_and_unit(text: str, expected: object) -> None:
    (unit,) = units(f"X {text}")

    assert unit.arguments == (expected,)


@pytest.mark.parametrize(
    ("message", "number"),
    [
        ("SENS::VOLT", -102),
        ("1ABC", -102),
        ("SENS:VOLT=1", -102),
        ("\xb5X 1", -101),
        ("X 1,,2", -109),
        ("X 1.2.3", -121),
        ("X 1E99999", -123),
        ("X 1E400", -123),
        ("X 5 FURLONG", -131),
        ('X "open', -151),
        ("X #25ab", -161),
        ("X (@101", -171),
        ("X (@a)", -171),
        ("X (@1:99999)", -222),
    ],
)
def test_what_is_wrong_is_refused_by_the_number_of_the_standard(message: str, number: int) -> None:
    with pytest.raises(ScpiError) as caught:
        list(units(message))
    assert caught.value.number == number


def test_units_before_a_wrong_one_are_read() -> None:
    reading = units("A 1;B 2;%")

    assert [next(reading).header, next(reading).header] == [("A",), ("B",)]
    with pytest.raises(ScpiError, match="-102 Syntax error; %"):
        next(reading)


def test_a_message_asks_when_one_of_its_units_is_a_query() -> None:
    assert asks("*CLS;*IDN?")
    assert not asks("INIT;*OPC")
    assert not asks('DISP:TEXT "why?"')
    assert not asks("%?")


@pytest.fixture
def tree() -> CommandTree[str]:
    built: CommandTree[str] = CommandTree()
    built.add("[SENSe:]VOLTage[:DC]:RANGe[:UPPer]", "set range")
    built.add("[SENSe:]VOLTage[:DC]:RANGe[:UPPer]?", "get range")
    return built


@pytest.mark.parametrize(
    "header", ["SENS:VOLT:DC:RANG:UPP", "SENSe:VOLTage:RANGe", "volt:rang", "SENS1:VOLT:RANG", "Volt:dc:Range"]
)
def test_short_long_and_optional_mnemonics_name_the_same_command(tree: CommandTree[str], header: str) -> None:
    (unit,) = units(f"{header} 1")
    (query,) = units(f"{header}?")

    assert tree.find(unit) == "set range"
    assert tree.find(query) == "get range"


@pytest.mark.parametrize(
    ("header", "expected"),
    [
        ("VOLTA:RANG", "-113 Undefined header; VOLTA:RANG"),
        ("SENS2:VOLT:RANG", "-114 Header suffix out of range; SENS2"),
    ],
)
def test_a_header_that_is_not_there_is_undefined_and_another_suffix_out_of_range(
    tree: CommandTree[str], header: str, expected: str
) -> None:
    with pytest.raises(ScpiError) as caught:
        tree.find(Unit(tuple(header.split(":")), query=False, arguments=()))
    assert str(caught.value).startswith(expected)
