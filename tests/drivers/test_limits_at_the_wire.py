"""Whatever a procedure does in whatever order, through the bench or past it: no command beyond a limit on the wire.

The wire is watched by a judge of its own, which knows nothing of the interlock: it reads what came out at the far end.
"""

from __future__ import annotations

import re
from collections import Counter, deque
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, suppress
from dataclasses import replace
from typing import Any, ClassVar

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule, run_state_machine_as_test

from drivers.bench import Bench
from drivers.contact_wear import ContactWear
from drivers.dialect import Dialect
from drivers.errors import BenchError
from drivers.instrument import Instrument
from drivers.interlock import Interlock, Ratings
from drivers.limits import Limits
from drivers.meter import Meter
from drivers.rail import Rail
from drivers.relay_board import RelayBoard
from drivers.source import Source
from drivers.supply import Supply
from drivers.switch import Switch
from drivers.wiring import Channel
from tests.drivers.scripted import FunctionLink, Rig, full_wiring, scpi
from tests.drivers.test_supply import Scripted

LIMITS = Limits(relay_cycles_per_minute=4.0, contact_life=5, press_time_s=5.0, presses_per_minute=30)
SUPPLY_V, SUPPLY_A = 3.7, 0.2
HOLD = {"D2": "302"}
NAMES = {"101": "select", "102": "select", "201": "press", "202": "discharge", "203": "rail", "204": "source"}
NUMBERS = ["0", "-0.3", "-1", "0.001", "0.1", "1", "3.3", "3.65", "4", "5.5", "50", "1E3", "MAX", "NAN", "3.3 V", "-6"]
RAILS = [0.0, 1.2, 2.7, 3.2, 3.3, 3.6, 4.5, 6.0]
RAW = [
    ("source", "SOUR:VOLT:LEV:IMM:AMPL {}"),
    ("source", "SOUR:VOLT {}"),
    ("source", "SENS:CURR:PROT:LEV {}"),
    ("source", "OUTP:STAT ON"),
    ("source", "OUTP:STAT OFF"),
    ("source", "*RST"),
    ("source", "SOUR:FUNC:MODE VOLT"),
    ("source", "SOUR:FUNC:MODE CURR"),
    ("source", "SENS:CURR:PROT:LEV 0.001;:SOUR:VOLT:LEV:IMM:AMPL {};:OUTP:STAT ON"),
    ("supply", "SOUR:VOLT:LEV:IMM:AMPL {}"),
    ("supply", "SOUR:CURR:LEV:IMM:AMPL {}"),
    ("supply", "OUTP:STAT ON"),
    ("supply", "OUTP:STAT OFF"),
    ("switch", "ROUT:OPEN:ALL"),
    ("switch", "*RST"),
]
CHANNELS = ["101", "102", "201", "202", "203", "204", "302", "999", "101,201", "204,102"]


class Judge:
    """Reads what reached the instruments, and says what broke a limit. It is told the time and the true rail."""

    seen: ClassVar[Counter[str]] = Counter()

    def __init__(self, now_s: Callable[[], float]) -> None:
        self.now_s = now_s
        self.broken: list[str] = []
        self.level_v = 0.0
        self.limit_a: float | None = None
        self.measured_v: float | None = None
        self.measured_s = 0.0
        self.powered = False
        self.closed: set[str] = set()
        self.closings: dict[str, deque[float]] = {}
        self.count: dict[str, int] = {}

    def heard(self, role: str, message: str) -> None:
        for command in (part.removeprefix(":") for part in message.split(";")):
            head, _, value = command.partition(" ")
            if role == "source":
                self._source(head, value, command)
            elif role == "supply":
                self._supply(head, value, command)
            elif role == "switch":
                self._switch(head, value)

    def must(self, held: bool, what: str) -> None:
        if not held:
            self.broken.append(what)

    def on_pin(self) -> bool:
        return any(NAMES.get(one) == "select" for one in self.closed)

    def _source(self, head: str, value: str, command: str) -> None:
        if head == "*RST":
            self.level_v, self.limit_a = 0.0, None
        elif head == "SENS:CURR:PROT:LEV":
            self.limit_a = float(value)
            self.must(0.0 <= self.limit_a <= LIMITS.current_a, command)
        elif head == "SOUR:VOLT:LEV:IMM:AMPL":
            self.level_v = float(value)
            self.must(abs(self.level_v) <= LIMITS.voltage_v, command)
            self._joined()
        elif head == "OUTP:STAT" and value == "ON":
            self.must(self.limit_a is not None, f"{command} without a compliance")
        elif head in ("SOUR:FUNC:MODE", "SOUR:VOLT"):
            self.must(value == "VOLT", command)

    def _supply(self, head: str, value: str, command: str) -> None:
        if head == "SOUR:VOLT:LEV:IMM:AMPL":
            self.must(0.0 <= float(value) <= SUPPLY_V, f"supply {command}")
        elif head == "SOUR:CURR:LEV:IMM:AMPL":
            self.must(0.0 <= float(value) <= SUPPLY_A, f"supply {command}")

    def _switch(self, head: str, value: str) -> None:
        named = re.findall(r"\d+", value)
        if head in ("ROUT:OPEN:ALL", "*RST"):
            self.closed.clear()
        elif head == "ROUT:OPEN":
            self.closed -= set(named)
        elif head == "ROUT:CLOS":
            for one in named:
                self._close(one)

    def _close(self, one: str) -> None:
        if one in self.closed:
            return
        self.closed.add(one)
        self.must(one in NAMES or one in HOLD.values(), f"{one} is wired to nothing")
        times_s = self.closings.setdefault(one, deque())
        times_s.append(self.now_s())
        while times_s[0] <= self.now_s() - 60.0 + 1e-3:
            times_s.popleft()
        self.count[one] = self.count.get(one, 0) + 1
        self.must(len(times_s) <= LIMITS.relay_cycles_per_minute, f"{one} closed {len(times_s)} times within a minute")
        self.must(self.count[one] <= LIMITS.contact_life, f"{one} closed {self.count[one]} times")
        self.must(sum(NAMES.get(each) == "select" for each in self.closed) <= 1, "two pins on the bus")
        self._joined()
        Judge.seen[self._kind(one)] += 1
        if one in HOLD.values() or (one == "201" and self.on_pin()):
            self._just_measured(one)

    def _joined(self) -> None:
        """What drives a pin: never the rail relay, the source only near the rail as measured."""
        if not self.on_pin():
            return
        self.must("203" not in self.closed, "the rail relay with a pin on the bus")
        self.must(not {"201", "204"} <= self.closed, "press and source relay at once with a pin on the bus")
        self.must(not ({"201", "204"} & self.closed and "202" in self.closed), "a grounded pin pressed")
        if "204" in self.closed:
            Judge.seen["level on a pin"] += 1
            high_v = (self.measured_v or 0.0) + LIMITS.above_rail_v
            self.must(-0.3001 <= self.level_v <= high_v + 1e-6, f"{self.level_v} V on a pin, rail {self.measured_v} V")

    def _kind(self, one: str) -> str:
        if one in HOLD.values():
            return "held"
        return {"201": "relay", "204": "source"}.get(one, "") if self.on_pin() else ""

    def _just_measured(self, one: str) -> None:
        self.must(self.powered, f"{one} pressed into a board that is not powered ({self.measured_v} V)")
        self.must(self.now_s() - self.measured_s <= LIMITS.rail_age_s, f"{one} pressed by a rail measured long ago")


class Hostile(RuleBasedStateMachine):
    """A procedure that does anything, and heeds no refusal."""

    def __init__(self) -> None:
        super().__init__()
        self.rail_v = 3.3
        self.rig = Rig(volts=self._volts)
        self.supply = Scripted(time=self.rig.time)
        self.judge = Judge(lambda: self.rig.time.now_s)
        clock = self.rig.time.clock()
        hold = {pin: Channel("switch", one) for pin, one in HOLD.items()}
        wiring = replace(full_wiring(), fit={}, hold=hold, hold_ohm=dict.fromkeys(HOLD, 1000.0))
        interlock = Interlock(LIMITS, wiring, ContactWear(LIMITS, clock), Ratings(SUPPLY_V, SUPPLY_A))
        self.instruments: dict[str, Instrument] = {}
        for role in ("meter", "source", "switch", "relay_board", "supply"):
            link = self._wire(role)
            self.instruments[role] = Instrument(interlock.watched(role, link, Dialect(role)), Dialect(role), name=role)
        rail = Rail(
            LIMITS,
            supply=Supply(self.instruments["supply"], clock),
            nominal_v=3.3,
            highest_v=SUPPLY_V,
            limit_a=SUPPLY_A,
        )
        self.bench = Bench(
            clock=clock,
            meter=Meter(self.instruments["meter"], clock),
            limits=LIMITS,
            wiring=wiring,
            switch=Switch(self.instruments["switch"]),
            relay_board=RelayBoard(self.instruments["relay_board"]),
            source=Source(self.instruments["source"], clock),
            rail=rail,
            interlock=interlock,
        )
        self.open: list[AbstractContextManager[Any]] = []
        self.bench.prepare()

    def _wire(self, role: str) -> FunctionLink:
        answer = scpi(self.supply.answer) if role == "supply" else self.rig.link(role).answer

        def heard(message: str) -> str | bytes | None:
            self.judge.heard(role, message)
            return answer(message)

        return FunctionLink(role, heard, [])

    def _volts(self, rig: Rig) -> float:
        return self.rail_v / 1.001 if {"203", "201"} & rig.closed else 0.0

    def _done(self, what: Callable[[], object]) -> None:
        with suppress(BenchError):
            what()
        if self.bench.state == "fault":
            self._safe()

    def _safe(self) -> None:
        self.open.clear()
        self.bench.make_safe()
        with suppress(BenchError):
            self.bench.prepare()

    def _enter(self, block: AbstractContextManager[Any]) -> None:
        block.__enter__()
        self.open.append(block)

    @rule(rail_v=st.sampled_from(RAILS))
    def measure_the_rail(self, rail_v: float) -> None:
        """The true rail is whatever it is; the judge learns it where it was read."""
        self.rail_v = rail_v

        def measured() -> None:
            found_v = self.bench.rail_voltage()
            self.judge.measured_v, self.judge.measured_s = found_v, self.rig.time.now_s
            set_v = self.bench.rail_set_v or 3.3
            self.judge.powered = 0.9 * set_v - 1e-6 <= found_v <= 1.1 * set_v + 1e-6

        self._done(measured)

    @rule(pin=st.sampled_from(["D1", "D2", "D9"]))
    def select(self, pin: str) -> None:
        self._done(lambda: self.bench.select(pin))

    @rule()
    def deselect(self) -> None:
        self._done(self.bench.deselect)

    @rule(
        pin=st.sampled_from(["D1", "D2"]),
        path=st.sampled_from(["relay", "source", "hand"]),
        level_v=st.sampled_from([0.0, 3.3, 3.55, 3.7, -0.5, 5.0, 50.0, float("nan"), float("inf")]),
        hold_s=st.sampled_from([0.0, 0.1, 6.0, -1.0]),
    )
    def press(self, pin: str, path: Any, level_v: float, hold_s: float) -> None:
        self._done(lambda: self._enter(self.bench.pressed(pin, path, level_v, hold_s)))

    @rule(
        pin=st.sampled_from(["D1", "D2"]),
        path=st.sampled_from(["relay", "source"]),
        level_v=st.sampled_from([0.0, 3.3, 3.55, 3.65]),
        rail_v=st.sampled_from([3.3, 3.3, 3.2, 3.0, 2.7]),
    )
    def press_by_the_book(self, pin: str, path: Any, level_v: float, rail_v: float) -> None:
        """All that a press needs, so that presses come about at all."""
        self._tidy(rail_v)
        self.select(pin)
        self.press(pin, path, level_v, 0.1)

    @rule(level_v=st.sampled_from([0.0, 3.3, 3.7, -1.0, 9.0, float("nan")]))
    def force(self, level_v: float) -> None:
        self._done(lambda: self.bench.force(level_v))

    @rule(rail_v=st.sampled_from([3.3, 3.2, 2.7]))
    def hold_by_the_book(self, rail_v: float) -> None:
        self._tidy(rail_v)
        self.hold(3.3)

    def _tidy(self, rail_v: float) -> None:
        while self.open:
            self.leave()
        self.deselect()
        self.measure_the_rail(rail_v)

    @rule(level_v=st.sampled_from([3.3, 6.0]))
    def hold(self, level_v: float) -> None:
        self._done(lambda: self._enter(self.bench.held(["D2"], level_v)))

    @rule()
    def bare(self) -> None:
        self._done(lambda: self._enter(self.bench.bare()))

    @rule()
    def ground(self) -> None:
        self._done(lambda: self._enter(self.bench.grounded()))

    @precondition(lambda self: bool(self.open))
    @rule()
    def leave(self) -> None:
        block = self.open.pop()
        self._done(lambda: block.__exit__(None, None, None))

    @rule()
    def release(self) -> None:
        self._done(self.bench.release)

    @rule(volts=st.sampled_from([0.0, 3.0, 3.3, 3.8, float("nan")]))
    def set_rail(self, volts: float) -> None:
        before_v = self.bench.rail_set_v
        self._done(lambda: self.bench.set_rail(volts))
        # Where it was refused nothing has changed; else whatever was read before is another rail.
        self.judge.powered = self.judge.powered and self.bench.rail_set_v == before_v

    @rule(seconds=st.sampled_from([0.01, 1.0, 7.0, 61.0]))
    def wait(self, seconds: float) -> None:
        self._done(lambda: self.bench.clock.wait(seconds))

    @rule(raw=st.sampled_from(RAW), number=st.sampled_from(NUMBERS))
    def talk_past_the_bench(self, raw: tuple[str, str], number: str) -> None:
        role, message = raw
        self._done(lambda: self.instruments[role].link.send(message.format(number)))

    @rule(verb=st.sampled_from(["CLOS", "OPEN"]), channels=st.sampled_from(CHANNELS))
    def move_relays_past_the_bench(self, verb: str, channels: str) -> None:
        self._done(lambda: self.instruments["switch"].link.send(f"ROUT:{verb} (@{channels})"))

    @rule(level_v=st.sampled_from([3.3, 3.7, 20.0]), limit_a=st.sampled_from([1e-3, 0.1]))
    def prepare_the_source_anew(self, level_v: float, limit_a: float) -> None:
        source = self.bench.source
        assert source is not None
        self._done(lambda: source.prepare(level_v, limit_a))
        self._done(lambda: source.force_voltage(level_v))
        self._done(source.output_on)

    @invariant()
    def nothing_beyond_a_limit_was_heard(self) -> None:
        assert self.judge.broken == []

    def teardown(self) -> None:
        assert self.bench.make_safe() == []
        assert self.judge.closed == set()


def _tried(examples: int, phases: Sequence[Phase] = (Phase.generate,)) -> None:
    run_state_machine_as_test(  # type: ignore[no-untyped-call]
        Hostile,
        settings=settings(
            max_examples=examples,
            stateful_step_count=50,
            deadline=None,
            derandomize=True,
            phases=phases,
            suppress_health_check=list(HealthCheck),
        ),
    )


def test_no_sequence_of_moves_brings_a_command_beyond_a_limit_onto_the_wire() -> None:
    Judge.seen.clear()
    _tried(110)
    # Nothing was forbidden by forbidding all: each kind of press was made, and messages past the bench went out.
    assert all(Judge.seen[what] >= 5 for what in ("relay", "source", "held", "level on a pin")), Judge.seen


def _anything(self: ContactWear, *whatever: object) -> None:
    """No limit at all."""


BROKEN: dict[str, tuple[object, str, object]] = {
    "nothing is read before the wire": (Interlock, "watched", lambda self, role, link, dialect: link),
    "contacts live for ever": (ContactWear, "check", _anything),
    "the rail is not asked for": (Bench, "_rail_for", lambda self, what, path: self._rail_v),
}


@pytest.mark.parametrize("broken", BROKEN)
def test_the_judge_notices_where_a_limit_is_taken_away(broken: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A watch that never barks is none: one safeguard is taken out at a time."""
    monkeypatch.setattr(*BROKEN[broken])
    with pytest.raises(AssertionError):
        _tried(110)
