"""A chamber keeps its limits, is never reset, and is off at the end."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest

from drivers.chamber import Chamber
from drivers.clock import Clock
from drivers.dialect import Dialect
from drivers.errors import BenchError, InstrumentError, LimitError
from drivers.instrument import Instrument
from procedures.conditions import InChamber, SoakRules, soak
from tests.drivers.scripted import FunctionLink, HandTime, Rig, common, scpi


@dataclass
class Scripted:
    """A scripted chamber that moves by `rate` °C a second towards what it is set to, while it runs."""

    time: HandTime = field(default_factory=HandTime)
    rate: float = 1.0
    level_c: float = 23.0
    on: bool = False
    stays: bool = False
    sent: list[tuple[str, str]] = field(default_factory=list)
    from_c: float = 23.0
    since_s: float = 1000.0

    def now_c(self) -> float:
        if not self.on:
            return self.from_c
        moved = self.rate * (self.time.now_s - self.since_s)
        gap = self.level_c - self.from_c
        return self.level_c if moved >= abs(gap) else self.from_c + (moved if gap > 0 else -moved)

    def answer(self, command: str) -> str | bytes | None:
        head, _, value = command.partition(" ")
        asked = {
            "OUTP:STAT?": "1" if self.on else "0",
            "SOUR:TEMP:LEV:IMM:AMPL?": f"{self.level_c:.2f}",
            "MEAS:TEMP?": f"{self.now_c():.3f}",
        }
        if head == "OUTP:STAT":
            self.from_c, self.since_s = self.now_c(), self.time.now_s
            self.on = self.on if self.stays else value == "ON"
        elif head == "SOUR:TEMP:LEV:IMM:AMPL":
            self.from_c, self.since_s, self.level_c = self.now_c(), self.time.now_s, float(value)
        else:
            return asked[head] if head in asked else common("Invented Instruments,C1,12,1.0", [])(command)
        return None

    def chamber(self, clock: Clock | None = None) -> Chamber:
        link = FunctionLink("chamber", scpi(self.answer), self.sent)
        chamber = Chamber(Instrument(link, Dialect("chamber"), name="chamber"), clock or self.time.clock())
        chamber.prepare(-10.0, 60.0)
        return chamber


def test_a_temperature_is_set_read_back_and_the_chamber_runs() -> None:
    scripted = Scripted()
    scripted.chamber().set_temperature(45.0)
    assert (scripted.on, scripted.level_c) == (True, 45.0)
    assert "*RST" not in [message for _, message in scripted.sent]


@pytest.mark.parametrize("celsius", [-10.1, 60.1, float("nan")])
def test_a_temperature_beyond_the_limits_is_refused_before_anything_is_sent(celsius: float) -> None:
    scripted = Scripted()
    chamber = scripted.chamber()
    before = len(scripted.sent)
    with pytest.raises(LimitError, match="is not within -10 °C to 60 °C"):
        chamber.set_temperature(celsius)
    assert len(scripted.sent) == before


def test_a_chamber_that_does_not_obey_is_an_error() -> None:
    with pytest.raises(InstrumentError, match="reads back off"):
        Scripted(stays=True).chamber().set_temperature(45.0)
    with pytest.raises(InstrumentError, match="reads back on"):
        Scripted(on=True, stays=True).chamber().off()


def test_a_step_is_reached_then_soaked_and_measured_by_the_chamber() -> None:
    """22 °C away at 1 °C a second, until within 3 °C; then soaks of 60 s until two readings agree."""
    rig = Rig()
    scripted = Scripted(time=rig.time)
    bench = rig.bench()
    bench.prepare()
    rules = SoakRules(soak_s=60.0, stable_c=0.5, within_c=3.0)
    began_s = bench.clock.now()
    by = InChamber(bench, scripted.chamber(bench.clock), rules)
    assert soak(bench, by, 45.0, rules, lambda text: None) == pytest.approx(45.0)
    # 21 s to come near, a soak in which it moves by one degree more, and one in which it stays.
    assert bench.clock.now() - began_s == pytest.approx(141.0, abs=1.5)


def test_a_chamber_that_does_not_come_there_in_time_ends_the_run() -> None:
    rig = Rig()
    bench = rig.bench()
    bench.prepare()
    rules = SoakRules(soak_s=60.0, stable_c=1.0, within_c=3.0, longest_s=600.0)
    by = InChamber(bench, Scripted(time=rig.time, rate=0.01).chamber(bench.clock), rules)
    with pytest.raises(BenchError, match=r"chamber: not soaked at 45 °C within temperature\.longest of 600 s"):
        soak(bench, by, 45.0, rules, lambda text: None)


def test_a_chamber_that_comes_near_but_is_never_steady_ends_the_run_too() -> None:
    """0.6 °C a soak, where 0.5 °C are allowed."""
    rig = Rig()
    bench = rig.bench()
    bench.prepare()
    rules = SoakRules(soak_s=60.0, stable_c=0.5, within_c=3.0, longest_s=100.0)
    by = InChamber(bench, Scripted(time=rig.time, rate=0.01).chamber(bench.clock), rules)
    with pytest.raises(BenchError, match=r"not soaked at 25\.5 °C within temperature\.longest of 100 s"):
        soak(bench, by, 25.5, rules, lambda text: None)


def test_the_bench_switches_the_chamber_off_at_the_end() -> None:
    rig = Rig()
    scripted = Scripted(time=rig.time, on=True)
    bench = rig.bench()
    bench.chamber = scripted.chamber(bench.clock)
    bench.prepare()
    assert bench.identities["chamber"][1] == "Invented Instruments,C1,12,1.0"
    assert bench.make_safe() == []
    assert not scripted.on
