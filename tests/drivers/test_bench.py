"""The opened bench presses within its limits, releases by a relay that opens, and is made safe whatever fails."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from drivers.bench import Bench
from drivers.bench_parts import SETTLE_S
from drivers.errors import (
    BenchError,
    InstrumentError,
    LimitError,
    LinkTimeoutError,
    StopRequestedError,
    WiringError,
)
from drivers.limits import Limits
from drivers.making_safe import MAKE_SAFE_S
from drivers.press import LET_GO_S, PressPath
from drivers.wiring import Channel, Wiring
from tests.drivers.scripted import FunctionLink, Rig, full_wiring


def _state(bench: Bench) -> str:
    return bench.state


def _link(bench_part: Any) -> FunctionLink:
    link = bench_part.instrument.link
    assert isinstance(link, FunctionLink)
    return link


def test_constructing_a_bench_sends_nothing() -> None:
    rig = Rig()
    bench = rig.bench()
    assert rig.sent == []
    assert _state(bench) == "unprepared"


def test_a_wire_to_a_device_that_is_not_there_is_refused_at_once() -> None:
    wiring = Wiring(select={"D1": Channel("switch", "101")}, fit={"47 kΩ": Channel("relay_board", "1")})
    rig = Rig()
    bench = rig.bench()
    with pytest.raises(WiringError, match=r"wiring.fit.47 kΩ: relay_board 1: this bench has no relay_board"):
        type(bench)(clock=bench.clock, meter=bench.meter, limits=Limits(), wiring=wiring, switch=object())  # type: ignore[arg-type]


def test_preparing_identifies_everything_and_leaves_all_relays_open_and_the_source_off_at_high_impedance() -> None:
    rig = Rig(closed={"101", "201"}, board_closed={"1"}, output=True)
    bench = rig.bench()
    bench.prepare()
    assert (rig.closed, rig.board_closed, rig.output, rig.off_mode) == (set(), set(), False, "HIMP")
    assert _state(bench) == "idle"
    assert bench.identities == {
        "switch": ("switch", "Invented Instruments,S24,7,1.0"),
        "relay_board": ("relay_board", "Invented Instruments,R8,10,1.0"),
        "source": ("source", "Invented Instruments,U2,8,1.0"),
        "meter": ("meter", "Invented Instruments,V6,9,1.0"),
        "board": ("board", "Fernhill irrigation controller,C,FH-2417-001,1.4"),
    }
    # The board itself stays as it was found.
    assert "reset" not in rig.messages("board")


def test_an_instrument_other_than_the_one_named_is_a_fault_and_nothing_has_been_reset() -> None:
    rig = Rig()
    bench = rig.bench(expected={"meter": "V6,1234"})
    with pytest.raises(InstrumentError, match="identity must hold 'V6,1234'"):
        bench.prepare()
    assert _state(bench) == "fault"
    assert not any("*RST" in message for _, message in rig.sent)


def test_one_pin_leaves_the_bus_before_the_next_is_put_on_it() -> None:
    rig = Rig()
    bench = rig.bench()
    bench.prepare()
    bench.select("D1")
    rig.sent.clear()
    bench.select("D1")
    assert rig.sent == []
    bench.select("D2")
    assert rig.messages("switch") == [
        "ROUT:OPEN (@101)",
        "ROUT:CLOS? (@101)",
        "ROUT:CLOS (@102)",
        "ROUT:CLOS? (@102)",
    ]
    assert bench.pin == "D2"
    bench.deselect()
    assert rig.closed == set()
    with pytest.raises(WiringError, match=r"wiring.select: no channel for pin 'D9'; there are D1, D2"):
        bench.select("D9")
    assert _state(bench) == "idle"


def test_one_resistor_leaves_the_bus_before_the_next_is_put_on_it() -> None:
    rig = Rig()
    bench = rig.bench()
    bench.prepare()
    assert bench.fitted == "none"
    bench.fit("47 kΩ")
    bench.fit("10 kΩ")
    assert (rig.board_closed, bench.fitted) == ({"2"}, "10 kΩ")
    assert rig.messages("relay_board")[-4:] == ["OPEN 1", "CLOSED?", "CLOSE 2", "CLOSED?"]
    rig.sent.clear()
    bench.fit("10 kΩ")
    assert rig.sent == []
    bench.fit("none")
    assert (rig.board_closed, bench.fitted) == (set(), "none")
    with pytest.raises(WiringError, match=r"wiring.fit: no channel for '1 kΩ'; there are 47 kΩ, 10 kΩ"):
        bench.fit("1 kΩ")


def test_a_resistor_that_is_not_switched_is_asked_for_once() -> None:
    rig = Rig()
    bench = rig.bench(with_operator=True)
    bench.prepare()
    bench.fit("1 kΩ")
    bench.fit("1 kΩ")
    assert rig.told == ["Fit the trial resistor 1 kΩ from the bus to ground, and no other."]
    bench.fit("47 kΩ")
    assert rig.told[1:] == ["Take every trial resistor off the bus."]
    assert (rig.board_closed, bench.fitted) == ({"1"}, "47 kΩ")


def test_where_only_a_person_fits_resistors_somebody_must_look_first() -> None:
    rig = Rig()
    bench = rig.bench(Wiring(), with_operator=True)
    bench.prepare()
    assert bench.fitted == "unknown"
    bench.fit("none")
    bench.fit("none")
    assert rig.told == ["Take every trial resistor off the bus."]
    assert bench.fitted == "none"


def test_a_discharge_is_a_pulse_with_the_pin_selected() -> None:
    rig = Rig()
    bench = rig.bench()
    bench.prepare()
    bench.select("D1")
    rig.sent.clear()
    bench.discharge(0.01)
    assert rig.messages("switch") == [
        "ROUT:CLOS (@202)",
        "ROUT:CLOS? (@202)",
        "ROUT:OPEN (@202)",
        "ROUT:CLOS? (@202)",
    ]
    assert rig.closed == {"101"}
    bench.deselect()
    with pytest.raises(BenchError, match="cannot discharge while idle"):
        bench.discharge(0.01)


def with_capacitors() -> Wiring:
    add = {"100 nF": Channel("relay_board", "3"), "1 µF": Channel("relay_board", "4")}
    return replace(full_wiring(), add=add, add_f={"100 nF": 100e-9, "1 µF": 1e-6})


def test_a_capacitor_is_joined_and_taken_off_at_the_discharge_resistor_only() -> None:
    """A charged capacitor never meets a pin: its relay moves with the bus at ground, and it comes off empty."""
    rig = Rig()
    bench = rig.bench(with_capacitors())
    bench.prepare()
    bench.add("100 nF")
    assert (bench.added, rig.board_closed, rig.closed) == ("100 nF", {"3"}, set())
    rig.sent.clear()
    began_s = rig.time.now_s
    bench.add("1 µF")
    moved = [message for _, message in rig.sent if message.startswith(("ROUT:CLOS ", "ROUT:OPEN ", "CLOSE ", "OPEN "))]
    assert moved == ["ROUT:CLOS (@202)", "OPEN 3", "CLOSE 4", "ROUT:OPEN (@202)"]
    # Ten time constants of 1 kΩ with each: 1 ms before the one is parted, 10 ms before the other is let go.
    assert rig.time.now_s - began_s == pytest.approx(4 * SETTLE_S + 11e-3, abs=0.5e-3)
    rig.sent.clear()
    bench.add("1 µF")
    assert rig.sent == []
    bench.add("none")
    assert (bench.added, rig.board_closed) == ("none", set())
    with pytest.raises(WiringError, match=r"wiring.add: no channel for '1 nF'; there are 100 nF, 1 µF"):
        bench.add("1 nF")


def test_a_capacitor_that_is_not_switched_is_asked_for_discharged() -> None:
    rig = Rig()
    bench = rig.bench(with_operator=True)
    bench.prepare()
    bench.add("1 nF")
    bench.add("1 nF")
    assert rig.told == [
        "Discharge the capacitor 1 nF through a resistor and join it from the bus to ground, and no other."
    ]
    with pytest.raises(WiringError, match="only a person can take off capacitor 1 nF"):
        bench.rail_voltage()
    bench.make_safe()
    # Relays do not move what a person has joined.
    assert bench.added == "1 nF"
    bench.prepare()
    bench.add("none")
    assert rig.told[1:] == ["Take every added capacitor off the bus, and discharge it through a resistor."]


def test_a_capacitor_stays_where_it_is_while_a_pin_is_pressed() -> None:
    rig = Rig()
    bench = rig.bench(with_capacitors())
    rig.prepare(bench)
    bench.select("D1")
    with bench.pressed("D1", "relay", 3.3), pytest.raises(BenchError, match="cannot add while pressed"):
        bench.add("100 nF")
    bench.make_safe()
    assert rig.board_closed == set()


def test_the_rail_is_measured_with_no_capacitor_on_the_bus() -> None:
    """Through 10 kΩ a microfarad would still be charging when the rail is read."""
    rig = Rig()
    bench = rig.bench(with_capacitors())
    bench.prepare()
    bench.add("1 µF")
    seen: list[set[str]] = []

    def volts(now: Rig) -> float:
        seen.append(set(now.board_closed))
        return 3.3

    rig.volts = volts
    bench.rail_voltage()
    assert seen
    assert set().union(*seen) == set()
    assert rig.board_closed == {"4"}


def test_a_capacitor_without_a_discharge_relay_is_refused() -> None:
    add = {"100 nF": Channel("relay_board", "3")}
    with pytest.raises(WiringError, match=r"wiring.add.100 nF: needs wiring.discharge"):
        Wiring(add=add, add_f={"100 nF": 100e-9})
    with pytest.raises(WiringError, match=r"wiring.add.100 nF: needs a capacitance above 0 F: None"):
        replace(full_wiring(), add=add)


def test_a_stop_during_a_discharge_opens_its_relay() -> None:
    rig = Rig()
    bench = rig.bench()
    bench.prepare()
    bench.select("D1")
    rig.stop = True
    with pytest.raises(StopRequestedError):
        bench.discharge(10.0)
    assert rig.closed == {"101"}
    assert _state(bench) == "selected"


def test_the_rail_is_measured_with_nothing_on_the_bus_and_the_divider_corrected() -> None:
    """10 kΩ into 10 MΩ takes 0.1 %: 3.3 V shows as 3.2967 V."""
    seen: list[tuple[set[str], set[str]]] = []

    def volts(rig: Rig) -> float:
        seen.append((set(rig.closed), set(rig.board_closed)))
        return 3.3 * 10e6 / (10e6 + 10e3)

    rig = Rig(volts=volts)
    bench = rig.bench()
    bench.prepare()
    bench.select("D1")
    bench.fit("47 kΩ")
    assert bench.rail_is_measurable
    assert bench.rail_voltage() == pytest.approx(3.3, rel=1e-9)
    assert seen == [({"203"}, set())]
    assert (rig.closed, rig.board_closed) == ({"101"}, {"1"})
    assert _state(bench) == "selected"


def test_without_a_rail_relay_the_press_relay_gives_the_rail() -> None:
    rig = Rig(volts=lambda _: 3.3 * 10e6 / (10e6 + 1e3))
    bench = rig.bench(Wiring(press=Channel("switch", "201"), press_ohm=1e3))
    bench.prepare()
    assert bench.rail_voltage() == pytest.approx(3.3, rel=1e-9)
    rail_v, ohm, u_ohm = bench.press_level()
    assert rail_v == pytest.approx(3.3)
    assert (ohm, u_ohm) == (1e3, None)


def test_a_rail_beyond_the_limit_is_an_error_and_its_relay_is_open_again() -> None:
    rig = Rig(volts=lambda _: 6.0)
    bench = rig.bench()
    bench.prepare()
    with pytest.raises(LimitError, match=r"rail: 6.006 V is beyond limits.voltage of 5.5 V"):
        bench.rail_voltage()
    assert rig.closed == set()


def test_the_rail_cannot_be_measured_past_what_a_person_has_put_on_the_bus() -> None:
    rig = Rig()
    bench = rig.bench(with_operator=True)
    bench.prepare()
    bench.fit("1 kΩ")
    with pytest.raises(
        WiringError, match="wiring: nothing may be on the bus, and only a person can take off resistor 1 kΩ"
    ):
        bench.rail_voltage()


def test_a_bench_without_rail_and_press_relay_cannot_measure_the_rail() -> None:
    bench = Rig().bench(Wiring())
    bench.prepare()
    with pytest.raises(WiringError, match="the rail cannot be measured: neither a rail nor a press channel"):
        bench.rail_voltage()
    assert _state(bench) == "idle"


def test_a_trial_presses_logs_and_releases_by_a_relay_that_opens() -> None:
    rig = Rig(volts=lambda r: 3.246 if "201" in r.closed else 0.0)
    bench = rig.bench()
    rig.prepare(bench)
    bench.label("D1 none #1")
    bench.select("D1")
    with bench.pressed("D1", "relay", 3.3, hold_s=0.02):
        bench.clock.wait(0.02)
        assert bench.voltage() == 3.246
        assert bench.start_log(1e-3, 100) == 1e-3
        bench.clock.wait(0.02)
        before_s = bench.clock.now()
        released_s = bench.release()
        assert released_s == before_s
        assert rig.closed == {"101"}
        rig.sent.clear()
        assert bench.release() == released_s
        assert rig.sent == []
        assert len(bench.read_log()) == 100
    assert rig.messages("switch") == []
    assert _state(bench) == "released"
    assert bench.voltage() == 0.0


def test_the_log_may_be_read_after_the_press_has_ended() -> None:
    rig = Rig()
    bench = rig.bench()
    rig.prepare(bench)
    bench.select("D1")
    with bench.pressed("D1", "relay", 3.3):
        bench.start_log(1e-3, 100)
    assert _state(bench) == "released and logging"
    with pytest.raises(BenchError, match="cannot read while released and logging; allowed: read log"):
        bench.voltage()
    assert len(bench.read_log()) == 100
    assert _state(bench) == "released"


def test_whatever_happens_while_pressed_the_contact_opens_on_the_way_out() -> None:
    rig = Rig()
    bench = rig.bench()
    rig.prepare(bench)
    bench.select("D1")
    with pytest.raises(ZeroDivisionError), bench.pressed("D1", "relay", 3.3):
        raise ZeroDivisionError
    assert rig.closed == {"101"}
    assert _state(bench) == "released"


def test_a_stop_while_pressed_lets_go() -> None:
    rig = Rig()
    bench = rig.bench()
    rig.prepare(bench)
    bench.select("D1")

    def hold() -> None:
        with bench.pressed("D1", "relay", 3.3):
            rig.stop = True
            bench.clock.wait(5.0)

    with pytest.raises(StopRequestedError):
        hold()
    assert rig.closed == {"101"}


def test_a_source_presses_through_its_relay_and_goes_off_only_after_that_relay_is_open() -> None:
    rig = Rig()
    bench = rig.bench()
    rig.prepare(bench)
    bench.select("D1")
    rig.sent.clear()
    with bench.pressed("D1", "source", 3.3):
        assert (rig.output, rig.forced_v, rig.closed) == (True, 3.3, {"101", "204"})
        bench.release()
        assert (rig.output, rig.closed) == (True, {"101"})
    assert [message for _, message in rig.sent if "?" not in message] == [
        "SOUR:VOLT:LEV:IMM:AMPL 3.3",
        "OUTP:STAT ON",
        "ROUT:CLOS (@204)",
        "ROUT:OPEN (@204)",
        "OUTP:SMOD HIMP",
        "OUTP:STAT OFF",
    ]
    assert rig.output is False
    assert bench.press_level() == (3.3, 0.0, 0.0)


def test_a_lease_follows_the_hold_where_the_limit_allows_more() -> None:
    """A limit of minutes, for a long dwell, used to cover a press of 20 ms for as long."""
    cases = ((10.0, 0.02, 10.0), (180.0, 0.02, 60.02), (180.0, 120.0, 180.0), (180.0, 0.0, 180.0))
    for limit_s, hold_s, lease_s in cases:
        leases: list[float | None] = []
        rig = Rig()
        bench = rig.bench(limits=Limits(press_time_s=limit_s), lease=leases.append)
        rig.prepare(bench)
        bench.select("D1")
        leases.clear()
        with bench.pressed("D1", "relay", 3.3, hold_s):
            assert leases == [lease_s]
        assert leases[-1] is None


def test_a_pressed_pin_is_forced_to_other_levels_without_letting_go_and_each_renews_the_lease() -> None:
    leases: list[float | None] = []
    rig = Rig()
    bench = rig.bench(limits=Limits(press_time_s=1.0), lease=leases.append)
    rig.prepare(bench)
    bench.select("D1")
    leases.clear()
    with bench.pressed("D1", "source", 3.3):
        rig.sent.clear()
        for level_v in (2.0, 1.0, 0.0):
            bench.clock.wait(0.6)  # 1.8 s in all: more than the limit of one level
            bench.force(level_v)
            assert (rig.forced_v, rig.output, rig.closed) == (level_v, True, {"101", "204"})
            assert _state(bench) == "pressed"
            assert bench.press_level()[0] == level_v
        assert [message for _, message in rig.sent if "?" not in message] == [
            f"SOUR:VOLT:LEV:IMM:AMPL {level_v}" for level_v in (2, 1, 0)
        ]
    # Once to press, once a level; then what letting go may take, and none.
    assert leases == [1.0] * 4 + [LET_GO_S, None]
    assert (rig.output, rig.closed) == (False, {"101"})


def test_a_level_beyond_the_limit_or_held_for_too_long_is_not_forced() -> None:
    rig = Rig()
    bench = rig.bench(limits=Limits(press_time_s=1.0))
    rig.prepare(bench)
    bench.select("D1")
    with bench.pressed("D1", "source", 3.3):
        with pytest.raises(LimitError, match=r"force of D1: 5.6 V is beyond limits.voltage of 5.5 V"):
            bench.force(5.6)
        assert (rig.forced_v, _state(bench)) == (3.3, "pressed")
        bench.clock.wait(1.5)
        with pytest.raises(LimitError, match=r"press of D1: 1.5\d* s is not within limits.press_time of 1 s"):
            bench.force(2.0)
        assert rig.forced_v == 3.3


def test_only_a_pin_that_a_source_presses_is_forced() -> None:
    rig = Rig()
    bench = rig.bench()
    rig.prepare(bench)
    bench.select("D1")
    with pytest.raises(BenchError, match="cannot force while selected"):
        bench.force(1.0)
    with bench.pressed("D1", "relay", 3.3), pytest.raises(BenchError, match="only a pin that a source presses"):
        bench.force(1.0)
    with bench.pressed("D1", "source", 3.3):
        bench.release()
        with pytest.raises(BenchError, match="cannot force while released"):
            bench.force(1.0)
    assert rig.forced_v == 3.3


def test_a_source_without_a_relay_in_series_is_refused_before_anything_is_sent() -> None:
    rig = Rig()
    bench = rig.bench(Wiring(select={"D1": Channel("switch", "101")}))
    bench.prepare()
    bench.select("D1")
    rig.sent.clear()
    with pytest.raises(WiringError) as caught, bench.pressed("D1", "source", 3.3):
        pytest.fail("pressed")
    assert str(caught.value) == "wiring.source: a press by the source needs a relay in series, to release by"
    assert rig.sent == []
    assert _state(bench) == "selected"


@pytest.mark.parametrize(
    ("path", "level_v", "hold_s", "error", "rule"),
    [
        ("relay", 5.6, 0.02, LimitError, r"press of D1 by relay: 5.6 V is beyond limits.voltage of 5.5 V"),
        ("source", 5.6, 0.02, LimitError, r"press of D1 by source: 5.6 V is beyond limits.voltage of 5.5 V"),
        ("relay", 3.3, 11.0, LimitError, r"press of D1 by relay: 11 s is not within limits.press_time of 10 s"),
        ("hand", 3.3, 0.02, WiringError, r"press of D1 by hand: nobody is at this bench"),
    ],
)
def test_a_press_beyond_the_bench_is_refused_before_anything_is_sent(
    path: PressPath, level_v: float, hold_s: float, error: type[BenchError], rule: str
) -> None:
    rig = Rig()
    bench = rig.bench()
    bench.prepare()
    bench.select("D1")
    rig.sent.clear()
    with pytest.raises(error, match=rule), bench.pressed("D1", path, level_v, hold_s):
        pytest.fail("pressed")
    assert rig.sent == []
    assert _state(bench) == "selected"


def test_a_press_resistor_too_small_for_a_pin_that_drives_low_is_refused() -> None:
    rig = Rig()
    bench = rig.bench(limits=Limits(press_current_a=3e-3))
    bench.prepare()
    bench.select("D1")
    with pytest.raises(LimitError, match=r"3.3 V through 1000 Ω could drive 3.3 mA"), bench.pressed("D1", "relay", 3.3):
        pytest.fail("pressed")


def test_a_bench_without_press_relay_or_source_says_so() -> None:
    rig = Rig()
    bench = rig.bench(Wiring(select={"D1": Channel("switch", "101")}), with_source=False)
    bench.prepare()
    bench.select("D1")
    with pytest.raises(WiringError, match=r"wiring.press: a press by relay needs"), bench.pressed("D1", "relay", 3.3):
        pytest.fail("pressed")
    with pytest.raises(WiringError, match="this bench has no source"), bench.pressed("D1", "source", 3.3):
        pytest.fail("pressed")


def test_only_the_pin_on_the_bus_can_be_pressed() -> None:
    rig = Rig()
    bench = rig.bench()
    bench.prepare()
    bench.select("D1")
    with pytest.raises(BenchError, match="press of D2: the pin on the bus is D1"), bench.pressed("D2", "relay", 3.3):
        pytest.fail("pressed")


def test_a_press_within_a_press_is_refused() -> None:
    rig = Rig()
    bench = rig.bench()
    rig.prepare(bench)
    bench.select("D1")
    with bench.pressed("D1", "source", 3.3):
        bench.release()
        with pytest.raises(BenchError, match="the press of D1 has not ended"), bench.pressed("D1", "relay", 3.3):
            pytest.fail("pressed")


def test_a_pin_held_for_longer_than_the_limit_is_let_go_with_an_error() -> None:
    rig = Rig()
    bench = rig.bench(limits=Limits(press_time_s=1.0))
    rig.prepare(bench)
    bench.select("D1")

    def hold() -> None:
        with bench.pressed("D1", "relay", 3.3):
            bench.clock.wait(2.0 - SETTLE_S)
            bench.voltage()

    with pytest.raises(LimitError, match=r"press of D1: 2 s is not within limits.press_time of 1 s"):
        hold()
    assert rig.closed == {"101"}


def test_presses_come_no_faster_than_the_limit() -> None:
    rig = Rig()
    bench = rig.bench(limits=Limits(presses_per_minute=2, rail_age_s=3600.0))
    rig.prepare(bench)
    bench.select("D1")
    began: list[float] = []
    for _ in range(5):
        with bench.pressed("D1", "relay", 3.3):
            began.append(bench.clock.now())
    assert [later - earlier > 59.9 for earlier, later in zip(began, began[2:], strict=False)] == [True] * 3
    assert began[1] - began[0] < 1.0


def test_a_press_by_hand_is_asked_for_and_the_release_is_told() -> None:
    rig = Rig()
    bench = rig.bench(Wiring(), with_operator=True)
    bench.prepare()
    bench.select("D7")
    with bench.pressed("D7", "hand", 3.3):
        bench.release()
    assert rig.told == [
        "Connect the bench to pin D7.",
        "Press pin D7 to the rail and keep it pressed.",
        "Let go of pin D7 now.",
    ]
    assert bench.press_level() == (None, None, None)
    bench.deselect()
    bench.select("D7")
    assert len(rig.told) == 3


def test_a_release_outside_of_a_press_is_an_error() -> None:
    rig = Rig()
    bench = rig.bench()
    bench.prepare()
    with pytest.raises(BenchError, match="release: nothing is pressed"):
        bench.release()
    assert _state(bench) == "idle"


def test_the_second_path_reads_the_bus_without_the_pin() -> None:
    seen: list[tuple[set[str], set[str]]] = []

    def volts(rig: Rig) -> float:
        seen.append((set(rig.closed), set(rig.board_closed)))
        return 0.0

    rig = Rig(volts=volts)
    bench = rig.bench()
    bench.prepare()
    bench.select("D1")
    bench.fit("47 kΩ")
    rig.sent.clear()
    assert bench.has_second_path
    assert bench.bus_alone_voltage() == 0.0
    assert seen == [(set(), set())]
    assert (rig.closed, rig.board_closed) == ({"101"}, {"1"})
    assert rig.messages("switch")[0].startswith("ROUT:OPEN (@101)")


@pytest.mark.parametrize("with_discharge", [True, False])
def test_the_bus_alone_has_time_to_fall_before_it_is_read(with_discharge: bool) -> None:
    """10 MΩ and 120 pF: after five time constants, 6 ms, less than 1 % is left."""
    opened_s: list[float] = []
    read_s: list[float] = []

    def volts(rig: Rig) -> float:
        read_s.append(rig.time.now_s)
        return 0.0

    rig = Rig(volts=volts)
    wiring = Wiring(
        select={"D1": Channel("switch", "101")}, discharge=Channel("switch", "202") if with_discharge else None
    )
    bench = rig.bench(wiring)
    bench.prepare()
    bench.select("D1")
    link = _link(bench._relays.devices["switch"])
    honest = link.answer

    def timed(message: str) -> Any:
        if message == "ROUT:OPEN (@101)":
            opened_s.append(rig.time.now_s)
        return honest(message)

    link.answer = timed
    bench.bus_alone_voltage()
    assert read_s[0] - opened_s[0] >= 5 * 10e6 * 120e-12 + SETTLE_S
    assert any("@202" in message for message in rig.messages("switch")) is with_discharge


def test_there_is_no_second_path_to_a_pin_that_is_not_switched() -> None:
    rig = Rig()
    bench = rig.bench(Wiring(), with_operator=True)
    bench.prepare()
    bench.select("D7")
    assert not bench.has_second_path
    with pytest.raises(WiringError, match="pin 'D7' is not switched: the bus cannot be read alone"):
        bench.bus_alone_voltage()
    assert _state(bench) == "selected"


def test_an_overload_is_an_error_and_no_fault() -> None:
    rig = Rig(volts=lambda _: 9.9e37)
    bench = rig.bench()
    bench.prepare()
    with pytest.raises(BenchError, match="overload"):
        bench.voltage()
    assert _state(bench) == "idle"


def test_a_relay_that_does_not_open_is_a_fault_until_the_bench_is_proven_safe() -> None:
    rig = Rig()
    bench = rig.bench()
    rig.prepare(bench)
    bench.select("D1")
    with pytest.raises(WiringError, match="channel 201 reads back closed"), bench.pressed("D1", "relay", 3.3):
        rig.stuck = {"201"}
    assert _state(bench) == "fault"
    with pytest.raises(BenchError, match="cannot select while fault; allowed: nothing but being made safe"):
        bench.select("D1")
    assert bench.make_safe() == [
        "switch: relays not proven open: switch switch: channel 201 reads back closed after 'ROUT:OPEN:ALL'"
    ]
    assert _state(bench) == "fault"
    rig.stuck = set()
    assert bench.make_safe() == []
    assert _state(bench) == "safe"
    bench.prepare()
    bench.select("D1")


def test_a_source_goes_off_even_where_its_relay_does_not_open() -> None:
    rig = Rig()
    bench = rig.bench()
    rig.prepare(bench)
    bench.select("D1")
    with pytest.raises(WiringError, match="channel 204 reads back closed"), bench.pressed("D1", "source", 3.3):
        rig.stuck = {"204"}
    assert rig.output is False


def test_making_safe_tries_every_step_whatever_failed_before_and_never_raises() -> None:
    rig = Rig()
    bench = rig.bench()
    rig.prepare(bench)
    bench.select("D1")
    assert bench.source is not None

    def deaf(message: str) -> str:
        raise LinkTimeoutError("no reply within 1 s", resource="switch", command=message)

    switch = bench._relays.devices["switch"]
    honest = _link(switch).answer
    with pytest.raises(LinkTimeoutError), bench.pressed("D1", "source", 3.3):
        _link(switch).answer = deaf
    rig.output, rig.board_closed = True, {"2"}
    unverified = bench.make_safe()
    assert len(unverified) == 1
    assert unverified[0].startswith("switch: relays not proven open: switch: no reply within 1 s")
    assert (rig.output, rig.board_closed) == (False, set())
    _link(switch).answer = honest
    assert bench.make_safe() == []
    assert (rig.closed, _state(bench)) == (set(), "safe")


def test_a_safe_step_whose_link_fails_is_tried_once_more_on_a_fresh_one() -> None:
    rig = Rig(stuck={"201"}, closed={"201"})
    bench = rig.bench()
    link = _link(bench._relays.devices["switch"])
    honest = link.answer
    failures = [LinkTimeoutError("no reply within 1 s", resource="switch")]

    def late_once(message: str) -> Any:
        if failures:
            link.state = "dirty"
            raise failures.pop()
        rig.stuck = set()
        return honest(message)

    link.answer = late_once
    assert bench.make_safe() == []
    assert (rig.closed, link.reopened) == (set(), 1)


def test_making_safe_survives_a_defect_that_is_no_bench_error() -> None:
    rig = Rig(closed={"201"}, output=True)
    bench = rig.bench()
    bench.prepare()
    rig.output = True

    def broken(message: str) -> str:
        raise OSError(9, "Bad file descriptor")

    _link(bench._relays.devices["switch"]).answer = broken
    assert bench.make_safe() == ["switch: relays not proven open: [Errno 9] Bad file descriptor"]
    assert rig.output is False


def test_making_safe_and_preparing_reopen_a_link_that_was_lost() -> None:
    rig = Rig()
    bench = rig.bench()
    bench.prepare()
    switch_link, meter_link = _link(bench._relays.devices["switch"]), _link(bench.meter)
    switch_link.revoke()
    meter_link.revoke()
    with pytest.raises(BenchError):
        bench.select("D1")
    assert bench.make_safe() == []
    bench.prepare()
    assert (switch_link.reopened, meter_link.reopened) == (1, 1)
    assert _state(bench) == "idle"


def test_making_safe_tells_a_person_to_let_go() -> None:
    rig = Rig()
    bench = rig.bench(Wiring(), with_operator=True)
    bench.prepare()
    bench.select("D7")
    with bench.pressed("D7", "hand", 3.3):
        assert bench.make_safe() == []
        assert rig.told[-1] == "Let go of pin D7 now."
    assert rig.told.count("Let go of pin D7 now.") == 1


def test_a_press_is_leased_for_the_longest_press_in_real_time_and_given_back_once_the_contact_is_open() -> None:
    leases: list[tuple[float | None, bool]] = []
    rig = Rig()
    bench = rig.bench(lease=lambda seconds: leases.append((seconds, "201" in rig.closed)))
    rig.prepare(bench)
    bench.select("D1")
    with bench.pressed("D1", "relay", 3.3):
        assert leases == [(10.0, False)]
        bench.release()
        # Before the press ends: a long log after the release holds nothing energised.
        # Letting go is covered by itself: a deaf relay must be found deaf before the guard steps in.
        assert leases == [(10.0, False), (LET_GO_S, True), (None, False)]
    assert len(leases) == 3


def test_no_guard_no_press() -> None:
    def no_guard(seconds: float | None) -> None:
        raise BenchError("guard: not running")

    rig = Rig()
    bench = rig.bench(lease=no_guard)
    rig.prepare(bench)
    bench.select("D1")
    rig.sent.clear()
    with pytest.raises(BenchError, match="guard: not running"), bench.pressed("D1", "relay", 3.3):
        pytest.fail("pressed")
    assert rig.sent == []


def test_a_lease_is_kept_where_the_contact_is_not_proven_open() -> None:
    leases: list[float | None] = []
    rig = Rig()
    bench = rig.bench(lease=leases.append)
    rig.prepare(bench)
    bench.select("D1")
    with pytest.raises(WiringError), bench.pressed("D1", "relay", 3.3):
        rig.stuck = {"201"}
    assert len(bench.make_safe()) == 1
    assert leases == [10.0, LET_GO_S, MAKE_SAFE_S]
    rig.stuck = set()
    bench.make_safe()
    assert leases == [10.0, LET_GO_S, MAKE_SAFE_S, MAKE_SAFE_S, None]


def test_a_press_that_fails_half_way_is_let_go_at_once() -> None:
    rig = Rig()
    bench = rig.bench()
    rig.prepare(bench)
    bench.select("D1")
    link = _link(bench._relays.devices["switch"])
    honest = link.answer

    def refuses_204(message: str) -> Any:
        return None if message == "ROUT:CLOS (@204)" else honest(message)

    link.answer = refuses_204
    with pytest.raises(WiringError, match="channel 204 reads back open"), bench.pressed("D1", "source", 3.3):
        pytest.fail("pressed")
    assert (rig.output, rig.closed) == (False, {"101"})
    assert _state(bench) == "fault"


def test_a_released_pin_is_grounded_through_the_discharge_relay_and_parted_again_while_the_meter_logs() -> None:
    rig = Rig()
    bench = rig.bench()
    rig.prepare(bench)
    bench.select("D1")
    with bench.pressed("D1", "relay", 3.3):
        bench.start_log(1e-3, 100)
        bench.release()
    rig.sent.clear()
    with bench.grounded():
        assert _state(bench) == "grounded and logging"
        assert rig.closed == {"101", "202"}
    assert rig.messages("switch") == ["ROUT:CLOS (@202)", "ROUT:CLOS? (@202)", "ROUT:OPEN (@202)", "ROUT:CLOS? (@202)"]
    assert _state(bench) == "released and logging"
    assert len(bench.read_log()) == 100


def test_break_before_make_a_grounded_pin_is_not_pressed_nor_a_pressed_one_grounded() -> None:
    rig = Rig()
    bench = rig.bench()
    rig.prepare(bench)
    bench.select("D1")
    with bench.grounded(), pytest.raises(BenchError, match="cannot press while grounded"):
        bench.pressed("D1", "relay", 3.3).__enter__()
    rig.sent.clear()
    with bench.pressed("D1", "relay", 3.3):
        rig.sent.clear()
        with pytest.raises(BenchError, match="cannot ground while pressed; allowed: read, force, start log, release"):
            bench.grounded().__enter__()
        assert rig.sent == []
    assert "202" not in rig.closed


def test_a_grounded_pin_is_parted_whatever_happens() -> None:
    rig = Rig()
    bench = rig.bench()
    bench.prepare()
    bench.select("D1")
    with pytest.raises(ZeroDivisionError), bench.grounded():
        raise ZeroDivisionError
    assert rig.closed == {"101"}
    assert _state(bench) == "released"


def test_a_ground_relay_that_does_not_open_again_is_a_fault() -> None:
    rig = Rig()
    bench = rig.bench()
    bench.prepare()
    bench.select("D1")
    rig.stuck = {"202"}
    with pytest.raises(WiringError), bench.grounded():
        pass
    assert _state(bench) == "fault"


def test_a_bench_without_a_discharge_relay_grounds_nothing() -> None:
    rig = Rig()
    bench = rig.bench(replace(full_wiring(), discharge=None))
    bench.prepare()
    bench.select("D1")
    rig.sent.clear()
    with pytest.raises(WiringError, match=r"wiring\.discharge: to ground a pin as a changeover contact does"):
        bench.grounded().__enter__()
    assert rig.sent == []


def test_a_source_at_0_v_is_joined_to_a_latched_pin_as_a_press_with_limits_and_lease() -> None:
    """Also while the meter logs: what the source does to the node is what the log is for."""
    rig = Rig()
    leases: list[float | None] = []
    bench = rig.bench(lease=leases.append)
    rig.prepare(bench)
    bench.select("D1")
    bench.start_log(1e-3, 100)
    with bench.pressed("D1", "source", 0.0, 0.5):
        assert _state(bench) == "pressed and logging"
        assert (rig.output, rig.forced_v, rig.closed) == (True, 0.0, {"101", "204"})
        assert leases[-1] is not None
        bench.read_log()
    assert leases[-1] is None
    assert (rig.output, rig.closed) == (False, {"101"})
    with pytest.raises(LimitError, match=r"30 s is not within limits\.press_time"):
        bench.pressed("D1", "source", 0.0, 30.0).__enter__()
