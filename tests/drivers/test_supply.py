"""The board's supply keeps its limits, is never reset, and is no rail where it gives way at its current limit."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest

from drivers.dialect import Dialect
from drivers.errors import BenchError, InstrumentError, LimitError, WiringError
from drivers.instrument import Instrument
from drivers.limits import Limits
from drivers.operator import Operator
from drivers.rail import Rail
from drivers.supply import Supply
from tests.drivers.scripted import FunctionLink, HandTime, Rig, common, scpi


@dataclass
class Scripted:
    """A scripted supply: what it is set to, and what it measures by `sags_to_v`."""

    on: bool = False
    volts: float = 0.0
    limit_a: float = 0.1
    protection_v: float = 30.0
    stays: bool = False
    sags_to_v: float | None = None
    sent: list[tuple[str, str]] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    time: HandTime = field(default_factory=HandTime)

    def answer(self, command: str) -> str | bytes | None:
        head, _, value = command.partition(" ")
        if head == "OUTP:STAT":
            self.on = self.on if self.stays else value == "ON"
        elif head == "SOUR:VOLT:LEV:IMM:AMPL":
            self.volts = float(value)
        elif head == "SOUR:CURR:LEV:IMM:AMPL":
            self.limit_a = float(value)
        elif head == "SOUR:VOLT:PROT:LEV":
            self.protection_v = float(value)
        else:
            asked = {
                "SOUR:VOLT:PROT:LEV?": f"{self.protection_v:+.6E}",
                "OUTP:STAT?": "1" if self.on else "0",
                "SOUR:VOLT:LEV:IMM:AMPL?": f"{self.volts:+.6E}",
                "SOUR:CURR:LEV:IMM:AMPL?": f"{self.limit_a:+.6E}",
                "MEAS:VOLT?": f"{self.volts if self.sags_to_v is None else self.sags_to_v:+.6E}",
                "MEAS:CURR?": "+6.100000E-03",
            }
            return asked[head] if head in asked else common("Invented Instruments,P3,11,1.0", self.errors)(command)
        return None

    def supply(self, **overrides: str) -> Supply:
        link = FunctionLink("supply", scpi(self.answer), self.sent)
        return Supply(Instrument(link, Dialect("supply", overrides), name="supply"), self.time.clock())

    def messages(self) -> list[str]:
        return [message for _, message in self.sent if not message.startswith(("*", "SYST"))]


def prepared(scripted: Scripted, **overrides: str) -> Supply:
    supply = scripted.supply(**overrides)
    supply.prepare(3.7, 0.2)
    return supply


def test_preparing_leaves_the_output_as_it_stands_and_never_resets() -> None:
    """A reset would take the power from a board whose state as found may be asked for."""
    scripted = Scripted(on=True, volts=3.3)
    supply = prepared(scripted)
    assert (scripted.on, scripted.volts, scripted.limit_a, supply.is_on) == (True, 3.3, 0.2, True)
    assert scripted.messages() == [
        "OUTP:STAT?",
        "SOUR:VOLT:LEV:IMM:AMPL?",
        "SOUR:CURR:LEV:IMM:AMPL 0.2",
        "SOUR:CURR:LEV:IMM:AMPL?",
        "SOUR:VOLT:PROT:LEV 4.07",
    ]
    assert "*RST" not in [message for _, message in scripted.sent]


def test_a_supply_found_on_above_the_limit_is_refused() -> None:
    with pytest.raises(LimitError, match=r"supply: is on and set to 12 V, beyond its limit of 3.7 V"):
        prepared(Scripted(on=True, volts=12.0))


@pytest.mark.parametrize("volts", [3.701, -0.1, float("nan")])
def test_a_voltage_beyond_the_limit_is_refused_before_anything_is_sent(volts: float) -> None:
    scripted = Scripted()
    supply = prepared(scripted)
    before = len(scripted.sent)
    with pytest.raises(LimitError, match=r"is not within 0 V and its limit of 3.7 V"):
        supply.set_voltage(volts)
    assert len(scripted.sent) == before


def test_no_voltage_is_set_before_the_limits_are() -> None:
    with pytest.raises(BenchError, match="must be prepared before a voltage is set"):
        Scripted().supply().set_voltage(3.3)


def test_a_supply_at_its_current_limit_is_no_rail() -> None:
    supply = prepared(Scripted(sags_to_v=1.8))
    supply.set_voltage(3.3)
    with pytest.raises(InstrumentError, match=r"set to 3.3 V, it measures 1.8 V: at its current limit\?"):
        supply.output_on()


def test_an_output_that_does_not_obey_is_an_error() -> None:
    off = prepared(Scripted(stays=True))
    with pytest.raises(InstrumentError, match="the output reads back off"):
        off.output_on()
    on = prepared(Scripted(on=True, volts=3.3, stays=True))
    with pytest.raises(InstrumentError, match="the output reads back on"):
        on.output_off()


def test_a_supply_that_measures_no_current_says_none() -> None:
    assert Rail(Limits(), supply=prepared(Scripted(), measure_current="")).current() is None
    assert Rail(Limits()).current() is None
    assert Rail(Limits(), supply=prepared(Scripted(on=True))).current() == pytest.approx(6.1e-3)


def test_the_rail_is_on_at_its_nominal_voltage_once_it_is_prepared() -> None:
    scripted = Scripted()
    Rail(Limits(), supply=scripted.supply(), nominal_v=3.3, highest_v=3.7, limit_a=0.2).prepare()
    assert (scripted.on, scripted.volts) == (True, 3.3)


def test_a_rail_without_a_supply_is_set_by_a_person_within_the_limits() -> None:
    told: list[str] = []
    rail = Rail(Limits(voltage_v=3.7), operator=Operator(told.append, told.append))
    rail.set(3.0)
    assert told == ["Set the rail of the board to 3 V, with the current limit as before."]
    with pytest.raises(LimitError, match=r"rail: 4 V is beyond limits.voltage of 3.7 V"):
        rail.set(4.0)
    with pytest.raises(WiringError, match=r"rail: this bench has no \[supply\], and nobody is here to set it"):
        Rail(Limits()).set(3.0)


@pytest.mark.parametrize(("at_end", "left"), [("off", (False, 3.0)), ("on", (True, 3.3))])
def test_at_the_end_the_supply_is_off_or_on_at_its_nominal_voltage(at_end: str, left: tuple[bool, float]) -> None:
    scripted = Scripted()
    rail = Rail(Limits(), supply=scripted.supply(), nominal_v=3.3, at_end=at_end)  # type: ignore[arg-type]
    rail.prepare()
    rail.set(3.0)
    for _, step in rail.safe_steps():
        step()
    assert (scripted.on, scripted.volts) == left


def test_no_pin_of_a_board_whose_supply_is_off_is_pressed() -> None:
    """The press would power the board through its pin."""
    scripted, rig = Scripted(), Rig()
    bench = rig.bench(rail=Rail(Limits(), supply=scripted.supply(), nominal_v=3.3))
    bench.prepare()
    bench.power_off()
    bench.select("D1")
    closed = set(rig.closed)
    with (
        pytest.raises(LimitError, match="press of D1 by relay: the supply of the board is off"),
        bench.pressed("D1", "relay", 3.3),
    ):
        raise AssertionError("pressed")
    assert rig.closed == closed


def test_the_bench_switches_the_supply_off_after_its_relays_are_open() -> None:
    rig = Rig()
    scripted = Scripted(sent=rig.sent, time=rig.time)
    bench = rig.bench(rail=Rail(Limits(), supply=scripted.supply(), nominal_v=3.3))
    bench.prepare()
    assert bench.identities["supply"] == ("supply", "Invented Instruments,P3,11,1.0")
    assert bench.supply_current() == pytest.approx(6.1e-3)
    rig.sent.clear()
    assert bench.make_safe() == []
    assert not scripted.on
    roles = [role for role, _ in rig.sent if role != "meter"]
    assert sorted(roles[:4]) == ["relay_board"] * 2 + ["switch"] * 2  # at once, each in order
    assert roles[4:] == ["source"] * 4 + ["supply"] * 2
    assert rig.sent.index(("meter", "READ?")) < rig.sent.index(("supply", "OUTP:STAT OFF"))


def test_a_supply_that_stays_on_in_spite_of_its_command_is_not_safe() -> None:
    rig, scripted = Rig(), Scripted(on=True, volts=3.3)
    bench = rig.bench(rail=Rail(Limits(), supply=scripted.supply(), nominal_v=3.3))
    bench.prepare()
    scripted.stays = True
    assert bench.make_safe() == [
        "supply: output not proven off: supply: the output reads back on; command 'OUTP:STAT OFF'"
    ]
    assert bench.state == "fault"


def test_a_rail_that_was_set_anew_is_measured_anew() -> None:
    """The value measured before the step must not be pressed to after it."""
    rig = Rig(volts=lambda rig: scripted.volts if rig.closed & {"203"} else 0.0)
    scripted = Scripted()
    bench = rig.bench(rail=Rail(Limits(), supply=scripted.supply(), nominal_v=3.3))
    bench.prepare()
    assert bench.rail_voltage(30.0) == pytest.approx(3.3, rel=2e-3)
    bench.set_rail(3.0)
    assert bench.rail_voltage(30.0) == pytest.approx(3.0, rel=2e-3)
    bench.select("D1")
    with pytest.raises(BenchError, match="cannot set rail while selected"):
        bench.set_rail(3.3)


def test_a_supply_that_is_off_needs_a_plan_that_says_at_which_rail() -> None:
    """Used to end with a console that does not answer, which nobody could have understood."""
    with pytest.raises(
        BenchError, match=r"supply: is off, and no plan is given that says at which rail \(rail.voltage\)"
    ):
        Rail(Limits(), supply=Scripted().supply()).prepare()
    standing = Scripted(on=True, volts=3.3)
    Rail(Limits(), supply=standing.supply()).prepare()
    assert (standing.on, standing.volts) == (True, 3.3)
