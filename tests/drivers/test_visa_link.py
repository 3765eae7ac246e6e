"""A VISA link gives whole, fresh replies before a total deadline, or says why not; never a stale one, never a half."""

from __future__ import annotations

import inspect
import itertools
import socket
import threading
import time
import warnings
from collections.abc import Callable, Iterator
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest

from drivers import carrier, visa_link, visa_socket
from drivers.errors import (
    LinkClosedError,
    LinkDirtyError,
    LinkError,
    LinkTimeoutError,
    ReplyError,
)
from drivers.link import Link
from drivers.visa_link import open_visa_link, translate_visa_error
from tests.drivers import faulty_peer, other_visa
from tests.drivers.faulty_peer import FaultyPeer, Serve, Wire

SHORT_S = 0.06

other_visa.install()

Opened = Callable[..., tuple[Link, FaultyPeer]]


@pytest.fixture
def opened() -> Iterator[Opened]:
    """Start a peer and open a link to it; the link closes before the peer ends."""
    started: list[tuple[Link, FaultyPeer]] = []

    def start(serve: Serve, visa: str = "@py", timeout_s: float = SHORT_S) -> tuple[Link, FaultyPeer]:
        peer = FaultyPeer(serve).__enter__()
        try:
            link = open_visa_link(peer.visa, visa=visa, timeout_s=timeout_s, open_timeout_s=2.0)
        except BaseException:
            peer.__exit__(None, None, None)
            raise
        started.append((link, peer))
        return link, peer

    yield start
    for link, peer in started:
        link.close()
        peer.__exit__(None, None, None)


both_streams = pytest.mark.parametrize("visa", ["@py", "@stream"])


@both_streams
def test_an_answer_comes_without_its_terminator(opened: Opened, visa: str) -> None:
    echo = faulty_peer.answering(lambda command: f"got {command}\r\n".encode("latin-1"))
    link, _ = opened(echo, visa, timeout_s=2.0)
    assert link.ask("*IDN?") == "got *IDN?"
    assert link.ask("µ") == "got µ"


@both_streams
def test_a_stale_reply_is_never_served(opened: Opened, visa: str) -> None:
    link, peer = opened(faulty_peer.late, visa)
    with pytest.raises(LinkTimeoutError, match=r"no reply within 0.06 s; command 'READ\?'"):
        link.ask("READ?")
    peer.go.set()
    for use in (link.ask, link.send, link.ask_block):
        with pytest.raises(LinkDirtyError, match=r"the link is dirty \(no reply within 0.06 s\); reopen it first"):
            use("READ?")
    link.reopen()
    assert link.state == "ok"
    assert link.ask("READ?", 2.0) == "answer to READ?"


@both_streams
def test_a_half_reply_is_never_parsed(opened: Opened, visa: str) -> None:
    link, peer = opened(faulty_peer.half, visa)
    with pytest.raises(LinkTimeoutError) as caught:
        link.ask("READ?")
    if visa == "@py":
        assert caught.value.received == b"+1.2345"
    # The tail "67E-03" would parse as a number.
    peer.go.set()
    with pytest.raises(LinkDirtyError):
        link.ask("READ?")


@both_streams
def test_two_replies_to_one_question_are_an_error(opened: Opened, visa: str) -> None:
    link, _ = opened(faulty_peer.two_replies, visa, timeout_s=2.0)
    if visa == "@py":
        with pytest.raises(ReplyError, match=r"more than one line; command 'A\?'; received b'1\\n2\\n'"):
            link.ask("A?")
    else:
        # A library that stops at the first line shows the second one before the next command.
        assert link.ask("A?") == "1"
        with pytest.raises(ReplyError, match="bytes that answer no question"):
            link.ask("B?")
    with pytest.raises(LinkDirtyError, match="a reply was not what the grammar allows"):
        link.ask("C?")


@both_streams
def test_a_reply_that_nobody_asked_for_stops_the_next_command(opened: Opened, visa: str) -> None:
    heard: list[str] = []

    def serve(wire: Wire) -> None:
        heard.append(wire.line())
        wire.say(b"1\n2\n" if visa == "@stream" else b"1\n")
        if visa == "@py":
            wire.go.wait(10)
            wire.say(b"2\n")
            told.set()
        heard.append(wire.line())

    told = threading.Event()
    link, peer = opened(serve, visa, timeout_s=2.0)
    assert link.ask("A?") == "1"
    peer.go.set()
    if visa == "@py":
        assert told.wait(5)
    with pytest.raises(ReplyError, match=r"had arrived before this command, which was not sent; command 'B\?'"):
        link.ask("B?")
    assert heard == ["A?"]


def test_a_dribbling_reply_ends_at_its_total_deadline(opened: Opened) -> None:
    link, _ = opened(faulty_peer.dribble)
    with pytest.raises(LinkTimeoutError) as caught:
        link.ask("READ?")
    assert set(caught.value.received) == set(b"1")


def test_deadlines_follow_the_monotonic_clock_alone(opened: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    def wall_clock() -> float:
        raise AssertionError("a deadline was taken from the wall clock")

    link, _ = opened(faulty_peer.mute)
    monkeypatch.setattr(time, "time", wall_clock)
    with pytest.raises(LinkTimeoutError):
        link.ask("READ?")


def test_a_deadline_is_total_by_the_clock_and_not_by_piece(opened: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    # A clock that runs 0.5 s each time it is looked at, and a peer that always has bytes ready.
    ticks = itertools.count(0.0, 0.5)
    clock = SimpleNamespace(monotonic=lambda: next(ticks))
    link, _ = opened(faulty_peer.flood, timeout_s=20.0)
    for module in (carrier, visa_link, visa_socket):
        monkeypatch.setattr(module, "time", clock)
    with pytest.raises(LinkTimeoutError, match="no reply within 20 s"):
        link.ask("READ?")
    # Three looks a piece at most, so that the one at which 20 s were over is not long past.
    assert next(ticks) < 25.0


def test_a_write_to_a_deaf_instrument_ends_at_its_deadline(opened: Opened) -> None:
    link, _ = opened(faulty_peer.deaf)
    with pytest.raises(LinkTimeoutError, match=r"no write within 0\.06 s"):
        link.send("x" * 30_000_000)
    assert link.state == "dirty"


@pytest.mark.parametrize(
    "serve", [faulty_peer.close_at_once, faulty_peer.reset_when_asked, faulty_peer.half_then_close]
)
def test_a_closed_peer_is_seen_long_before_the_deadline(opened: Opened, serve: Serve) -> None:
    # With this deadline a closed peer taken for a slow one would hold the whole suite up.
    link, _ = opened(serve, timeout_s=600.0)
    with pytest.raises(LinkClosedError, match="the connection is gone"):
        link.ask("READ?")
    assert link.state == "lost"
    with pytest.raises(LinkDirtyError, match=r"the link is lost \(closed by the peer\); reopen it first"):
        link.send("*RST")


def test_a_closed_peer_is_seen_before_a_command_is_sent(opened: Opened) -> None:
    def serve(wire: Wire) -> None:
        wire.line()
        wire.say(b"1\n")
        faulty_peer.close_at_once(wire)
        told.set()

    told = threading.Event()
    link, _ = opened(serve, timeout_s=600.0)
    assert link.ask("A?") == "1"
    assert told.wait(5)
    with pytest.raises(LinkClosedError):
        link.send("OUTP:STAT OFF")


def test_a_refused_port_is_refused_at_once() -> None:
    port = faulty_peer.refused_port()
    resource = f"TCPIP::127.0.0.1::{port}::SOCKET"
    with pytest.raises(LinkClosedError, match=f"{resource}: not opened: ConnectionRefusedError"):
        open_visa_link(resource)


def test_an_unanswered_connection_ends_at_the_open_timeout(monkeypatch: pytest.MonkeyPatch) -> None:
    given: list[float] = []

    def unanswered(address: tuple[str, int], timeout: float) -> None:
        given.append(timeout)
        raise TimeoutError("timed out")

    monkeypatch.setattr(socket, "create_connection", unanswered)
    with pytest.raises(LinkTimeoutError, match=r"192.0.2.1::5025::SOCKET: no connection within 1.5 s"):
        open_visa_link("TCPIP::192.0.2.1::5025::SOCKET", open_timeout_s=1.5)
    assert given == [1.5]


@pytest.mark.parametrize(
    ("resource", "visa", "rule"),
    [
        ("TCPIP::127.0.0.1::SOCKET::x", "@py", "not opened"),
        ("nonsense", "@py", "not opened"),
        ("TCPIP::127.0.0.1::1::SOCKET", "@nowhere", "VISA library '@nowhere' cannot be used"),
        ("TCPIP::127.0.0.1::1::SOCKET", "/nowhere/libvisa.so", "VISA library '/nowhere/libvisa.so' cannot be used"),
    ],
)
def test_a_wrong_address_or_library_is_one_clear_line(resource: str, visa: str, rule: str) -> None:
    with pytest.raises(LinkError, match=rule) as caught:
        open_visa_link(resource, visa=visa)
    assert str(caught.value).startswith(f"{resource}: ")
    assert "\n" not in str(caught.value)


@both_streams
@pytest.mark.parametrize(
    "payload", [b"\n" * 5000, bytes(range(256)) * 300, b""], ids=["line ends", "all bytes", "empty"]
)
def test_a_block_comes_exactly_and_leaves_nothing_behind(opened: Opened, visa: str, payload: bytes) -> None:
    def answer(command: str) -> bytes:
        if command != "DATA?":
            return b"next\n"
        return f"#6{len(payload):06d}".encode() + payload + b"\n"

    link, _ = opened(faulty_peer.answering(answer), visa, timeout_s=10.0)
    assert link.ask_block("DATA?") == payload
    assert link.ask("NEXT?") == "next"


@pytest.mark.parametrize(
    ("answer", "rule"),
    [
        (b"#0abc\n", "a digit from 1 to 9"),
        (b"1.25\n", "must begin with '#'"),
        (b"#14abcde\n", "followed by its terminator alone"),
        (b"#14abcd\n1\n", "followed by its terminator alone"),
    ],
)
def test_a_bad_block_spoils_the_link(opened: Opened, answer: bytes, rule: str) -> None:
    link, _ = opened(faulty_peer.answering(lambda _: answer), timeout_s=2.0)
    with pytest.raises(ReplyError, match=rule):
        link.ask_block("DATA?")
    assert link.state == "dirty"


def test_a_short_block_is_a_timeout_with_what_came(opened: Opened) -> None:
    link, _ = opened(faulty_peer.answering(lambda _: b"#210abc\n"))
    with pytest.raises(LinkTimeoutError) as caught:
        link.ask_block("DATA?")
    assert caught.value.received == b"#210abc\n"


def test_revoke_ends_a_blocked_read_from_another_thread(opened: Opened) -> None:
    def serve(wire: Wire) -> None:
        wire.line()
        # The link waits for its reply from here on.
        link.revoke()
        wire.line()

    link, _ = opened(serve, timeout_s=600.0)
    with pytest.raises(LinkClosedError, match="the link was revoked while in use; command 'READ\\?'"):
        link.ask("READ?")
    assert link.state == "lost"


def test_revoke_ends_a_blocked_write_from_another_thread(opened: Opened) -> None:
    def serve(wire: Wire) -> None:
        wire.connection.recv(1)
        # The link is in the middle of its write from here on, and nobody reads on.
        link.revoke()
        wire.go.wait(10)

    link, _ = opened(serve, timeout_s=600.0)
    with pytest.raises(LinkClosedError, match="the link was revoked while in use"):
        link.send("x" * 30_000_000)


def test_a_revoked_link_is_whole_again_after_reopening(opened: Opened) -> None:
    link, peer = opened(faulty_peer.answering(lambda command: command.encode() + b"\n"), timeout_s=2.0)
    link.revoke()
    with pytest.raises(LinkDirtyError, match=r"lost \(revoked\)"):
        link.ask("A?")
    link.reopen()
    assert link.ask("A?") == "A?"
    assert peer.connections == 2


def test_close_twice_is_close_once_and_a_closed_link_says_so(opened: Opened) -> None:
    link, _ = opened(faulty_peer.mute)
    link.close()
    link.close()
    with pytest.raises(LinkDirtyError, match=r"lost \(closed\)"):
        link.ask("A?")


def test_reopening_into_nothing_leaves_the_link_lost(opened: Opened) -> None:
    link, peer = opened(faulty_peer.mute)
    with pytest.raises(LinkTimeoutError):
        link.ask("A?")
    link.close()
    peer.__exit__(None, None, None)
    with pytest.raises(LinkClosedError, match="not opened"):
        link.reopen()
    assert link.state == "lost"


def test_nodelay_and_keepalive_are_on(opened: Opened) -> None:
    link, _ = opened(faulty_peer.mute)
    session: Any = link._carrier._opened.visalib.sessions[link._carrier._session]  # type: ignore[attr-defined]
    assert session.interface.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) == 1
    assert session.interface.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE) == 1


def test_there_is_one_resource_manager_and_no_session_is_left_behind(opened: Opened) -> None:
    link, _ = opened(faulty_peer.mute)
    other, _ = opened(faulty_peer.mute)
    sessions: Any = link._carrier._opened.visalib.sessions  # type: ignore[attr-defined]
    assert sessions is other._carrier._opened.visalib.sessions  # type: ignore[attr-defined]
    before = len(sessions)
    for _ in range(5):
        link.reopen()
    assert len(sessions) == before


@pytest.mark.parametrize("message", ["A?\nB?", "A?\r"])
def test_a_message_of_two_lines_is_refused_before_anything_is_sent(opened: Opened, message: str) -> None:
    link, _ = opened(faulty_peer.answering(lambda _: b"1\n"), timeout_s=2.0)
    with pytest.raises(LinkError, match="a message must be one line"):
        link.send(message)
    with pytest.raises(LinkError, match="a message must be latin-1 text"):
        link.send("Ω")
    assert link.ask("A?") == "1"


# --- a bus with END, through pyvisa's public calls alone -------------------------------------------------------------


@pytest.fixture
def bus() -> Iterator[Link]:
    link = open_visa_link("GPIB0::22::INSTR", visa="@bus", timeout_s=SHORT_S)
    other_visa.BusLibrary.replies.clear()
    other_visa.BusLibrary.written.clear()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        yield link
    other_visa.BusLibrary.take_at_most = 1 << 20
    link.close()


def test_on_a_bus_a_message_ends_with_end_or_with_a_line_end(bus: Link) -> None:
    replies = other_visa.BusLibrary.replies
    replies.extend([(b"+1.5\n", True), (b"+2.5", True), (b"+3.", False), (b"5\n", True)])
    assert [bus.ask("READ?") for _ in range(3)] == ["+1.5", "+2.5", "+3.5"]
    assert other_visa.BusLibrary.written == [b"READ?\n"] * 3


def test_on_a_bus_a_half_reply_is_never_parsed(bus: Link) -> None:
    other_visa.BusLibrary.replies.append((b"+1.2345", False))
    with pytest.raises(LinkTimeoutError, match=r"received b'\+1.2345'"):
        bus.ask("READ?")
    assert bus.state == "dirty"


def test_on_a_bus_a_block_may_end_with_end_alone(bus: Link) -> None:
    other_visa.BusLibrary.replies.extend([(b"#14\n\n", False), (b"\n\n", True), (b"#14ab", True)])
    assert bus.ask_block("DATA?") == b"\n\n\n\n"
    with pytest.raises(ReplyError, match="the block is shorter than its header says"):
        bus.ask_block("DATA?")


def test_on_a_bus_a_message_goes_out_whole_though_taken_in_pieces(bus: Link) -> None:
    other_visa.BusLibrary.take_at_most = 3
    bus.send("*RST;*OPC")
    assert other_visa.BusLibrary.written == [b"*RS", b"T;*", b"OPC", b"\n"]


def test_on_a_bus_writing_nothing_for_ever_is_an_error(bus: Link) -> None:
    other_visa.BusLibrary.take_at_most = 0
    with pytest.raises(LinkClosedError, match="the VISA library wrote nothing"):
        bus.send("*RST")


@pytest.mark.parametrize(
    ("status", "kind", "state"),
    [
        ("error_timeout", LinkTimeoutError, "dirty"),
        ("error_no_listeners", LinkClosedError, "lost"),
        ("error_io", LinkClosedError, "lost"),
        ("error_bus_error", LinkError, "dirty"),
    ],
)
def test_visa_codes_become_errors_of_ours(bus: Link, status: str, kind: type[LinkError], state: str) -> None:
    from pyvisa.constants import StatusCode

    other_visa.BusLibrary.replies.append(StatusCode[status])
    with pytest.raises(LinkError) as caught:
        bus.ask("READ?")
    assert type(caught.value) is kind
    assert bus.state == state


def test_revoking_a_bus_link_makes_it_lost(bus: Link) -> None:
    bus.revoke()
    with pytest.raises(LinkDirtyError, match=r"lost \(revoked\)"):
        bus.ask("READ?")


# --- no exception of a library goes unmapped --------------------------------------------------------------------------


def library_exceptions() -> list[type[Exception]]:
    """Every exception class that pyvisa and pyvisa-py define, but for VisaIOError: that one is mapped by its code."""
    import pyvisa.errors
    import pyvisa.rname
    import pyvisa_py.protocols.rpc
    import pyvisa_py.protocols.vxi11
    import pyvisa_py.protocols.xdrlib
    import pyvisa_py.sessions
    import pyvisa_py.tcpip

    modules: list[ModuleType] = [
        pyvisa.errors,
        pyvisa.rname,
        pyvisa_py.sessions,
        pyvisa_py.tcpip,
        pyvisa_py.protocols.rpc,
        pyvisa_py.protocols.vxi11,
        pyvisa_py.protocols.xdrlib,
    ]
    found = {
        value
        for module in modules
        for value in vars(module).values()
        if inspect.isclass(value) and issubclass(value, Exception) and not issubclass(value, Warning)
        if value.__module__.startswith("pyvisa") and value is not pyvisa.errors.VisaIOError
    }
    return sorted(found, key=lambda kind: kind.__name__)


@pytest.mark.parametrize("kind", library_exceptions())
def test_every_exception_of_the_libraries_is_mapped(kind: type[Exception]) -> None:
    assert translate_visa_error(kind.__new__(kind)) is not None


@pytest.mark.parametrize(
    ("exc", "kind"),
    [
        (ConnectionResetError(), LinkClosedError),
        (BrokenPipeError(), LinkClosedError),
        (ConnectionRefusedError(), LinkClosedError),
        (TimeoutError(), LinkTimeoutError),
        (EOFError(), LinkClosedError),
        (NotImplementedError(), LinkError),
    ],
)
def test_exceptions_of_the_system_are_mapped(exc: Exception, kind: type[LinkError]) -> None:
    assert translate_visa_error(exc) is kind


def test_every_visa_error_code_is_mapped() -> None:
    from pyvisa.constants import StatusCode
    from pyvisa.errors import VisaIOError

    for code in StatusCode:
        if code < 0:
            assert translate_visa_error(VisaIOError(code)) is not None


def test_a_defect_of_ours_is_not_dressed_up_as_a_link_error() -> None:
    assert translate_visa_error(AttributeError("ours")) is None
