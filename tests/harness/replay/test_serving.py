"""A replay over real sockets: what came apart comes apart, and what was refused is refused."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

import pytest

from drivers.errors import LinkClosedError, LinkDirtyError, LinkTimeoutError, ReplyError
from drivers.link import Link
from drivers.serial_link import open_serial_link
from drivers.visa_link import open_visa_link
from harness.replay import serving
from harness.replay.script import script_of
from harness.replay.serving import Replay
from tests.harness.replay.logged import Said, session_of


@contextmanager
def served(*said: Said, monotonic: Callable[[], float] = time.monotonic) -> Iterator[tuple[Replay, dict[str, str]]]:
    """A replay in a thread of the test."""
    replay = Replay(script_of(session_of(*said)), monotonic=monotonic)
    resources = replay.open()
    stop = threading.Event()
    thread = threading.Thread(target=replay.serve, args=(stop.is_set,))
    thread.start()
    try:
        yield replay, resources
        # By itself, or else the test fails.
        thread.join(5.0)
        assert not thread.is_alive()
    finally:
        stop.set()
        thread.join(5.0)
        replay.close()


def wire(resource: str) -> socket.socket:
    _, host, port, _ = resource.split("::")
    return socket.create_connection((host, int(port)), timeout=5.0)


def test_a_log_is_served_to_the_same_links_and_ends_by_itself() -> None:
    block = b"#14\n\xff\n\0\n"
    with served(
        ("meter", "opened", b""),
        ("board", "opened", b""),
        ("meter", "sent", b"A?\n"),
        ("meter", "received", b"1\r\n"),
        ("meter", "sent", b"DATA?\n"),
        ("meter", "received", block),
        ("board", "sent", b"id\n"),
        ("board", "received", b"a board\n"),
        ("meter", "closed", b""),
        ("board", "closed", b""),
    ) as (replay, resources):
        meter, board = open_visa_link(resources["meter"]), open_serial_link(resources["board"])
        assert meter.ask("A?") == "1"
        assert meter.ask_block("DATA?") == b"\n\xff\n\0"
        assert board.ask("id") == "a board"
        meter.close()
        board.close()
    assert replay.differences == []
    assert all(player.done for player in replay.players.values())


def test_what_came_of_itself_is_read_apart_from_the_reply_before_it() -> None:
    with (
        served(
            ("meter", "opened", b""),
            ("meter", "sent", b"A?\n"),
            ("meter", "received", b"1\n"),
            ("meter", "unsent", b"B?\n"),
            ("meter", "failed", b"2\n", "grammar"),
            ("meter", "closed", b""),
        ) as (_, resources),
        wire(resources["meter"]) as far,
    ):
        far.sendall(b"A?\n")
        time.sleep(0.1)  # both are there by now
        assert far.recv(1000) == b"1\n"
        assert far.recv(1000) == b"2\n"


@pytest.mark.parametrize("role", ["meter", "board"])
def test_each_kind_of_failure_comes_back_as_itself(role: str) -> None:
    with served(
        (role, "opened", b""),
        (role, "sent", b"A?\n"),
        (role, "failed", b"+1.", "late"),
        (role, "unsent", b"A?\n"),
        (role, "failed", b"", "not ready"),
        (role, "opened", b""),
        (role, "sent", b"A?\n"),
        (role, "failed", b"1\n2\n", "grammar"),
        (role, "opened", b""),
        (role, "sent", b"A?\n"),
        (role, "failed", b"+2", "gone"),
        (role, "opened", b""),
        (role, "unsent", b"A?\n"),
        (role, "failed", b"", "gone"),
        (role, "closed", b""),
    ) as (replay, resources):
        link: Link = (open_visa_link if role == "meter" else open_serial_link)(resources[role])
        for error, received in (
            (LinkTimeoutError, b"+1."),
            (LinkDirtyError, b""),
            (ReplyError, b"1\n2\n"),
            (LinkClosedError, b"+2"),
            (LinkClosedError, b""),
        ):
            if error is not LinkDirtyError and received != b"+1.":
                link.reopen()
                time.sleep(0.05)  # a close right after the opening is seen only once it has come
            if error is ReplyError and role == "board":
                assert link.ask("A?", 0.3) == "1"  # byte by byte: the second line is found by the next message
                continue
            with pytest.raises(error) as failed:
                link.ask("A?", 0.3)
            assert failed.value.received == received
        link.close()
    assert replay.differences == []


def test_an_attempt_that_failed_is_refused_for_as_long_as_it_was() -> None:
    now = [50.0]
    with served(
        ("meter", "opened", b""),
        ("meter", "sent", b"A?\n"),
        ("meter", "failed", b"", "gone"),
        ("meter", "failed", b"", "gone"),
        ("meter", "failed", b"", "gone"),
        ("meter", "opened", b""),
        ("meter", "sent", b"A?\n"),
        ("meter", "received", b"1\n"),
        ("meter", "closed", b""),
        monotonic=lambda: now[0],
    ) as (replay, resources):
        link = open_visa_link(resources["meter"])
        with pytest.raises(LinkClosedError):
            link.ask("A?")
        for later_s in (0.0, 0.34):
            now[0] = 50.0 + later_s
            time.sleep(3 * serving.LOOK_S)
            with pytest.raises(LinkClosedError, match="not opened"):
                link.reopen()
        # The message stands at 0.2 s of the log, the last refusal at 0.5 s, the opening at 0.6 s.
        now[0] = 50.0 + 0.36
        while link.state != "ok":
            with suppress(LinkClosedError):
                link.reopen()
        assert link.ask("A?") == "1"
        link.close()
    assert replay.differences == []


def test_it_is_not_to_be_reached_before_the_others_have_come_as_far_as_they_had() -> None:
    """How often they are asked until then may hang on real time, which a replay does not repeat to the instant."""
    now = [50.0]
    with served(
        ("meter", "opened", b""),
        ("meter", "failed", b"", "gone"),
        ("switch", "opened", b""),
        ("switch", "sent", b"A?\n"),
        ("switch", "received", b"1\n"),
        ("switch", "sent", b"B?\n"),
        ("switch", "received", b"2\n"),
        ("meter", "opened", b""),
        ("meter", "closed", b""),
        ("switch", "closed", b""),
        monotonic=lambda: now[0],
    ) as (replay, resources):
        open_visa_link(resources["meter"]).close()
        switch = open_visa_link(resources["switch"])
        for question in ("A?", "B?"):
            now[0] += 1.0
            time.sleep(3 * serving.LOOK_S)
            with pytest.raises(LinkClosedError, match="not opened"):
                open_visa_link(resources["meter"])
            switch.ask(question)
        now[0] += 1.0
        time.sleep(3 * serving.LOOK_S)
        open_visa_link(resources["meter"]).close()
        switch.close()
    assert replay.differences == []


def test_an_instrument_is_not_served_any_more_after_a_message_that_differs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serving, "LINGER_S", 0.3)
    with served(
        ("meter", "opened", b""),
        ("switch", "opened", b""),
        ("meter", "sent", b"A?\n"),
        ("meter", "received", b"1\n"),
        ("switch", "sent", b"B?\n"),
        ("switch", "received", b"2\n"),
    ) as (replay, resources):
        meter, switch = open_visa_link(resources["meter"]), open_visa_link(resources["switch"])
        with pytest.raises(LinkClosedError):
            meter.ask("C?")
        with pytest.raises(LinkClosedError):
            meter.reopen()
        assert switch.ask("B?") == "2"
        switch.close()
    assert [str(one) for one in replay.differences] == ["meter: message 3: the log has 'A?'; 'C?' came"]


def test_the_clock_is_served_whoever_asks_and_waits_for_nothing() -> None:
    with served(
        ("meter", "opened", b""),
        ("clock", "sent", b"NOW?\n"),
        ("clock", "received", b"100.0\n"),
        ("clock", "sent", b"UNTIL 900.0\n"),
        ("clock", "received", b"900.5\n"),
        ("meter", "closed", b""),
    ) as (_, resources):
        clock = open_serial_link(resources["clock"])
        assert [clock.ask("NOW?"), clock.ask("UNTIL 900.0")] == ["100.0", "900.5"]
        clock.close()
        open_visa_link(resources["meter"]).close()


def test_a_clock_that_was_asked_less_finds_its_way_back_at_the_next_message() -> None:
    with served(
        ("meter", "opened", b""),
        ("clock", "sent", b"NOW?\n"),
        ("clock", "received", b"100.0\n"),
        ("meter", "sent", b"A?\n"),
        ("meter", "received", b"1\n"),
        ("clock", "sent", b"NOW?\n"),
        ("clock", "received", b"200.0\n"),
        ("meter", "closed", b""),
    ) as (_, resources):
        meter, clock = open_visa_link(resources["meter"]), open_serial_link(resources["clock"])
        assert meter.ask("A?") == "1"
        assert clock.ask("NOW?") == "200.0"
        meter.close()
        clock.close()
