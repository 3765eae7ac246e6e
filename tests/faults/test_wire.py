"""A wire hands on whole replies, and without a fault nothing but what it was given."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from drivers.errors import LinkClosedError, LinkTimeoutError, ReplyError
from drivers.link import Link
from drivers.serial_link import open_serial_link
from drivers.visa_link import open_visa_link
from tests.drivers.faulty_peer import FaultyPeer, answering
from tests.faults import faults
from tests.faults import reply_faults as replies
from tests.faults import wire_faults as wires
from tests.faults.armed import Armed
from tests.faults.ends import Replies, TerminalNear
from tests.faults.exchange import Exchange
from tests.faults.wire import Wire

BLOCK = b"#216" + b"\n1234567\n#9abcd\n" + b"\n"


@pytest.mark.parametrize("data", [b"1\n", b"\n", BLOCK, b"#10\n"])
def test_a_reply_is_whole_at_its_last_byte_and_not_before(data: bytes) -> None:
    replies = Replies()
    for index in range(len(data) - 1):
        assert replies.feed(data[index : index + 1]) == []
    assert replies.feed(data[-1:]) == [data]
    assert replies.feed(data + BLOCK + b"x") == [data, BLOCK]


def _answers(command: str) -> bytes:
    return {"BLOCK?": BLOCK, "*IDN?": b"Invented Instruments,One,1,1\n"}.get(command, b"+1.250000000E+00\n")


@pytest.fixture
def wired(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[tuple[Wire, Link]]:
    """A link through a wire to an instrument that answers everything; its deadline is the fixture's parameter."""
    timeout_s = getattr(request, "param", 10.0)
    with FaultyPeer(answering(_answers)) as peer, Wire("meter", peer.visa, tmp_path, lambda line: None) as wire:
        link = open_visa_link(wire.resource, timeout_s=timeout_s, open_timeout_s=0.5)
        yield wire, link
        link.close()


hasty = pytest.mark.parametrize("wired", [0.3], indirect=True)


def armed(wire: Wire, act: Callable[[Exchange], None], lasts_s: float = 0.0) -> Armed:
    """The fault of the table that does this, due at the next message."""
    fault = next(fault for fault in faults.FAULTS if fault.act is act)
    one = Armed(fault, 1, lasts_s)
    wire.armed = (one,)
    return one


def test_without_a_fault_the_wire_changes_nothing(wired: tuple[Wire, Link]) -> None:
    wire, link = wired
    assert link.ask("*IDN?") == "Invented Instruments,One,1,1"
    assert link.ask_block("BLOCK?") == BLOCK[4:-1]
    assert wire.commands == ["*IDN?", "BLOCK?"]


def test_a_fault_waits_for_its_message_and_lasts_for_one_exchange(wired: tuple[Wire, Link]) -> None:
    wire, link = wired
    one = Armed(faults.named("empty line"), 3)
    wire.armed = (one,)
    assert [link.ask("A?") for _ in range(4)] == ["+1.250000000E+00"] * 2 + ["", "+1.250000000E+00"]
    assert one.bites == 1


def test_a_fault_that_lasts_bites_until_it_is_over(wired: tuple[Wire, Link]) -> None:
    wire, link = wired
    one = armed(wire, replies.empty, lasts_s=1e9)
    assert [link.ask("A?") for _ in range(3)] == [""] * 3
    one.lasts_s = 0.0
    assert link.ask("A?") == "+1.250000000E+00"
    assert one.bites == 3


@hasty
@pytest.mark.parametrize(
    ("act", "error", "rule"),
    [
        (replies.late, LinkTimeoutError, "no reply within 0.3 s"),
        (replies.mute, LinkTimeoutError, "no reply within 0.3 s"),
        (wires.deaf, LinkTimeoutError, "no reply within 0.3 s"),
        (replies.dribble, LinkTimeoutError, "no reply within 0.3 s"),
        (replies.half, LinkTimeoutError, r"received b'\+1\.25000'"),
        (replies.half_then_closed, LinkClosedError, r"connection is gone .*received b'\+1\.25000'"),
        (replies.no_line_end, LinkTimeoutError, "no reply within 0.3 s"),
        (replies.doubled, ReplyError, "more than one line"),
        (replies.flood, ReplyError, "a line must not be longer than 1048576 bytes"),
        (wires.closed_before, LinkClosedError, "connection is gone"),
        (wires.closed_after, LinkClosedError, "connection is gone"),
        (wires.reset_before, LinkClosedError, "connection is gone"),
        (wires.reset_after, LinkClosedError, "connection is gone"),
    ],
)
def test_what_the_wire_does_is_what_the_link_sees(
    act: Callable[[Exchange], None],
    error: type[Exception],
    rule: str,
    wired: tuple[Wire, Link],
) -> None:
    wire, link = wired
    one = armed(wire, act)
    with pytest.raises(error, match=rule):
        link.ask("A?")
    assert one.bites == 1
    assert link.state != "ok"


@pytest.mark.parametrize(
    ("act", "rule"),
    [
        (replies.indefinite, "a digit from 1 to 9 after '#'"),
        (replies.no_hash, "a block must begin with '#'"),
        (replies.header_of_letters, "must be digits"),
        (replies.header_too_short, "followed by its terminator alone"),
        (replies.header_absurd, "a block must not be longer than 67108864 bytes"),
    ],
)
def test_a_block_with_a_bad_header_is_refused(
    act: Callable[[Exchange], None], rule: str, wired: tuple[Wire, Link]
) -> None:
    wire, link = wired
    armed(wire, act)
    with pytest.raises(ReplyError, match=rule):
        link.ask_block("BLOCK?")


@pytest.mark.parametrize("act", [replies.in_time, replies.in_pieces])
def test_a_block_in_pieces_is_the_same_block(act: Callable[[Exchange], None], wired: tuple[Wire, Link]) -> None:
    wire, link = wired
    one = armed(wire, act)
    assert link.ask_block("BLOCK?") == BLOCK[4:-1]
    assert one.bites == 1


@pytest.mark.parametrize("act", [replies.stray_after, replies.doubled_later])
def test_what_answers_no_question_is_found_two_questions_later(
    act: Callable[[Exchange], None], wired: tuple[Wire, Link]
) -> None:
    """A copy that comes while the next question is on its way answers that one; its own answer is then left over."""
    wire, link = wired
    armed(wire, act)
    assert link.ask("A?") == "+1.250000000E+00"

    def ask_on() -> None:
        for _ in range(3):
            time.sleep(0.05)  # what is left over has time to come
            link.ask("*IDN?")

    with pytest.raises(ReplyError, match=r"bytes that answer no question|more than one line"):
        ask_on()


@pytest.mark.parametrize(
    ("act", "error"),
    [
        (wires.turned_away, "connection is gone|not opened"),
        (wires.refused, "not opened: ConnectionRefusedError"),
        (wires.unanswered, "no connection within 0.5 s"),
    ],
)
def test_an_instrument_turns_new_connections_away_and_then_no_more(
    act: Callable[[Exchange], None], error: str, wired: tuple[Wire, Link]
) -> None:
    wire, link = wired
    armed(wire, act, lasts_s=1.0)
    with pytest.raises(LinkClosedError):
        link.ask("A?")
    told = ""

    def answers() -> bool:
        nonlocal told
        try:
            link.reopen()
            return link.ask("A?") == "+1.250000000E+00"
        except (LinkClosedError, LinkTimeoutError) as exc:
            told = told or str(exc)
            return False

    assert wait_for(answers)
    assert re.search(error, told), told


def test_a_serial_port_disappears_and_comes_back_under_its_name(tmp_path: Path) -> None:
    device = TerminalNear(tmp_path / "device")
    try:
        with Wire("board", str(device.path.resolve()), tmp_path, lambda line: None) as wire:
            link = open_serial_link(wire.resource, timeout_s=0.3)
            link.send("id")
            assert wait_for(lambda: wire.commands == ["id"])
            armed(wire, wires.unplugged, lasts_s=0.3)
            with pytest.raises(LinkClosedError):
                link.ask("id")
            with pytest.raises(LinkClosedError, match="not opened"):
                link.reopen()
            assert wait_for(lambda: Path(wire.resource).exists())
            link.reopen()
            link.send("id")
            assert wait_for(lambda: len(wire.commands) == 3)
            link.close()
    finally:
        device.close()


def wait_for(come_true: Callable[[], bool]) -> bool:
    ends_s = time.monotonic() + 20.0
    while not come_true():
        if time.monotonic() > ends_s:
            return False
        time.sleep(0.01)
    return True
