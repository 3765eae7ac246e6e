"""A reply is a number, a list, a text or a block in full, or it is an error; it is never shortened to fit."""

from __future__ import annotations

import math
import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import reply
from drivers.errors import ReplyError

finite = st.floats(allow_nan=False, allow_infinity=False).filter(lambda x: abs(x) < 9.9e37)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("0", 0.0),
        ("+1", 1.0),
        ("-12.5", -12.5),
        (".5", 0.5),
        ("5.", 5.0),
        ("+1.234567E-03", 1.234567e-3),
        ("1e3", 1000.0),
        ("  3.3 ", 3.3),
        ("9.89E37", 9.89e37),
    ],
)
def test_a_number_is_nr1_nr2_or_nr3(text: str, expected: float) -> None:
    assert reply.number(text) == expected


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "1_0",
        "1,2",
        "1 2",
        "0x10",
        "1.2.3",
        "E5",
        "1E",
        "--1",
        "1V",
        "\t1",
        "1\n",
        "1\r",
        "١",
        "²",
        "OVLD",
        "infinit",
    ],
)
def test_anything_else_is_not_a_number(text: str) -> None:
    with pytest.raises(ReplyError, match="not a number"):
        reply.number(text)


@pytest.mark.parametrize(
    "text",
    # 9.9E37, -9.9E37 and 9.91E37: SCPI-99 vol. 1, 7.2.1.4 and 7.2.1.5. 9.90999953e37: 9.91E37 sent through float32.
    ["9.9E37", "-9.9E37", "9.91E37", "+9.90999953E+37", "9.99999E37", "1E400", "INF", "-INF", "+inf", "NINF", "NAN"],
)
def test_a_sentinel_is_overload_and_no_measurement(text: str) -> None:
    assert math.isnan(reply.number(text))
    with pytest.raises(ReplyError, match="overload where a number is needed"):
        reply.number(text, overload=False)


def test_an_error_names_resource_command_and_what_came() -> None:
    with pytest.raises(ReplyError) as caught:
        reply.number("1_0", resource="GPIB0::22::INSTR", command="READ?")
    assert str(caught.value) == "GPIB0::22::INSTR: not a number; command 'READ?'; received b'1_0'"
    with pytest.raises(ReplyError, match="not a number: the reply is empty"):
        reply.number("")


@given(finite)
def test_a_number_comes_back_as_it_was_written(value: float) -> None:
    assert reply.number(repr(value)) == value


@given(st.lists(finite, min_size=1, max_size=30))
def test_a_list_comes_back_as_it_was_written(values: list[float]) -> None:
    read = reply.numbers(",".join(map(repr, values)), len(values))
    assert read.dtype == np.float64
    assert read.tolist() == values


@given(st.text(max_size=12))
def test_any_text_is_a_number_or_a_reply_error(text: str) -> None:
    try:
        value = reply.number(text)
    except ReplyError:
        return
    assert math.isnan(value) or value == float(text)


@pytest.mark.parametrize("text", ["1,", ",1", "1,,2", ",", ""])
def test_an_empty_field_is_an_error(text: str) -> None:
    with pytest.raises(ReplyError, match="not a number"):
        reply.numbers(text)


def test_another_count_is_an_error() -> None:
    with pytest.raises(ReplyError, match="3 numbers, expected 2"):
        reply.numbers("1,2,3", 2)


def test_overload_keeps_its_place_in_a_list() -> None:
    np.testing.assert_array_equal(reply.numbers("1, 9.91E37,-2"), [1.0, np.nan, -2.0])


@pytest.mark.parametrize(("text", "expected"), [("0", 0), ("+32", 32), (" -4 ", -4)])
def test_an_integer_is_nr1(text: str, expected: int) -> None:
    assert reply.integer(text) == expected


@pytest.mark.parametrize("text", ["", "1.0", "1E0", "1_0", "one", "²", "1" * 19, "1" * 5000])
def test_anything_else_is_not_an_integer(text: str) -> None:
    with pytest.raises(ReplyError, match="not an integer"):
        reply.integer(text)


@given(st.text())
def test_a_quoted_text_comes_back_as_it_was_written(text: str) -> None:
    assert reply.quoted('"' + text.replace('"', '""') + '"') == text


@pytest.mark.parametrize("text", ["", "abc", '"abc', 'abc"', '"a"b"', '"', "\"a'"])
def test_a_text_with_wrong_quotes_is_an_error(text: str) -> None:
    with pytest.raises(ReplyError, match="not a quoted text"):
        reply.quoted(text)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("0", (0, "")),
        ("+0", (0, "")),
        ('"0"', (0, "")),
        ('0,"No error"', (0, "No error")),
        ('-113,"Undefined header"', (-113, "Undefined header")),
        ('-113,"Undefined header;OUT ""X"""', (-113, 'Undefined header;OUT "X"')),
        ('+201, "Too hot"', (201, "Too hot")),
        ("-410,Query INTERRUPTED", (-410, "Query INTERRUPTED")),
        ('"-222,Data out of range"', (-222, "Data out of range")),
    ],
)
def test_a_queue_entry_is_read_by_its_leading_integer(text: str, expected: tuple[int, str]) -> None:
    assert reply.queue_entry(text) == expected


def test_an_entry_of_blanks_is_read_or_refused_at_once() -> None:
    """The time for it grew with the square of the blanks: a line of a megabyte took minutes."""
    with pytest.raises(ReplyError, match="not an entry of an error queue"):
        reply.queue_entry('"1,' + " " * reply.LINE_MOST + "x")
    assert reply.queue_entry(f"1,{' ' * 100_000}x{' ' * 100_000}") == (1, "x")


@pytest.mark.parametrize("text", ["", "No error", '"0', "-113 Undefined", "1.5,x", "1_0", "-" + "1" * 5000])
def test_anything_else_is_not_a_queue_entry(text: str) -> None:
    with pytest.raises(ReplyError, match="not an entry of an error queue"):
        reply.queue_entry(text)


@pytest.mark.parametrize(
    ("data", "expected"),
    [(b"ok\n", "ok"), (b"ok\r\n", "ok"), (b"\n", ""), (b"\0ok\0\r\n", "ok"), (b"8.2 k\xb5\n", "8.2 kµ")],
)
def test_a_line_is_whole_or_needs_more_at_every_byte(data: bytes, expected: str) -> None:
    for size in range(len(data)):
        assert reply.line(data[:size]) is None
    assert reply.line(data) == expected
    with pytest.raises(ReplyError, match="more than one line"):
        reply.line(data + b"x")
    with pytest.raises(ReplyError, match="more than one line"):
        reply.line(data + b"\n")


def test_a_line_without_end_is_data_only_where_the_bus_marks_the_end() -> None:
    assert reply.line(b"+1.2345") is None
    assert reply.line(b"+1.2345", ended=True) == "+1.2345"


def test_a_line_that_never_ends_is_an_error_before_it_fills_the_memory() -> None:
    assert reply.line(b"1" * reply.LINE_MOST) is None
    with pytest.raises(ReplyError, match="a line must not be longer than 1048576 bytes"):
        reply.line(b"1" * (reply.LINE_MOST + 1))


def whole_block(payload: bytes, digits: int | None = None) -> bytes:
    """A definite-length block (IEEE 488.2, 8.7.9) without terminator."""
    length = str(len(payload)).zfill(digits or 0)
    return f"#{len(length)}{length}".encode() + payload


@pytest.mark.parametrize("terminator", [b"\n", b"\r\n"])
@given(payload=st.binary(max_size=40), digits=st.sampled_from([None, 2, 9]))
def test_a_block_comes_back_as_it_was_sent_and_needs_more_at_every_byte_before(
    terminator: bytes, payload: bytes, digits: int | None
) -> None:
    data = whole_block(payload, digits) + terminator
    for size in range(len(data)):
        assert reply.block(data[:size]) is None
    assert reply.block(data) == payload


@given(payload=st.binary(max_size=12), trailing=st.binary(min_size=1, max_size=3))
def test_data_after_a_block_is_an_error(payload: bytes, trailing: bytes) -> None:
    with pytest.raises(ReplyError, match=r"a block of \d+ bytes must be followed by its terminator alone"):
        reply.block(whole_block(payload) + b"\n" + trailing)


def test_a_block_full_of_line_ends_is_one_block() -> None:
    assert reply.block(whole_block(b"\n" * 1000) + b"\n") == b"\n" * 1000


def test_a_block_may_end_with_the_bus_but_not_too_early() -> None:
    data = whole_block(b"1234")
    assert reply.block(data, ended=True) == b"1234"
    for size in range(len(data)):
        with pytest.raises(ReplyError, match="shorter than its header says"):
            reply.block(data[:size], ended=True)


@pytest.mark.parametrize(
    ("data", "rule"),
    [
        (b"1.5\n", "a block must begin with '#'"),
        (b"\n", "a block must begin with '#'"),
        (b"#0abc\n", "a digit from 1 to 9 after '#'"),
        (b"#a", "a digit from 1 to 9 after '#'"),
        (b"#2-1\n", "must be digits"),
        (b"#21_", "must be digits"),
        (b"#14abcdx", "followed by its terminator alone"),
        (b"#14abcd\rx", "followed by its terminator alone"),
        (b"#9999999999", "a block must not be longer than 67108864 bytes"),
    ],
)
def test_a_bad_block_header_is_an_error_as_soon_as_it_shows(data: bytes, rule: str) -> None:
    with pytest.raises(ReplyError, match=rule):
        reply.block(data)


@pytest.mark.parametrize("dtype", [">f8", "<f8", ">f4", "<f4"])
@given(values=st.lists(st.floats(-1e6, 1e6, width=32), max_size=20))
def test_a_block_gives_the_numbers_that_were_sent(dtype: str, values: list[float]) -> None:
    sent = np.array(values, dtype=dtype).tobytes()
    read = reply.block_values(sent, len(values), dtype)
    assert read.dtype == np.float64
    assert read.flags.writeable
    assert read.tolist() == values


def test_byte_order_is_most_significant_first_for_normal() -> None:
    # FORM:BORD NORM: most significant byte first (IEEE 754 layout by struct's ">d").
    assert reply.block_values(struct.pack(">d", -7.3e-4), 1).tolist() == [-7.3e-4]


@pytest.mark.parametrize("dtype", [">f8", "<f4"])
def test_sentinels_in_a_block_are_overload(dtype: str) -> None:
    sent = np.array([1.0, 9.9e37, -9.9e37, 9.91e37, np.inf, -np.inf, np.nan, 9.8e37], dtype=dtype)
    read = reply.block_values(sent.tobytes(), 8, dtype)
    assert np.isnan(read).tolist() == [False, True, True, True, True, True, True, False]


@pytest.mark.parametrize("value", [1e39, -1e39, 1.9e185])
def test_a_number_that_only_swapped_bytes_make_is_an_error(value: float) -> None:
    """Single precision ends at 3.4E38 (IEEE 754): nothing that an instrument sends lies beyond. Used to be overload."""
    with pytest.raises(ReplyError, match="beyond 1E39: the bytes come in another order"):
        reply.block_values(struct.pack(">d", value), 1)


def test_readings_with_their_bytes_swapped_are_an_error() -> None:
    volts = np.random.default_rng(7).normal(2.03, 0.3e-3, 500)
    with pytest.raises(ReplyError, match="the bytes come in another order"):
        reply.block_values(volts.astype("<f8").tobytes(), 500)


@pytest.mark.parametrize("size", [0, 15, 17, 24])
def test_another_count_in_a_block_is_an_error(size: int) -> None:
    with pytest.raises(ReplyError, match=f"{size} bytes, expected 2 numbers of 8 bytes"):
        reply.block_values(bytes(size), 2)


def test_a_dtype_is_one_of_four() -> None:
    with pytest.raises(ValueError, match="dtype must be one of"):
        reply.block_values(b"", 0, "i4")
