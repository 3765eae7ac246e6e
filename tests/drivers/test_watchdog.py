"""An output watchdog is armed with the bench, fed while a run waits, off once all is safe, named where it trips."""

from __future__ import annotations

import pytest

from drivers.bench import Bench
from drivers.errors import InstrumentError
from drivers.kept_clock import KeptClock
from drivers.source import Source
from drivers.upkeep import KEEP_S
from drivers.watchdog import Watchdog
from tests.drivers.scripted import HandTime, Rig, full_wiring

COMMANDS = {
    "watchdog": "OUTP:PROT:WATC {value}",
    "watchdog_read": "OUTP:PROT:WATC?",
    "watchdog_tripped": "OUTP:PROT:WATC:TRIP?",
    "watchdog_off": "OUTP:PROT:WATC 0",
}


class Watched(Rig):
    """A scripted bench whose source has an output watchdog that counts in the rig's own time."""

    seconds = 0.0
    heard_s = 0.0
    tripped = False

    def source(self, command: str) -> str | None:
        if self.seconds and self.time.now_s > self.heard_s + self.seconds:
            self.tripped, self.output, self.seconds = True, False, 0.0
        self.heard_s = self.time.now_s
        head, _, value = command.partition(" ")
        if head == "OUTP:PROT:WATC":
            self.seconds, self.tripped = float(value), False
        elif head == "OUTP:PROT:WATC?":
            return repr(self.seconds)
        elif head == "OUTP:PROT:WATC:TRIP?":
            return str(int(self.tripped))
        elif head == "*STB?":
            return "0"
        else:
            return super().source(command)
        return None

    def meter(self, command: str) -> str | bytes | None:
        return "0" if command == "*STB?" else super().meter(command)

    def switch(self, command: str) -> str | None:
        return "0" if command == "*STB?" else super().switch(command)

    def watched_bench(self, seconds: float = 6.0) -> Bench:
        from drivers.limits import Limits
        from drivers.meter import Meter
        from drivers.relay_board import RelayBoard
        from drivers.switch import Switch

        clock = KeptClock(self.time.clock(stop=lambda: self.stop))
        source = self.instrument("source", COMMANDS)
        return Bench(
            clock=clock,
            meter=Meter(self.instrument("meter"), clock),
            limits=Limits(),
            wiring=full_wiring(),
            switch=Switch(self.instrument("switch")),
            relay_board=RelayBoard(self.instrument("relay_board")),
            source=Source(source, clock),
            watchdogs={"source": Watchdog(source, seconds)},
            upkeep=clock.upkeep,
        )


def test_it_is_armed_with_the_bench_fed_by_every_wait_and_off_once_all_is_safe() -> None:
    rig = Watched()
    bench = rig.watched_bench()
    bench.prepare()
    assert rig.seconds == 6.0
    rig.output = True
    rig.sent.clear()
    bench.clock.wait(100.0)
    assert (rig.output, rig.tripped) == (True, False)
    assert rig.messages("source") == ["OUTP:PROT:WATC:TRIP?"] * 49  # each third of its time: 2 s, 4 s, … 98 s
    assert bench.make_safe() == []
    assert (rig.seconds, rig.output) == (0.0, False)
    rig.sent.clear()
    bench.clock.wait(100.0)
    assert rig.sent == []


def test_without_being_fed_it_would_have_tripped() -> None:
    """The check above can fail: the same wait by a clock that keeps nothing up."""
    rig = Watched()
    bench = rig.watched_bench()
    bench.prepare()
    rig.time.now_s += 100.0
    with pytest.raises(
        InstrumentError,
        match="source: its output watchdog has tripped: it heard nothing for 6 s, and its output went off",
    ):
        bench.clock.wait(1.0)


def test_one_that_takes_another_time_is_not_armed() -> None:
    rig = Watched()
    source = rig.instrument("source", {**COMMANDS, "watchdog": "OUTP:PROT:WATC {value:.0f}"})
    with pytest.raises(InstrumentError, match=r"watchdog was set to 2.4 s but reads back as 2.0"):
        Watchdog(source, 2.4).arm()


def test_instruments_that_nobody_speaks_to_are_asked_something_cheap_and_the_meter_not_while_it_logs() -> None:
    rig = Watched(volts=lambda rig: 3.3 if rig.closed else 0.0)
    bench = rig.watched_bench()
    bench.prepare()
    rig.sent.clear()
    bench.clock.wait(2 * KEEP_S + 1.0)
    asked = [role for role, message in rig.sent if message == "*STB?"]
    assert asked == ["switch", "meter"] * 2
    bench.select("D1")
    bench.start_log(0.1, 1000)
    rig.sent.clear()
    bench.clock.wait(2 * KEEP_S + 1.0)
    assert rig.messages("meter") == []
    assert rig.messages("switch") == ["*STB?"] * 2


def test_a_move_of_a_contact_is_not_delayed_by_upkeep() -> None:
    rig = Watched()
    bench = rig.watched_bench()
    bench.prepare()
    rig.sent.clear()
    bench.clock.settle(100.0)
    assert rig.sent == []


def test_it_is_fed_while_a_person_is_waited_for_too() -> None:
    time = HandTime()
    clock, fed = KeptClock(time.clock()), [0]
    clock.upkeep.add(2.0, lambda: fed.__setitem__(0, fed[0] + 1))
    clock.upkeep.begin()
    time.now_s += 3.0
    clock.looked()
    assert fed == [0]  # the bench thread is busy with something else
    with clock.asking():
        clock.looked()
    assert fed == [1]


def test_what_failed_is_told_and_the_rest_is_still_due() -> None:
    time = HandTime()
    clock, done = KeptClock(time.clock()), [0]

    def fails() -> None:
        raise InstrumentError("gone", resource="source")

    clock.upkeep.add(1.0, fails)
    clock.upkeep.add(1.5, lambda: done.__setitem__(0, 1))
    clock.upkeep.begin()
    with pytest.raises(InstrumentError):
        clock.wait(2.0)
    clock.upkeep._tasks.pop(0)
    clock.wait(0.6)
    assert done == [1]
