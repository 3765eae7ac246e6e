"""The lines of a wire log become what each instrument has to do: reply, keep silent, close, refuse, speak unasked."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.replay.script import Ended, Exchanged, Hung, Opened, Refused, Step, Timed, Unasked, script_of
from tests.harness.replay.logged import Said, session_of


def steps(*said: Said) -> list[Step]:
    return [replace(step, time_s=0.0) for step in script_of(session_of(*said)).roles["meter"]]


def meter(what: str, data: bytes = b"", fault: str = "") -> Said:
    return ("meter", what, data, fault) if fault else ("meter", what, data)


def test_questions_commands_and_the_end_of_a_link() -> None:
    assert steps(
        meter("opened"),
        meter("sent", b"A?\n"),
        meter("received", b"1\n"),
        meter("sent", b"*CLS\n"),
        meter("sent", b"B?\n"),
        meter("received", b"2\r\n"),
        meter("revoked"),
        meter("closed"),
    ) == [
        Opened(1, 0.0),
        Exchanged(2, 0.0, b"A?\n", b"1\n"),
        Exchanged(4, 0.0, b"*CLS\n"),
        Exchanged(5, 0.0, b"B?\n", b"2\r\n"),
        Ended(7, 0.0),
        Ended(8, 0.0),
    ]


@pytest.mark.parametrize(
    ("fault", "after"), [("late", "open"), ("grammar", "open"), ("interrupted", "open"), ("gone", "close")]
)
def test_a_failed_exchange_gives_what_had_come_and_closes_only_where_the_peer_did(fault: str, after: str) -> None:
    found = steps(meter("opened"), meter("sent", b"A?\n"), meter("failed", b"+1.", fault))
    assert found[1] == Exchanged(2, 0.0, b"A?\n", b"+1.", after)  # type: ignore[arg-type]


def test_a_message_that_was_not_sent_shows_what_kept_it_from_it() -> None:
    assert steps(
        meter("opened"),
        meter("unsent", b"A?\n"),
        meter("failed", b"late\n", "grammar"),
        meter("unsent", b"A?\n"),
        meter("failed", b"", "not ready"),
        meter("failed", b"", "gone"),
        meter("opened"),
        meter("unsent", b"B?\n"),
        meter("failed", b"", "gone"),
    ) == [
        Opened(1, 0.0),
        Unasked(2, 0.0, b"A?\n", b"late\n"),
        Refused(6, 0.0, ""),
        Opened(7, 0.0),
        Hung(8, 0.0, b"B?\n"),
    ]


def test_a_reply_of_a_bus_that_ends_messages_by_itself_gets_the_line_end_that_a_socket_needs() -> None:
    assert steps(meter("opened"), meter("sent", b"A?\n"), meter("received", b"1"))[1] == Exchanged(
        2, 0.0, b"A?\n", b"1\n"
    )


def test_the_clock_stands_apart() -> None:
    session = session_of(
        ("clock", "sent", b"NOW?\n"),
        ("clock", "received", b"12.5\n"),
        meter("opened"),
        ("clock", "sent", b"UNTIL 13.5\n"),
        ("clock", "failed", b"", "interrupted"),
    )
    script = script_of(session)
    assert [(one.number, one.request, one.answer_s) for one in script.clock] == [
        (1, "NOW?", 12.5),
        (4, "UNTIL 13.5", None),
    ]
    assert list(script.roles) == ["meter"]
    assert isinstance(script.clock[0], Timed)


def test_what_follows_a_message_that_is_gone_is_left_out() -> None:
    session = session_of(*(meter(what, b"A?\n") for what in ("opened", "sent", "sent", "sent")))
    hole = replace(session, lines=(*session.lines[:2], session.lines[3]))
    assert script_of(hole).last == 2
    cut = replace(session, lines=(*session.lines[:2], replace(session.lines[2], left_out=5), session.lines[3]))
    assert [step.number for step in script_of(cut).roles["meter"]] == [1, 2]


def test_from_a_message_in_the_middle_on_the_link_is_taken_as_open() -> None:
    session = session_of(meter("opened"), meter("sent", b"A?\n"), meter("received", b"1\n"), meter("sent", b"B?\n"))
    found = [replace(step, time_s=0.0) for step in script_of(session, 3).roles["meter"]]
    assert found == [Opened(3, 0.0), Exchanged(4, 0.0, b"B?\n")]
