"""Pins are held at the rail within the limits of a press, under the guard's lease, and let go whatever happens."""

from __future__ import annotations

from dataclasses import replace

import pytest

from drivers.bench import Bench
from drivers.errors import BenchError, LimitError, WiringError
from drivers.limits import Limits
from drivers.rail import Rail
from drivers.wiring import Channel, Wiring
from tests.drivers.scripted import Rig, full_wiring
from tests.drivers.test_supply import Scripted


def wired(ohm: float = 1000.0) -> Wiring:
    hold = {"D2": Channel("switch", "302"), "D3": Channel("switch", "303")}
    return replace(full_wiring(), hold=hold, hold_ohm=dict.fromkeys(hold, ohm))


def prepared(rig: Rig, limits: Limits | None = None, leases: list[float | None] | None = None) -> Bench:
    told: list[float | None] = [] if leases is None else leases
    bench = rig.bench(wired(), limits, lease=told.append)
    rig.prepare(bench)
    rig.sent.clear()
    return bench


def test_neighbours_are_held_around_a_press_and_let_go_on_the_way_out() -> None:
    rig = Rig()
    bench = prepared(rig)
    with bench.held(["D2", "D3"], 3.3):
        assert rig.closed == {"302", "303"}
        bench.select("D1")
        with bench.pressed("D1", "relay", 3.3):
            bench.release()
            assert rig.closed == {"101", "302", "303"}
    assert rig.closed == {"101"}


def test_those_held_with_the_press_are_let_go_right_before_it() -> None:
    """At the edge of the tested pin nothing is pressed any more, so that its fall is its own."""
    rig = Rig()
    bench = prepared(rig)
    with bench.held(["D2", "D3"], 3.3, with_press=True):
        bench.select("D1")
        with bench.pressed("D1", "relay", 3.3):
            rig.sent.clear()
            bench.release()
            assert rig.closed == {"101"}
    opened = [message for message in rig.messages("switch") if message.startswith("ROUT:OPEN ")]
    assert opened == ["ROUT:OPEN (@302)", "ROUT:OPEN (@303)", "ROUT:OPEN (@201)"]


def test_whatever_happens_inside_they_are_let_go() -> None:
    rig = Rig()
    bench = prepared(rig)
    with pytest.raises(ZeroDivisionError), bench.held(["D2"], 3.3):
        raise ZeroDivisionError
    assert rig.closed == set()


def test_the_guard_is_told_until_the_last_pin_is_let_go() -> None:
    """Used to be told that all is let go once the press was, while the neighbours were still held."""
    leases: list[float | None] = []
    rig = Rig()
    bench = prepared(rig, leases=leases)
    with bench.held(["D2"], 3.3):
        assert leases == [10.0]
        bench.select("D1")
        with bench.pressed("D1", "relay", 3.3):
            bench.release()
        assert leases[-1] is not None
        assert 0.0 < leases[-1] < 10.0
    assert leases[-1] is None


@pytest.mark.parametrize(
    ("pins", "level_v", "limits", "error", "text"),
    [
        (["D9"], 3.3, Limits(), WiringError, "wiring.hold: no channel for pin 'D9'"),
        (["D2"], 6.0, Limits(), LimitError, "hold of D2: 6 V is beyond limits.voltage of 5.5 V"),
        (["D2"], 3.3, Limits(press_current_a=3e-3), LimitError, "hold of D2: 3.3 V through 1000 Ω could drive 3.3 mA"),
    ],
    ids=["no relay", "voltage", "current"],
)
def test_a_hold_beyond_a_limit_is_refused_before_anything_is_sent(
    pins: list[str], level_v: float, limits: Limits, error: type[BenchError], text: str
) -> None:
    rig = Rig()
    bench = prepared(rig, limits)
    with pytest.raises(error, match=text), bench.held(pins, level_v):
        raise AssertionError("held")
    assert rig.sent == []


def test_no_pin_is_held_longer_than_it_may_be_pressed() -> None:
    rig = Rig()
    bench = prepared(rig, Limits(press_time_s=0.5))
    with bench.held(["D2"], 3.3):
        bench.select("D1")
        bench.clock.wait(0.6)
        with pytest.raises(LimitError, match=r"hold of D2: 0\.6.* s is not within limits.press_time of 0.5 s"):
            bench.voltage()


def test_a_pin_that_is_held_itself_is_not_tried() -> None:
    """Its hold relay would keep it at the rail after every release."""
    rig = Rig()
    bench = prepared(rig)
    with bench.held(["D2"], 3.3):
        bench.select("D2")
        with (
            pytest.raises(BenchError, match="press of D2: its hold relay keeps it at the rail"),
            bench.pressed("D2", "relay", 3.3),
        ):
            raise AssertionError("pressed")


def test_one_set_of_pins_is_held_at_a_time_and_none_with_a_pin_on_the_bus() -> None:
    rig = Rig()
    bench = prepared(rig)
    with bench.held(["D2"], 3.3), pytest.raises(BenchError, match="D2 is still held"), bench.held(["D3"], 3.3):
        raise AssertionError("held")
    bench.select("D1")
    with pytest.raises(BenchError, match="cannot hold while selected"), bench.held(["D2"], 3.3):
        raise AssertionError("held")


def test_a_hold_relay_that_sticks_is_a_fault_and_the_others_are_opened() -> None:
    rig = Rig(stuck={"302"})
    bench = prepared(rig)
    with pytest.raises(WiringError, match="channel 302 reads back closed"), bench.held(["D2", "D3"], 3.3):
        pass
    assert rig.closed == {"302"}
    assert bench.state == "fault"


def test_making_safe_opens_the_hold_relays_and_ends_the_lease() -> None:
    leases: list[float | None] = []
    rig = Rig()
    bench = prepared(rig, leases=leases)
    with bench.held(["D2"], 3.3):
        assert bench.make_safe() == []
        assert rig.closed == set()
        assert leases[-1] is None


def test_no_pin_of_a_board_without_power_is_held() -> None:
    rig = Rig()
    bench = rig.bench(wired(), rail=Rail(Limits(), supply=Scripted().supply(), nominal_v=3.3))
    bench.prepare()
    bench.power_off()
    with pytest.raises(LimitError, match="hold of D2: the supply of the board is off"), bench.held(["D2"], 3.3):
        raise AssertionError("held")


def test_a_hold_relay_without_its_resistor_is_refused() -> None:
    with pytest.raises(WiringError, match=r"wiring\.hold\.D2: needs a resistor above 0 Ω: 0\.0"):
        wired(0.0)


def test_a_level_stated_below_the_rail_does_not_get_round_a_limit() -> None:
    """What counts is the rail as measured: 3.3 V through 1 kΩ."""
    rig = Rig(volts=lambda rig: 3.3 if rig.closed & {"203"} else 0.0)
    bench = prepared(rig, Limits(press_current_a=3e-3))
    bench.rail_voltage()
    hold, press = bench.held(["D2"], 0.0), bench.pressed("D1", "relay", 0.0)
    with pytest.raises(LimitError, match=r"hold of D2: 3\.3.* V through 1000 Ω could drive 3\.3"):
        hold.__enter__()
    bench.select("D1")
    with pytest.raises(LimitError, match=r"press of D1 by relay: 3\.3.* V through 1000 Ω could drive 3\.3"):
        press.__enter__()
    assert rig.closed == {"101"}
