"""On the bare bus every relay opens again and the source goes off, whatever happens; what energises it has a lease."""

from __future__ import annotations

import pytest

from drivers.errors import BenchError, InstrumentError, LimitError, WiringError
from tests.drivers.scripted import Rig


def test_pin_and_resistor_are_off_the_bus_meanwhile_and_on_it_again_afterwards() -> None:
    rig = Rig()
    bench = rig.bench()
    bench.prepare()
    bench.select("D1")
    bench.fit("10 kΩ")
    with bench.bare() as bus:
        assert (rig.closed, rig.board_closed) == (set(), set())
        with bus.closed("discharge", "fit.47 kΩ"):
            assert (rig.closed, rig.board_closed) == ({"202"}, {"1"})
        assert (rig.closed, rig.board_closed) == (set(), set())
    assert (rig.closed, rig.board_closed) == ({"101"}, {"2"})
    assert bench.state == "selected"


def test_a_failure_inside_opens_every_relay_and_switches_the_source_off() -> None:
    rig = Rig()
    bench = rig.bench()
    bench.prepare()
    with pytest.raises(BenchError, match="made up"), bench.bare() as bus, bus.forced(3.3), bus.closed("rail"):
        _fail_with(rig)
    assert (rig.closed, rig.output) == (set(), False)


def _fail_with(rig: Rig) -> None:
    assert (rig.closed, rig.output) == ({"203", "204"}, True)
    raise BenchError("made up")


def test_the_relay_of_the_source_opens_before_its_output_goes_off() -> None:
    rig = Rig()
    bench = rig.bench()
    bench.prepare()
    rig.sent.clear()
    with bench.bare() as bus, bus.forced(3.3):
        bus.force(2.5)
        assert bus.read_source() == (2.5, 5.5e-5)
    order = [message for _, message in rig.sent if "ROUT:OPEN (@204)" in message or "OUTP:STAT OFF" in message]
    assert ["204" in message for message in order] == [True, False]


def test_no_level_beyond_the_limit_is_forced_and_nothing_is_sent() -> None:
    rig = Rig()
    bench = rig.bench()
    bench.prepare()
    rig.sent.clear()
    with (
        pytest.raises(LimitError, match=r"bench check: 6 V is beyond limits.voltage of 5.5 V"),
        bench.bare() as bus,
        bus.forced(6.0),
    ):
        pass
    assert rig.sent == []


def test_what_energises_the_bus_is_covered_by_a_lease_until_the_last_such_relay_is_open() -> None:
    leases: list[float | None] = []
    rig = Rig()
    bench = rig.bench(lease=leases.append)
    bench.prepare()
    leases.clear()
    with bench.bare() as bus:
        with bus.closed("discharge"):
            bus.read()
        assert leases == []
        with bus.closed("rail"):
            assert leases == [10.0]
            with bus.closed("press"):
                bus.read()
            assert None not in leases
        assert leases[-1] is None
        with bus.closed("press"):
            bus.open("press")
            # What follows, a long log say, energises nothing.
            assert leases[-1] is None
            assert "201" not in rig.closed


def test_a_wire_that_is_not_there_is_named() -> None:
    rig = Rig()
    bench = rig.bench()
    bench.prepare()
    with pytest.raises(WiringError, match=r"wiring.fit.1 MΩ: this bench has no such relay"), bench.bare() as bus:
        bus.open("fit.1 MΩ")
    assert rig.closed == set()


def test_a_log_counts_its_samples_between_two_looks_at_the_clock() -> None:
    rig = Rig()
    bench = rig.bench()
    bench.prepare()
    with bench.bare() as bus:
        log = bus.log(1e-3, 1000, 5e-4, counts=3)
    assert (len(log.readings), log.asked_s, log.interval_s) == (1000, 1e-3, 1e-3)
    assert [count.samples for count in log.counts] == pytest.approx([250, 500, 750], abs=2)
    assert all(count.before_s <= count.after_s for count in log.counts)


def test_the_meters_input_is_put_back_after_its_high_impedance() -> None:
    rig = Rig()
    bench = rig.bench()
    bench.prepare()
    with bench.bare() as bus, bus.high_impedance() as ohm:
        assert ohm == 1e10
        assert float(rig.settings["INP:IMP"]) == 1e10
    assert float(rig.settings["INP:IMP"]) == 10e6


def test_error_queues_are_read_by_role_and_a_line_protocol_has_none() -> None:
    rig = Rig()
    bench = rig.bench()
    bench.prepare()
    rig.errors["source"] += ['-222,"Data out of range"']
    assert bench.error_queues() == {"switch": (), "source": ("-222 Data out of range",), "meter": ()}
    assert bench.state == "idle"


def test_the_bare_bus_is_not_to_be_had_while_a_pin_is_pressed() -> None:
    rig = Rig()
    bench = rig.bench()
    rig.prepare(bench)
    bench.select("D1")
    refused = pytest.raises(BenchError, match="cannot measure rail while pressed")
    with bench.pressed("D1", "relay", 3.3), refused, bench.bare():
        pass


def test_a_log_that_the_instrument_refuses_is_a_fault_and_leaves_nothing_closed() -> None:
    rig = Rig()
    bench = rig.bench()
    bench.prepare()
    rig.time_base = 0.5
    refused = pytest.raises(InstrumentError, match="disagrees with the host's clock")
    with refused, bench.bare() as bus, bus.closed("discharge"):
        bus.log(1e-3, 1000, 5e-4)
    assert bench.state == "fault"
    assert rig.closed == set()


def test_once_the_bus_is_no_longer_bare_nothing_is_closed_past_the_press() -> None:
    """Used to press a pin without a check of any limit."""
    rig = Rig()
    bench = rig.bench()
    bench.prepare()
    with bench.bare() as bus, pytest.raises(BenchError, match="cannot select while it has not ended to measure rail"):
        bench.select("D1")
    bench.select("D1")
    with pytest.raises(BenchError, match=r"wiring\.press: the bus is no longer bare"), bus.closed("press"):
        raise AssertionError("closed")
    assert rig.closed == {"101"}
