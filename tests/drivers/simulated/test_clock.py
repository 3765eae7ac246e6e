"""A stepped bench's time passes where somebody waits and nowhere else; instants are the same late in a run as early."""

from __future__ import annotations

import math

import pytest

from drivers.simulated.clock import GRID_PER_S, LATEST_S, ScaledClock, SteppedClock, on_grid
from drivers.simulated.clock_line import ClockLine


def _ask(line: ClockLine, clock: SteppedClock, request: str) -> str | None:
    steps = line.run(request)
    while True:
        try:
            clock.pass_until(next(steps))
        except StopIteration as end:
            return str(end.value)


def test_a_stepped_clock_stands_still_until_somebody_waits() -> None:
    clock = SteppedClock()
    assert clock.now() == clock.now() == 0.0
    clock.pass_until(1.5)
    assert clock.now() == 1.5
    clock.pass_until(1.0)
    assert clock.now() == 1.5


def test_a_wait_without_an_end_moves_nothing() -> None:
    clock = SteppedClock()
    clock.pass_until(math.inf)
    assert clock.now() == 0.0
    assert clock.real_seconds_until(math.inf) == math.inf


@pytest.mark.parametrize("wait_s", [0.01, 0.02, 0.0002, 0.3, 0.1 + 0.2, 1e-5, 123.456, 0.5])
def test_the_same_wait_takes_the_same_time_to_the_last_bit_whenever_it_begins(wait_s: float) -> None:
    """Decimal seconds are no binary fractions, so that each sum is rounded; the ticks take the rounding away."""
    took = set()
    for began_s in (1.0, 77.25, 4000.125, 90_000.5, 130_000.0625):
        clock = SteppedClock()
        clock.pass_until(began_s)
        clock.pass_until(clock.now() + wait_s)
        took.add(clock.now() - began_s)
    assert len(took) == 1
    assert took.pop() == pytest.approx(wait_s, abs=1e-6)


def test_instants_lie_on_a_grid_that_floats_hold_for_97_days() -> None:
    step_s = 1.0 / GRID_PER_S
    assert on_grid(0.1) == pytest.approx(0.1, abs=step_s)
    assert (LATEST_S - step_s) + on_grid(3.3e-4) - (LATEST_S - step_s) == on_grid(3.3e-4)
    assert on_grid(math.inf) == math.inf


def test_a_scaled_clock_passes_by_itself_and_on_the_same_grid() -> None:
    clock = ScaledClock(1000.0)
    now_s = clock.now()
    assert now_s == on_grid(now_s)
    clock.pass_until(now_s + 1e6)
    assert clock.now() < 1e6
    assert clock.in_real(0.02) == 20.0


def test_the_line_tells_the_time_with_all_its_digits_and_waits_to_the_instant() -> None:
    clock = SteppedClock()
    line = ClockLine(clock)
    assert _ask(line, clock, "NOW?") == "0.0"
    assert float(_ask(line, clock, "UNTIL 0.1") or "") == clock.now() >= 0.1
    assert _ask(line, clock, "UNTIL 0.05") == repr(clock.now())


@pytest.mark.parametrize("request_", ["", "NOW", "UNTIL", "UNTIL soon", "UNTIL nan", "UNTIL inf", "UNTIL 1e9"])
def test_what_is_no_request_is_refused_and_moves_nothing(request_: str) -> None:
    clock = SteppedClock()
    assert (_ask(ClockLine(clock), clock, request_) or "").startswith("ERR ")
    assert clock.now() == 0.0


def test_where_time_really_passes_a_wait_is_answered_after_20_ms_of_it() -> None:
    clock = ScaledClock(1.0)
    began_s = clock.now()
    until_s = next(ClockLine(clock).run("UNTIL 3600"))
    assert until_s - began_s <= 0.02 + (clock.now() - began_s)
