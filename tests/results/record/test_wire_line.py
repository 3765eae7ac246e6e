"""A line of the wire log holds any bytes without loss, in printable ASCII, and is believed only whole."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from results.record.wire_line import LONGEST, WireHeader, WireLine, header_line, line_of, read_line

HEADER = WireHeader(
    file=2,
    session=1,
    first=17,
    run="20270101T000000Z_T-1",
    version="0.1.0",
    begun_utc="2027-01-01T00:00:00.000+00:00",
    speed=10.0,
    resources={"meter": "TCPIP::127.0.0.1::5025::SOCKET"},
    identities={"meter": "Invented Instruments,V6,9,1.0"},
)


@given(st.binary(max_size=300), st.text(max_size=50))
def test_any_bytes_and_any_text_come_back_and_nothing_in_a_line_reaches_a_terminal_raw(data: bytes, role: str) -> None:
    line = WireLine(3, 0.25, role, "failed", data, bench_s=2.5, fault="late", told="no reply within 2 s")
    written = line_of(line)
    assert read_line(written.removesuffix(b"\n")) == line
    assert all(0x20 <= byte < 0x7F for byte in written[:-1])


def test_a_text_stays_readable_and_a_block_becomes_base64() -> None:
    assert json.loads(line_of(WireLine(1, 0.0, "meter", "sent", b"*IDN?\n")))["text"] == "*IDN?\n"
    assert json.loads(line_of(WireLine(1, 0.0, "meter", "received", b"#14\x00\xff\x00\x01\n")))["base64"]


def test_a_message_beyond_the_longest_is_cut_and_says_by_how_much() -> None:
    back = read_line(line_of(WireLine(1, 0.0, "meter", "received", b"1" * (LONGEST + 5)))[:-1])
    assert isinstance(back, WireLine)
    assert (len(back.data), back.left_out) == (LONGEST, 5)


def test_a_header_comes_back() -> None:
    assert read_line(header_line(HEADER)[:-1]) == HEADER


@pytest.mark.parametrize(
    ("line", "rule"),
    [
        (b"", "checksum does not match"),
        (line_of(WireLine(1, 0.0, "meter", "sent", b"A"))[:-1].replace(b"meter", b"meteR"), "checksum does not match"),
        (line_of(WireLine(1, 0.0, "meter", "sung", b"A"))[:-1], "not a line of a wire log: unknown: 'sung'"),
        (line_of(WireLine(-1, 0.0, "meter", "sent", b"A"))[:-1], "not a line of a wire log: not a count: -1"),
        (header_line(HEADER)[:-1][:40], "checksum does not match"),
    ],
)
def test_anything_else_is_refused_with_a_reason(line: bytes, rule: str) -> None:
    with pytest.raises(ValueError, match=rule):
        read_line(line)
