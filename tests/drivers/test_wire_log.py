"""A link tells its tap of every message with its exact bytes, and of every failure with what had come until then."""

from __future__ import annotations

import time

import pytest

from drivers.errors import LinkClosedError, LinkError, LinkTimeoutError, ReplyError
from drivers.serial_link import open_serial_link
from drivers.visa_link import open_visa_link
from drivers.wire_log import Direction, Fault, WireEvent
from tests.drivers import faulty_peer
from tests.drivers.faulty_peer import FaultyPeer

Told = tuple[Direction, bytes, Fault]


def answer(command: str) -> bytes:
    return {"A?": b"\x001\r\n", "DATA?": b"#204\n\xff\n\0\r\n", "HALF?": b"+1.2"}.get(command, b"")


def told(events: list[WireEvent]) -> list[Told]:
    return [(event.direction, event.data, event.fault) for event in events]


def test_every_message_is_told_in_order_with_its_exact_bytes() -> None:
    events: list[WireEvent] = []
    with FaultyPeer(faulty_peer.answering(answer)) as peer:
        link = open_visa_link(peer.visa, tap=events.append)
        assert link.ask("A?") == "1"
        assert link.ask_block("DATA?") == b"\n\xff\n\0"
        link.send("*RST")
        link.close()
        link.close()
    assert told(events) == [
        ("opened", b"", ""),
        ("sent", b"A?\n", ""),
        ("received", b"\x001\r\n", ""),
        ("sent", b"DATA?\n", ""),
        ("received", b"#204\n\xff\n\0\r\n", ""),
        ("sent", b"*RST\n", ""),
        ("closed", b"", ""),
    ]
    times = [event.time_s for event in events]
    assert times == sorted(times)


def test_a_failure_is_told_with_what_had_come_and_the_message_that_was_refused_after_it() -> None:
    events: list[WireEvent] = []
    with FaultyPeer(faulty_peer.answering(answer)) as peer:
        link = open_visa_link(peer.visa, tap=events.append)
        with pytest.raises(LinkTimeoutError):
            link.ask("HALF?", 0.05)
        with pytest.raises(LinkError):
            link.send("*CLS")
        link.reopen()
        link.revoke()
        link.close()
    assert told(events) == [
        ("opened", b"", ""),
        ("sent", b"HALF?\n", ""),
        ("failed", b"+1.2", "late"),
        ("unsent", b"*CLS\n", ""),
        ("failed", b"", "not ready"),
        ("opened", b"", ""),
        ("revoked", b"", ""),
        ("closed", b"", ""),
    ]
    assert events[2].told == f"{peer.visa}: no reply within 0.05 s; command 'HALF?'; received b'+1.2'"


def test_a_reply_that_the_grammar_refuses_is_told_whole() -> None:
    events: list[WireEvent] = []
    with FaultyPeer(faulty_peer.two_replies) as peer:
        link = open_visa_link(peer.visa, tap=events.append)
        with pytest.raises(ReplyError):
            link.ask("A?")
        link.close()
    assert told(events)[2] == ("failed", b"1\n2\n", "grammar")


def test_a_wire_that_is_gone_before_a_message_leaves_it_unsent() -> None:
    events: list[WireEvent] = []
    with FaultyPeer(faulty_peer.close_at_once) as peer:
        link = open_visa_link(peer.visa, tap=events.append)
        time.sleep(0.05)
        with pytest.raises(LinkClosedError):
            link.send("*CLS")
        link.close()
    assert told(events)[-3:] == [("unsent", b"*CLS\n", ""), ("failed", b"", "gone"), ("closed", b"", "")]


def test_bytes_that_answer_no_question_are_told_beside_the_message_that_found_them() -> None:
    events: list[WireEvent] = []
    with FaultyPeer(faulty_peer.two_replies) as peer:
        # pyserial takes what comes over a socket byte by byte, so that the second line stays for the next message.
        link = open_serial_link(peer.url, tap=events.append)
        assert link.ask("A?") == "1"
        with pytest.raises(ReplyError):
            link.ask("B?")
        link.close()
    assert told(events)[2:5] == [
        ("received", b"1\n", ""),
        ("unsent", b"B?\n", ""),
        ("failed", b"2", "grammar"),
    ]


def test_an_attempt_to_open_that_fails_is_told_too() -> None:
    events: list[WireEvent] = []
    resource = f"TCPIP::127.0.0.1::{faulty_peer.refused_port()}::SOCKET"
    with pytest.raises(LinkClosedError):
        open_visa_link(resource, tap=events.append)
    assert told(events) == [("failed", b"", "gone")]
    assert events[0].told.startswith(f"{resource}: not opened: ")
