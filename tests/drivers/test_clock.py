"""Bench seconds run at a stated speed, and a stop request ends a wait within 20 ms of real time."""

from __future__ import annotations

import pytest

from drivers.clock import TICK_S, Clock
from drivers.errors import StopRequestedError
from tests.drivers.scripted import HandTime


def test_a_bench_second_takes_one_twentieth_of_a_real_second_at_speed_20() -> None:
    time = HandTime()
    clock = time.clock(speed=20.0)
    began = clock.now()
    clock.wait(1.0)
    assert time.now_s - 1000.0 == pytest.approx(0.05)
    assert clock.now() - began == pytest.approx(1.0)
    assert clock.real(1.0) == 0.05
    assert clock.deadline(1.0) == pytest.approx(1.1)


def test_a_wait_looks_at_the_stop_request_every_20_ms_and_raises() -> None:
    time = HandTime()
    clock = time.clock(stop=lambda: time.now_s >= 1000.1)
    with pytest.raises(StopRequestedError, match=r"^stopped on request$"):
        clock.wait(3600.0)
    assert time.now_s - 1000.1 <= TICK_S


def test_a_stop_is_seen_even_where_nothing_is_left_to_wait() -> None:
    clock = HandTime().clock(stop=lambda: True)
    with pytest.raises(StopRequestedError):
        clock.wait_until(clock.now() - 1.0)


def test_a_contact_settles_whatever_the_stop_request_says() -> None:
    time = HandTime()
    clock = time.clock(stop=lambda: True)
    clock.settle(0.005)
    assert time.now_s - 1000.0 == pytest.approx(0.005)


@pytest.mark.parametrize("speed", [0.0, -1.0, float("nan"), float("inf")])
def test_a_clock_that_stands_still_is_refused(speed: float) -> None:
    with pytest.raises(ValueError, match="clock speed must be above 0 and finite"):
        Clock(speed)
