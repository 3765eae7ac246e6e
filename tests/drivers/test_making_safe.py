"""A bench is made safe in phases: the instruments of one at once, every step bounded, whatever the others do."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

import pytest

from drivers import making_safe
from drivers.dialect import Dialect
from drivers.errors import LinkClosedError, LinkTimeoutError
from drivers.instrument import Instrument
from drivers.limits import Limits
from drivers.making_safe import Attempt, SafeStep, carried_out, tried_twice
from drivers.rail import Rail
from tests.drivers.scripted import FunctionLink, Rig
from tests.drivers.test_supply import Scripted


def instrument(name: str) -> Instrument:
    return Instrument(FunctionLink(name, lambda message: None), Dialect("switch"), name=name)


def step(name: str, act: Callable[[], None], wire: Instrument | None = None) -> SafeStep:
    return SafeStep(f"{name}: not proven", wire or instrument(name), act)


def test_a_deaf_instrument_delays_nobody_of_its_phase() -> None:
    answered, done = threading.Event(), threading.Event()

    def deaf() -> None:
        assert done.wait(20.0), "the other one waited for the deaf one"
        answered.set()

    assert carried_out([lambda: [step("deaf", deaf), step("sound", done.set)]], lambda: None) == []
    assert answered.is_set()


def test_the_next_phase_begins_once_the_one_before_is_proven(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(making_safe, "PHASE_S", 60.0)
    order: list[str] = []

    def slow() -> None:
        time.sleep(0.05)
        order.append("relays")

    phases = [lambda: [step("relays", slow)], lambda: [step("supply", lambda: order.append("supply"))]]
    assert carried_out(phases, lambda: order.append("bus")) == []
    assert order == ["relays", "bus", "supply"]


def test_a_deaf_instrument_delays_the_next_phase_by_a_stated_time_only(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(making_safe, "PHASE_S", 0.05)
    supply_off = threading.Event()

    def deaf() -> None:
        assert supply_off.wait(20.0), "the supply waited for the deaf one"

    assert carried_out([lambda: [step("deaf", deaf)], lambda: [step("supply", supply_off.set)]], lambda: None) == []


def test_what_does_not_come_to_its_end_is_not_proven_and_its_link_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(making_safe, "STEP_S", 0.05)
    wire, forever = instrument("switch"), threading.Event()
    try:
        assert Attempt(step("switch", lambda: assert_ended(forever), wire)).outcome() == (
            "switch: not proven: no end within 0.05 s"
        )
        assert wire.link.state == "lost"
    finally:
        forever.set()


def assert_ended(event: threading.Event) -> None:
    assert event.wait(60.0)


def test_a_step_that_ends_its_thread_is_not_proven() -> None:
    def leaves() -> None:
        raise MemoryError

    assert carried_out([lambda: [step("switch", leaves)]], lambda: None) == ["switch: not proven: MemoryError"]


def test_a_computer_without_threads_makes_safe_one_after_the_other(monkeypatch: pytest.MonkeyPatch) -> None:
    def none_left(self: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    rig = Rig(closed={"201"}, output=True, board_closed={"1"})
    bench = rig.bench()
    monkeypatch.setattr(threading.Thread, "start", none_left)
    assert bench.make_safe() == []
    assert (rig.closed, rig.board_closed, rig.output) == (set(), set(), False)


def test_an_instrument_for_one_client_is_tried_again_until_it_sees_that_the_old_link_is_gone() -> None:
    wire, busy = instrument("switch"), [1, 2, 3]
    wire.link.revoke()

    def act() -> None:
        if busy:
            busy.pop()
            raise LinkClosedError("the instrument closed the connection", resource="switch")

    tried_twice(wire, act)
    assert busy == []


def test_a_deaf_instrument_is_tried_on_one_fresh_link_only() -> None:
    wire, tries = instrument("switch"), [0]

    def act() -> None:
        tries[0] += 1
        raise LinkTimeoutError("no reply within 2 s", resource="switch")

    with pytest.raises(LinkTimeoutError):
        tried_twice(wire, act)
    assert tries == [2]


@pytest.mark.parametrize("stop", [False, True])
def test_a_supply_that_stays_on_is_put_back_to_its_voltage_even_where_a_stop_was_asked_for(stop: bool) -> None:
    """Used to be told as not proven after a Ctrl-C: the wait behind the command was ended by it."""
    rig = Rig()
    scripted = Scripted(sent=rig.sent, time=rig.time)
    bench = rig.bench(rail=Rail(Limits(), supply=scripted.supply(), nominal_v=3.3, at_end="on"))
    bench.prepare()
    bench.set_rail(3.0)
    rig.stop = stop
    assert bench.make_safe() == []
    assert (scripted.on, scripted.volts) == (True, 3.3)


class Blocking(FunctionLink):
    """A link on which a step is blocked until it is revoked, as a read is that nobody answers."""

    def __init__(self) -> None:
        super().__init__("switch", lambda message: None)
        self.revoked = threading.Event()

    def revoke(self) -> None:
        super().revoke()
        self.revoked.set()


def test_a_deaf_old_link_is_given_up_soon_for_a_fresh_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """A command that was swallowed used to keep a relay closed for the whole deadline of two seconds."""
    monkeypatch.setattr(making_safe, "HURRY_S", 0.02)
    link, tries = Blocking(), [0]

    def act() -> None:
        tries[0] += 1
        if tries[0] == 1:
            assert link.revoked.wait(60.0), "nobody gave the old link up"
            raise LinkClosedError("the link was revoked while in use", resource="switch")

    tried_twice(Instrument(link, Dialect("switch"), name="switch"), act)
    assert (tries, link.reopened, link.state) == ([2], 1, "ok")


def test_a_link_that_answers_in_time_is_not_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(making_safe, "HURRY_S", 0.05)
    link = Blocking()
    tried_twice(Instrument(link, Dialect("switch"), name="switch"), lambda: None)
    assert not link.revoked.wait(0.15)
    assert link.state == "ok"
