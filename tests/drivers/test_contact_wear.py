"""Closings of each contact are counted, paced and ended by its life; nothing is said of opening."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from drivers.contact_wear import ContactWear
from drivers.errors import LimitError, StopRequestedError
from drivers.limits import Limits
from drivers.wiring import Channel
from tests.drivers.scripted import HandTime, Rig
from tests.drivers.test_hold import wired

ONE, TWO = Channel("relay_board", "1"), Channel("switch", "101")


def test_each_contact_is_counted_by_itself_and_over_runs() -> None:
    wear = ContactWear(Limits(), HandTime().clock(), before={"relay_board 1": 40})
    for contact in (ONE, ONE, TWO):
        wear.closed(contact)
    assert wear.closings == {"relay_board 1": 2, "switch 101": 1}
    assert (wear.total("relay_board 1"), wear.total("switch 101"), wear.total("switch 102")) == (42, 1, 0)


def test_a_closing_beyond_the_life_of_its_contact_is_refused_with_contact_count_and_limit() -> None:
    limits = Limits(contact_life=100, contact_lives={"switch 101": 3})
    wear = ContactWear(limits, HandTime().clock(), before={"relay_board 1": 99, "switch 101": 3})
    wear.check(ONE)
    wear.closed(ONE)
    with pytest.raises(LimitError, match=r"^relay_board 1: has closed 100 times, and limits.contact_life is 100: "):
        wear.check(ONE)
    with pytest.raises(LimitError, match=r"^switch 101: has closed 3 times, and limits.contact_life is 3: "):
        wear.check(TWO)


def test_a_contact_waits_until_its_first_closing_is_a_minute_old_and_says_so() -> None:
    time, said = HandTime(), list[str]()
    wear = ContactWear(Limits(relay_cycles_per_minute=2), time.clock(), say=said.append)
    began_s = time.now_s
    for _ in range(2):
        wear.pace(ONE, 1000.0)
        wear.closed(ONE)
        time.now_s += 5.0
    wear.pace(TWO, 1000.0)
    assert time.now_s == began_s + 10.0
    with pytest.raises(LimitError, match=r"relay_board 1: one more closing within a minute is beyond"):
        wear.check(ONE)
    wear.pace(ONE, 1000.0)
    assert time.now_s == pytest.approx(began_s + 60.0)
    assert said == ["relay_board 1 waits 50 s: limits.relay_cycles_per_minute is 2"]
    assert wear.waited_s == pytest.approx(50.0)
    wear.check(ONE)


def test_a_wait_that_what_is_pressed_cannot_bear_is_refused() -> None:
    time = HandTime()
    wear = ContactWear(Limits(relay_cycles_per_minute=1), time.clock())
    wear.closed(ONE)
    with pytest.raises(LimitError, match=r"would have to wait 60 s .* may not while something is pressed"):
        wear.pace(ONE, 9.0)
    assert time.now_s == 1000.0


def test_a_stop_ends_the_wait() -> None:
    wear = ContactWear(Limits(relay_cycles_per_minute=1), HandTime().clock(stop=lambda: True))
    wear.closed(ONE)
    with pytest.raises(StopRequestedError):
        wear.pace(ONE, 100.0)


def test_the_counts_are_handed_over_where_they_have_changed() -> None:
    kept: list[Mapping[str, int]] = []
    wear = ContactWear(Limits(), HandTime().clock(), keep=lambda closings: kept.append(dict(closings)))
    wear.keep()
    wear.closed(ONE)
    wear.keep()
    wear.keep()
    assert kept == [{"relay_board 1": 1}]


def test_the_counts_are_handed_over_before_each_press_each_hold_and_each_look_at_the_bare_bus() -> None:
    """After a kill at any instant what closed before the press in hand is counted: one trial is missed at most."""
    rig, kept = Rig(), list[dict[str, int]]()
    clock = rig.time.clock()
    wear = ContactWear(Limits(), clock, keep=lambda closings: kept.append(dict(closings)))
    bench = rig.bench(wired())
    bench._interlock.wear = wear
    rig.prepare(bench)
    for closed_by in ("pressed", "held", "bare"):
        kept.clear()
        wear.closed(ONE)
        before = dict(wear.closings)
        if closed_by == "pressed":
            bench.select("D1")
            wear.closed(TWO)
            before = dict(wear.closings)
            with bench.pressed("D1", "relay", 3.3):
                assert kept == [before]
            bench.deselect()
        elif closed_by == "held":
            with bench.held(["D2"], 3.3):
                assert kept == [before]
        else:
            with bench.bare():
                assert kept == [before]
