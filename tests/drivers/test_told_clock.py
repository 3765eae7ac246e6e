"""What the bench's clock was asked and what it answered is told, so that the same times can be served again."""

from __future__ import annotations

import pytest

from drivers.clock import Clock
from drivers.errors import StopRequestedError
from drivers.told_clock import ToldClock
from drivers.wire_log import WireEvent
from tests.drivers.scripted import HandTime


def told(events: list[WireEvent]) -> list[tuple[str, str]]:
    return [(event.direction, event.data.decode().strip()) for event in events]


def test_times_and_waits_are_told_as_a_line_would_serve_them() -> None:
    events: list[WireEvent] = []
    hand = HandTime()
    clock = ToldClock(hand.clock(), events.append)
    hand.now_s = 2.0
    assert clock.now() == 2.0
    clock.wait(0.5)
    clock.settle(0.25)
    assert told(events) == [
        ("sent", "NOW?"),
        ("received", "2.0"),
        ("sent", "NOW?"),
        ("received", "2.0"),
        ("sent", "UNTIL 2.5"),
        ("received", "2.5"),
        ("sent", "NOW?"),
        ("received", "2.5"),
        ("sent", "UNTIL 2.75"),
        ("received", "2.75"),
    ]


def test_a_wait_that_a_stop_request_ended_is_told_as_such() -> None:
    events: list[WireEvent] = []
    clock = ToldClock(Clock(1000.0, lambda: True), events.append)
    with pytest.raises(StopRequestedError):
        clock.wait_until(clock.now() + 5.0)
    assert events[-1].direction == "failed"
    assert (events[-1].fault, events[-1].told) == ("interrupted", "stopped on request")
    with pytest.raises(StopRequestedError):
        clock.check_stop()
