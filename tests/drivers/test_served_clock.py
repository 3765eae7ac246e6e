"""A bench's own time, asked at a line: waits end when the line says so, and real time plays no part."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from drivers.errors import LinkClosedError, LinkError, ReplyError, StopRequestedError
from drivers.served_clock import ServedClock
from drivers.socket_link import open_socket_link
from tests.drivers.scripted import FunctionLink
from tests.drivers.simulated.served import served

SMALL = '[[pins]]\nname = "D1"\npull_down = { kind = "linear", resistance_ohm = 60e3 }\n'


class ByHand:
    """The far end of a clock's line: time passes by what it is asked to wait for, by `step_s` at most."""

    def __init__(self, step_s: float = 1e9) -> None:
        self.now_s = 5.0
        self.step_s = step_s

    def answer(self, request: str) -> str:
        word, _, until = request.partition(" ")
        if word == "UNTIL":
            self.now_s = max(self.now_s, min(float(until), self.now_s + self.step_s))
        return repr(self.now_s)


def test_a_wait_asks_until_it_is_that_late() -> None:
    far = ByHand(step_s=0.4)
    link = FunctionLink("socket://clock:1", far.answer)
    ServedClock(link).wait(1.0)
    assert [message for _, message in link.sent] == ["NOW?", "UNTIL 6.0", "UNTIL 6.0", "UNTIL 6.0"]
    assert far.now_s == 6.0


def test_a_bench_second_counts_as_a_real_one_for_leases_and_deadlines_unless_a_speed_is_stated() -> None:
    link = FunctionLink("socket://clock:1", ByHand().answer)
    assert ServedClock(link).real(10.0) == 10.0
    assert ServedClock(link).deadline(10.0) == 21.0
    assert ServedClock(link, 20.0).real(10.0) == 0.5


def test_a_stop_is_looked_at_between_two_answers_and_even_where_nothing_is_left_to_wait() -> None:
    far, asked = ByHand(step_s=0.01), 0

    def stop() -> bool:
        nonlocal asked
        asked += 1
        return asked > 3

    clock = ServedClock(FunctionLink("socket://clock:1", far.answer), stop=stop)
    with pytest.raises(StopRequestedError, match=r"^stopped on request$"):
        clock.wait(3600.0)
    assert far.now_s == pytest.approx(5.03)
    with pytest.raises(StopRequestedError):
        clock.wait_until(0.0)


def test_a_contact_settles_whatever_the_stop_request_says() -> None:
    far = ByHand(step_s=0.002)
    ServedClock(FunctionLink("socket://clock:1", far.answer), stop=lambda: True).settle(0.005)
    assert far.now_s == pytest.approx(5.005)


@pytest.mark.parametrize("told", ["", "ERR unknown request", "nan", "inf", "12:30"])
def test_an_answer_that_is_no_time_is_an_error_and_the_line_is_not_trusted_again(told: str) -> None:
    link = FunctionLink("socket://clock:1", lambda _: told)
    with pytest.raises(ReplyError, match="a clock must answer by its time in seconds"):
        ServedClock(link).now()
    assert link.state == "lost"


def test_a_line_that_failed_is_opened_anew_and_asked_once_more() -> None:
    far, fails = ByHand(), [True]

    def answer(request: str) -> str:
        if fails.pop() if fails else False:
            link.state = "lost"
            raise LinkClosedError("the connection is gone", resource="socket://clock:1", command=request)
        return far.answer(request)

    link = FunctionLink("socket://clock:1", answer)
    assert ServedClock(link).now() == 5.0
    assert link.reopened == 1


@contextmanager
def _silent() -> Iterator[str]:
    """A line that takes every request and answers none."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        yield f"socket://127.0.0.1:{listener.getsockname()[1]}"


def test_a_clock_that_says_nothing_is_an_error_at_the_deadline() -> None:
    with _silent() as resource:
        link = open_socket_link(resource, timeout_s=0.05)
        with pytest.raises(LinkError, match=r"no reply within 0\.05 s"):
            ServedClock(link).now()
        link.close()


def test_a_stepped_bench_is_at_the_end_of_every_wait_at_once(tmp_path: Path) -> None:
    with served(tmp_path, SMALL, stepped=True) as resources:
        link = open_socket_link(resources["clock"])
        clock = ServedClock(link)
        began_s = clock.now()
        clock.wait(7200.0)
        assert clock.now() - began_s == 7200.0
        clock.wait_until(began_s)
        assert clock.now() - began_s == 7200.0
        link.close()


def test_where_the_bench_really_waits_a_stop_ends_the_wait(tmp_path: Path) -> None:
    looks = 0

    def stop() -> bool:
        nonlocal looks
        looks += 1
        return looks > 3

    with served(tmp_path, SMALL, speed=1.0) as resources:
        link = open_socket_link(resources["clock"])
        clock = ServedClock(link, stop=stop)
        with pytest.raises(StopRequestedError):
            clock.wait(3600.0)
        assert clock.now() < 3600.0
        link.close()
