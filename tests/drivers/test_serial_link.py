"""A serial link gives whole, fresh lines before a total deadline, or says why not."""

from __future__ import annotations

import inspect
import itertools
import os
import pty
import select
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import suppress
from types import SimpleNamespace

import pytest
import serial
from serial import serialutil

from drivers import carrier, serial_link
from drivers.errors import LinkClosedError, LinkDirtyError, LinkError, LinkTimeoutError, ReplyError
from drivers.link import Link
from drivers.serial_link import open_serial_link, translate_serial_error
from tests.drivers import faulty_peer
from tests.drivers.faulty_peer import FaultyPeer

SHORT_S = 0.06


class Device:
    """The far end of a pseudo-terminal. `answer` takes a command and gives bytes; it runs in a thread."""

    def __init__(self, answer: Callable[[str], bytes] | None) -> None:
        self._device, self._port = pty.openpty()
        tty.setraw(self._port)
        self.path = os.ttyname(self._port)
        self.over = threading.Event()
        self._answer = answer
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def say(self, data: bytes) -> None:
        os.write(self._device, data)

    def say_before(self, data: bytes) -> None:
        """Say it, and return when it stands in the port's input, unread."""
        self.say(data)
        assert select.select([self._port], [], [], 5)[0]

    def unplug(self) -> None:
        self.over.set()
        self._thread.join(5)
        for descriptor in (self._device, self._port):
            with suppress(OSError):
                os.close(descriptor)

    def _run(self) -> None:
        heard = b""
        while not self.over.is_set():
            # A device that answers nothing reads nothing either.
            if self._answer is None or not select.select([self._device], [], [], 0.01)[0]:
                self.over.wait(0.005)
                continue
            with suppress(OSError):
                heard += os.read(self._device, 1000)
                while b"\n" in heard:
                    command, _, heard = heard.partition(b"\n")
                    self.say(self._answer(command.decode("latin-1")))


Opened = Callable[..., tuple[Link, Device]]


@pytest.fixture
def opened() -> Iterator[Opened]:
    """Start a device and open a link to it."""
    started: list[tuple[Link, Device]] = []

    def start(answer: Callable[[str], bytes] | None, timeout_s: float = SHORT_S) -> tuple[Link, Device]:
        device = Device(answer)
        link = open_serial_link(device.path, timeout_s=timeout_s)
        started.append((link, device))
        return link, device

    yield start
    for link, device in started:
        link.close()
        device.unplug()


def test_an_answer_comes_without_its_terminator(opened: Opened) -> None:
    link, device = opened(lambda command: f"{command} µ\r\n".encode("latin-1"), timeout_s=2.0)
    assert [link.ask("CLOSED?"), link.ask("IDN?")] == ["CLOSED? µ", "IDN? µ"]
    assert link.resource == device.path


def test_a_stale_reply_is_never_served(opened: Opened) -> None:
    answers = iter([b"", b"fresh\n"])
    link, device = opened(lambda _: next(answers))
    with pytest.raises(LinkTimeoutError, match=r"no reply within 0.06 s; command 'CLOSED\?'"):
        link.ask("CLOSED?")
    device.say_before(b"OLD\n")
    with pytest.raises(LinkDirtyError, match="the link is dirty"):
        link.ask("CLOSED?")
    # Opening flushes what the port had received.
    link.reopen()
    assert link.ask("CLOSED?", 2.0) == "fresh"


def test_a_half_line_is_never_parsed(opened: Opened) -> None:
    link, device = opened(lambda _: b"+1.2345")
    with pytest.raises(LinkTimeoutError) as caught:
        link.ask("read D1")
    assert caught.value.received == b"+1.2345"
    device.say_before(b"67E-03\n")
    with pytest.raises(LinkDirtyError):
        link.ask("read D1")


def test_a_line_in_pieces_is_one_line(opened: Opened) -> None:
    link, device = opened(lambda _: b"hi", timeout_s=5.0)
    timer = threading.Timer(0.02, lambda: device.say(b"gh\n"))
    timer.start()
    assert link.ask("read D1") == "high"
    timer.join()


def test_two_lines_for_one_question_are_an_error(opened: Opened) -> None:
    def ask_twice() -> None:
        # The second line may arrive with the first one, or only before the next question.
        for pin in ("D1", "D2"):
            link.ask(f"read {pin}")

    link, _ = opened(lambda _: b"high\nlow\n", timeout_s=2.0)
    with pytest.raises(ReplyError, match=r"more than one line|bytes that answer no question"):
        ask_twice()
    assert link.state == "dirty"


def test_a_line_that_nobody_asked_for_stops_the_next_command(opened: Opened) -> None:
    link, device = opened(lambda _: b"high\n", timeout_s=2.0)
    assert link.ask("read D1") == "high"
    device.say_before(b"boot\n")
    with pytest.raises(ReplyError, match=r"bytes that answer no question .* received b'boot\\n'"):
        link.ask("read D2")


def test_a_deadline_is_total_by_the_monotonic_clock(opened: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    def wall_clock() -> float:
        raise AssertionError("a deadline was taken from the wall clock")

    def answer(_: str) -> bytes:
        asked.set()
        return b"1"

    def dribble() -> None:
        asked.wait(10)
        while not stop.wait(0.001):
            device.say(b"1")

    asked, stop = threading.Event(), threading.Event()
    link, device = opened(answer, timeout_s=20.0)
    # A clock that runs 0.5 s each time it is looked at, and a device that keeps dribbling.
    ticks = itertools.count(0.0, 0.5)
    for module in (carrier, serial_link):
        monkeypatch.setattr(module, "time", SimpleNamespace(monotonic=lambda: next(ticks)))
    monkeypatch.setattr(time, "time", wall_clock)
    thread = threading.Thread(target=dribble, daemon=True)
    thread.start()
    try:
        with pytest.raises(LinkTimeoutError, match="no reply within 20 s"):
            link.ask("read D1")
    finally:
        stop.set()
        thread.join(5)
    assert next(ticks) < 30.0


def test_a_write_that_nobody_takes_ends_at_its_deadline(opened: Opened) -> None:
    link, _ = opened(None)
    with pytest.raises(LinkTimeoutError, match=r"no write within 0\.06 s"):
        link.send("x" * 1_000_000)
    assert link.state == "dirty"


def test_a_write_is_given_what_is_left_of_its_deadline(opened: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    given: list[float | None] = []

    def write(self: serial.Serial, data: bytes) -> int:
        given.append(self.write_timeout)
        return len(data)

    link, _ = opened(None)
    monkeypatch.setattr(serial.Serial, "write", write)
    link.send("CLOSE 1")
    link.send("CLOSE 2", 7.0)
    assert 0.0 < (given[0] or 0.0) <= SHORT_S < 6.0 < (given[1] or 0.0) <= 7.0


def test_an_unplugged_device_is_seen_long_before_the_deadline(opened: Opened) -> None:
    link, device = opened(lambda _: b"", timeout_s=600.0)
    device.unplug()
    with pytest.raises(LinkClosedError, match="the connection is gone"):
        link.ask("read D1")
    assert link.state == "lost"


def test_a_device_unplugged_while_waited_for_is_seen_long_before_the_deadline(opened: Opened) -> None:
    link, device = opened(lambda _: b"", timeout_s=600.0)
    timer = threading.Timer(0.03, device.unplug)
    timer.start()
    with pytest.raises(LinkClosedError):
        link.ask("read D1")
    timer.join()


def test_a_missing_port_is_one_clear_line() -> None:
    with pytest.raises(LinkClosedError, match=r"^/dev/nowhere0: not opened: SerialException: .*No such file") as caught:
        open_serial_link("/dev/nowhere0")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(("port", "baud"), [("nosuch://x", 9600), ("loop://?what=1", 9600), ("PORT", -1)])
def test_settings_that_a_port_cannot_take_are_one_clear_line(opened: Opened, port: str, baud: int) -> None:
    _, device = opened(None)
    with pytest.raises(LinkError, match="not opened"):
        open_serial_link(device.path if port == "PORT" else port, baud=baud)


def test_a_port_is_for_one_holder_alone(opened: Opened) -> None:
    _, device = opened(None)
    with pytest.raises(LinkClosedError, match="exclusively lock"):
        open_serial_link(device.path)


def test_the_reset_lines_are_low_before_the_port_opens(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[tuple[bool, bool, bool, float]] = []

    def note(self: serial.Serial) -> None:
        seen.append((bool(self.dtr), bool(self.rts), bool(self.exclusive), float(self.write_timeout or 0)))
        raise serial.SerialException("seen enough")

    monkeypatch.setattr(serial.Serial, "open", note)
    with pytest.raises(LinkClosedError, match="seen enough"):
        open_serial_link("/dev/ttyACM0")
    assert [(dtr, rts, exclusive) for dtr, rts, exclusive, _ in seen] == [(False, False, True)]
    assert seen[0][3] > 0


def test_a_line_device_sends_no_blocks(opened: Opened) -> None:
    link, _ = opened(lambda _: b"high\n", timeout_s=2.0)
    with pytest.raises(ReplyError, match="no blocks on a line device; command 'DATA\\?'"):
        link.ask_block("DATA?")
    assert link.ask("read D1") == "high"


def test_revoke_ends_a_blocked_read_from_another_thread(opened: Opened) -> None:
    def answer(_: str) -> bytes:
        link.revoke()
        return b""

    link, _ = opened(answer, timeout_s=600.0)
    with pytest.raises(LinkClosedError, match="the link was revoked while in use"):
        link.ask("read D1")
    assert link.state == "lost"


def test_revoke_ends_a_blocked_write_from_another_thread(opened: Opened) -> None:
    link, device = opened(None, timeout_s=600.0)

    def revoke_when_bytes_stand() -> None:
        select.select([device._device], [], [], 10)
        link.revoke()

    thread = threading.Thread(target=revoke_when_bytes_stand, daemon=True)
    thread.start()
    with pytest.raises(LinkClosedError, match="revoked while in use"):
        link.send("x" * 1_000_000)
    thread.join(5)


def test_a_line_device_may_stand_behind_a_socket() -> None:
    with FaultyPeer(faulty_peer.answering(lambda command: f"{command}\n".encode())) as peer:
        link = open_serial_link(peer.url, timeout_s=2.0)
        assert link.ask("IDN?") == "IDN?"
        link.close()
    with pytest.raises(LinkClosedError, match="not opened: SerialException: Could not open port socket://"):
        open_serial_link(peer.url)


def test_a_closed_socket_is_seen_long_before_the_deadline() -> None:
    with FaultyPeer(faulty_peer.half_then_close) as peer:
        link = open_serial_link(peer.url, timeout_s=600.0)
        with pytest.raises(LinkClosedError, match=r"received b'\+1.2345'"):
            link.ask("read D1")
        link.close()


def test_the_socket_of_a_peer_that_reset_the_connection_is_closed() -> None:
    """It used to be forgotten open."""
    with FaultyPeer(faulty_peer.reset_when_asked) as peer:
        link = open_serial_link(peer.url, timeout_s=2.0)
        wire = link._carrier._opened._socket  # type: ignore[attr-defined]
        with pytest.raises(LinkClosedError):
            link.ask("IDN?")
        link.close()
    assert wire.fileno() == -1


def test_every_exception_of_the_library_is_mapped() -> None:
    kinds = [
        kind
        for kind in vars(serialutil).values()
        if inspect.isclass(kind) and issubclass(kind, Exception) and kind.__module__.startswith("serial")
    ]
    assert len(kinds) == 3
    mapped = {kind.__name__: translate_serial_error(kind.__new__(kind)) for kind in kinds}
    assert mapped == {
        "SerialException": LinkClosedError,
        "SerialTimeoutException": LinkTimeoutError,
        "PortNotOpenError": LinkClosedError,
    }


def test_errors_of_the_terminal_are_mapped_though_they_are_no_os_errors() -> None:
    import termios

    assert not issubclass(termios.error, OSError)
    assert translate_serial_error(termios.error(5, "Input/output error")) is LinkClosedError
    assert translate_serial_error(OSError(5, "Input/output error")) is LinkClosedError


def test_a_defect_of_ours_is_not_dressed_up_as_a_link_error() -> None:
    assert translate_serial_error(AttributeError("ours")) is None
