"""What the relays report is not believed where the bus says otherwise: a query reads a coil, the bus its contact."""

from __future__ import annotations

import math
import threading
from typing import Any

import pytest

from drivers import last_look
from drivers.errors import LinkTimeoutError, WiringError
from drivers.free_bus import FREE_V
from drivers.last_look import LastLook
from drivers.limits import Limits
from drivers.meter import Meter
from drivers.rail import Rail
from drivers.ways_to_rail import BUS_FALL_S
from drivers.wiring import End, Wiring
from tests.drivers.scripted import FunctionLink, Rig
from tests.drivers.test_supply import Scripted

WELDED = (
    "bus: reads 3.290 V after every relay reports open: a contact is welded, or something else drives the bus; "
    "take the rail away from the unit"
)


def test_a_contact_that_is_welded_is_found_at_the_bus_though_its_relay_reports_open() -> None:
    rig = Rig(volts=lambda _: 3.29)
    bench = rig.bench()
    bench.prepare()
    assert bench.make_safe() == [WELDED]
    assert bench.state == "fault"


def test_a_bus_near_zero_proves_the_contacts_open() -> None:
    rig = Rig(volts=lambda _: 0.0012)
    bench = rig.bench()
    bench.prepare()
    assert bench.make_safe() == []
    assert bench.proof == "the bus reads 0.001 V"


def test_the_bus_is_read_while_the_unit_still_has_its_rail_and_once_it_has_fallen() -> None:
    """With the supply off a welded press relay would show 0 V."""
    rig = Rig()
    scripted = Scripted(sent=rig.sent, time=rig.time)
    rig.volts = lambda _: scripted.volts if scripted.on else 0.0
    bench = rig.bench(rail=Rail(Limits(), supply=scripted.supply(), nominal_v=3.29))
    bench.prepare()
    before_s = rig.time.now_s
    assert bench.make_safe() == [
        WELDED.replace("take the rail away from the unit", "the supply of the unit was switched off")
    ]
    assert not scripted.on
    assert rig.time.now_s - before_s >= BUS_FALL_S


def test_where_a_relay_is_not_proven_open_the_bus_tells_whether_something_drives_it() -> None:
    rig = Rig(volts=lambda rig: 3.29 if rig.closed & {"201", "203"} else 0.0)
    bench = rig.bench()
    bench.prepare()
    bench.rail_voltage()
    bench.select("D1")
    with pytest.raises(WiringError), bench.pressed("D1", "relay", 3.3):
        rig.stuck = {"201"}
    unverified = bench.make_safe()
    assert unverified[1:] == ["bus: reads 3.290 V: it is still driven; take the rail away from the unit"]
    assert unverified[0].startswith("switch: relays not proven open")


def look(rig: Rig, **changed: Any) -> LastLook:
    clock = rig.time.clock()
    meter = Meter(rig.instrument("meter"), clock)
    if changed.pop("prepared", True):
        meter.configure(10.0, 0.02, None, 50.0)
    press_to: End = changed.pop("press_to", "rail")
    settings: dict[str, Any] = {"settle_s": 0.01, "meter_input_ohm": 10e6, "bare": True, **changed}
    return LastLook(meter=meter, clock=clock, press_to=press_to, **settings)


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        ({"meter_input_ohm": 10e9}, "the meter's input does not bring the bus down by itself"),
        ({"meter_input_ohm": None}, "the meter's input does not bring the bus down by itself"),
        ({"bare": False}, "only a person can take off what is on the bus"),
        ({"prepared": False}, "the meter was never prepared"),
    ],
)
def test_a_bus_that_tells_nothing_is_not_read_and_said_to_be_unproven(changed: dict[str, Any], why: str) -> None:
    rig = Rig(volts=lambda _: 3.3)
    taken = look(rig, **changed)
    rig.sent.clear()
    taken.take()
    assert rig.sent == []
    assert taken.problem(opened=True, power_is_off=False) == ""
    assert taken.proof() == f"not proven at the contacts: {why}"


def test_a_pin_connected_by_hand_may_hold_the_bus_so_that_it_tells_nothing() -> None:
    rig = Rig(volts=lambda _: 2.1)
    bench = rig.bench(Wiring(), with_operator=True)
    bench.prepare()
    bench.select("D7")
    assert bench.make_safe() == []
    assert bench.proof == "not proven at the contacts: only a person can take off what is on the bus"


def test_a_press_relay_to_ground_is_not_told_by_a_bus_at_zero() -> None:
    taken = look(Rig(), press_to="ground")
    taken.take()
    assert taken.proof() == "the bus reads 0.000 V, which tells nothing of a press relay to ground"


@pytest.mark.parametrize(("volts", "free"), [(FREE_V, True), (-FREE_V, True), (FREE_V + 1e-3, False), (-0.3, False)])
def test_the_bus_is_free_near_zero_only(volts: float, free: bool) -> None:
    taken = look(Rig(volts=lambda _: volts))
    taken.take()
    assert (taken.problem(opened=True, power_is_off=False) == "") is free


def test_an_overload_is_no_bus_at_zero() -> None:
    taken = look(Rig(volts=lambda _: 9.9e37))
    taken.take()
    assert taken.volts is not None
    assert math.isnan(taken.volts)
    assert taken.problem(opened=False, power_is_off=False) == (
        "bus: is beyond the meter's range: it is still driven; take the rail away from the unit"
    )


def test_a_deaf_meter_keeps_nothing_from_being_made_safe() -> None:
    rig = Rig(closed={"201"}, output=True)
    bench = rig.bench()
    bench.prepare()
    rig.closed, rig.output = {"201"}, True

    def deaf(message: str) -> str:
        raise LinkTimeoutError("no reply within 1 s", resource="meter", command=message)

    wire = bench.meter.instrument.link
    assert isinstance(wire, FunctionLink)
    wire.answer = deaf
    assert bench.make_safe() == []
    assert (rig.closed, rig.output) == (set(), False)
    assert bench.proof.startswith("not proven at the contacts: the meter could not be read: meter: no reply within 1 s")


def test_what_the_meter_says_too_late_counts_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    """The rail may be off by then, and a welded contact at 0 V."""
    monkeypatch.setattr(last_look, "LOOK_S", 0.05)
    late = threading.Event()
    rig = Rig()

    def waits(rig: Rig) -> float:
        late.wait(60.0)
        return 0.0

    rig.volts = waits
    taken = look(rig)
    taken.take()
    late.set()
    assert taken.proof() == "not proven at the contacts: the meter did not answer within 0.05 s"
