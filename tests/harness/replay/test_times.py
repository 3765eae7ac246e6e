"""The bench's clock is served from the log: the same times, no waiting, and leniently where a driver asks otherwise."""

from __future__ import annotations

from harness.replay.script import Timed
from harness.replay.times import Times

LOGGED = [
    Timed(1, 0.1, "NOW?", 10.0),
    Timed(3, 0.3, "UNTIL 12.5", 12.6),
    Timed(5, 0.5, "NOW?", 12.7),
    Timed(9, 0.9, "NOW?", 20.0),
]


def test_each_question_gets_its_own_answer() -> None:
    times = Times(LOGGED)
    asked = (b"NOW?\n", b"UNTIL 12.5\n", b"NOW?\n", b"NOW?\n")
    assert [times.answer(one) for one in asked] == [b"10.0\n", b"12.6\n", b"12.7\n", b"20.0\n"]


def test_a_question_too_many_gets_the_time_that_it_is() -> None:
    times = Times(LOGGED)
    asked = (b"NOW?\n", b"NOW?\n", b"UNTIL 11\n", b"UNTIL 12.5\n", b"NOW?\n")
    assert [times.answer(one) for one in asked] == [b"10.0\n", b"10.0\n", b"11.0\n", b"12.6\n", b"12.7\n"]


def test_questions_left_out_are_passed_over_at_a_later_wait_or_message() -> None:
    times = Times(LOGGED)
    assert times.answer(b"UNTIL 12.5\n") == b"12.6\n"
    times.come_to(8)
    assert times.answer(b"NOW?\n") == b"20.0\n"


def test_a_wait_that_a_stop_request_ended_is_answered_by_its_end() -> None:
    assert Times([Timed(1, 0.1, "UNTIL 5.0", None)]).answer(b"UNTIL 5.0\n") == b"5.0\n"


def test_nothing_else_is_a_question() -> None:
    assert Times(LOGGED).answer(b"UNTIL nan\n") == b"ERR unknown request\n"
