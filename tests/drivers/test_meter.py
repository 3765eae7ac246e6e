"""A log lies on the meter's own time base, which is checked against the host's clock; an overload is never a number."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from drivers.dialect import Dialect
from drivers.errors import BenchError, InstrumentError, ReplyError, StopRequestedError
from drivers.instrument import Instrument
from drivers.meter import Meter, displayable, log_aperture_s
from tests.drivers.scripted import FunctionLink, Rig


def _configured(rig: Rig, overrides: dict[str, str] | None = None, speed: float = 1.0) -> Meter:
    meter = Meter(rig.instrument("meter", overrides), rig.time.clock(speed, stop=lambda: rig.stop))
    meter.configure(10.0, 0.02, 10e6, 50.0)
    rig.sent.clear()
    return meter


def test_a_meter_is_configured_so_that_nothing_stops_it_within_a_log() -> None:
    rig = Rig()
    Meter(rig.instrument("meter"), rig.time.clock()).configure(10.0, 0.02, 10e6, 50.0)
    assert rig.messages("meter") == [
        "SYST:LFR 50",
        "*ESR?",
        'SENS:FUNC "VOLT:DC";:SENS:VOLT:DC:RANG:AUTO OFF;:SENS:VOLT:DC:RANG 10;:CAL:ZERO:AUTO ONCE;:CAL:ZERO:AUTO OFF;'
        ":FORM REAL,64;:FORM:BORD NORM",
        "*ESR?",
        "SENS:VOLT:DC:RANG?",
        "INP:IMP 10000000",
        "*ESR?",
        "INP:IMP?",
        "TRIG:SOUR IMM;:TRIG:COUN 1;:SENS:VOLT:DC:APER 0.02",
        "*ESR?",
        "SENS:VOLT:DC:APER?",
    ]


def test_an_input_whose_resistance_is_unknown_is_left_as_it_is() -> None:
    rig = Rig()
    Meter(rig.instrument("meter"), rig.time.clock()).configure(10.0, 0.02, None, 50.0)
    assert not any("INP" in message for message in rig.messages("meter"))


@pytest.mark.parametrize(
    ("query", "answer", "rule"),
    [
        ("SENS:VOLT:DC:RANG?", "1", r"range was set to 10.0 V but reads back as 1.0 V"),
        ("SENS:VOLT:DC:APER?", "0.001", r"aperture was set to 0.02 s but reads back as 0.001 s"),
        ("INP:IMP?", "1E10", r"impedance was set to 10000000.0 Ω but reads back as 10000000000.0"),
    ],
)
def test_a_setting_that_was_not_taken_is_an_error(query: str, answer: str, rule: str) -> None:
    rig = Rig()
    link = rig.link("meter")
    honest = link.answer
    link.answer = lambda message: answer if message == query else honest(message)
    with pytest.raises(InstrumentError, match=rule):
        Meter(Instrument(link, Dialect("meter"), name="meter"), rig.time.clock()).configure(10.0, 0.02, 10e6, 50.0)


def test_a_wider_range_than_asked_for_is_taken_as_it_is() -> None:
    rig = Rig()
    meter = Meter(rig.instrument("meter"), rig.time.clock())
    meter.configure(5.0, 0.02, None, 50.0)
    assert meter.range_v == 5.0


def test_a_second_reading_takes_one_message() -> None:
    rig = Rig(volts=lambda _: 3.246)
    meter = _configured(rig)
    assert [meter.read(), meter.read()] == [3.246, 3.246]
    assert rig.messages("meter") == ["READ?", "READ?"]


def test_the_deadline_of_a_reading_follows_its_aperture_in_real_time() -> None:
    rig = Rig()
    link = rig.link("meter")
    meter = Meter(Instrument(link, Dialect("meter"), name="meter"), rig.time.clock(speed=20.0))
    meter.configure(10.0, 0.02, None, 50.0)
    meter.read()
    assert link.timeouts[-1] == pytest.approx(2 * (2 * 0.02) / 20 + 1)


@pytest.mark.parametrize("sentinel", [9.9e37, -9.9e37, 9.91e37])
def test_an_overload_is_an_error_that_names_the_range(sentinel: float) -> None:
    """SCPI-99 vol. 1, 7.2.1.4 and 7.2.1.5: 9.9E37 is infinity, 9.91E37 is not a number."""
    rig = Rig(volts=lambda _: sentinel)
    with pytest.raises(BenchError) as caught:
        _configured(rig).read()
    assert str(caught.value) == "meter meter: overload: the reading is beyond the 10 V range"


def test_a_log_is_armed_in_one_message_and_its_timing_read_back_once() -> None:
    rig = Rig()
    meter = _configured(rig)
    assert meter.start_log(1e-4, 1400) == 1e-4
    assert rig.messages("meter") == [
        "SENS:VOLT:DC:APER 5E-05;:TRIG:SOUR TIM;:TRIG:TIM 0.0001;:TRIG:COUN 1400;:TRAC:CLE;:TRAC:POIN 1400;"
        ":TRAC:FEED SENS;:TRAC:FEED:CONT NEXT",
        "*ESR?",
        "TRIG:TIM?",
        "SENS:VOLT:DC:APER?",
        "INIT",
        "*ESR?",
    ]
    meter.read_log()
    rig.sent.clear()
    meter.start_log(1e-4, 1400)
    assert [message for message in rig.messages("meter") if message.endswith("?")] == ["*ESR?", "*ESR?"]
    meter.start_log(2e-4, 1400)
    assert rig.messages("meter").count("TRIG:TIM?") == 1


def test_a_reading_after_a_log_sets_the_long_aperture_again() -> None:
    rig = Rig()
    meter = _configured(rig)
    meter.start_log(1e-4, 10)
    meter.read_log()
    rig.sent.clear()
    meter.read()
    assert rig.messages("meter") == ["TRIG:SOUR IMM;:TRIG:COUN 1;:SENS:VOLT:DC:APER 0.02", "*ESR?", "READ?"]


def test_a_log_lies_on_the_interval_that_the_meter_took() -> None:
    rig = Rig()
    link = rig.link("meter")
    honest = link.answer
    link.answer = lambda message: "1.02E-04" if message == "TRIG:TIM?" else honest(message)
    meter = Meter(Instrument(link, Dialect("meter"), name="meter"), rig.time.clock())
    meter.configure(10.0, 0.02, None, 50.0)
    assert meter.start_log(1e-4, 1400) == 1.02e-4
    readings = meter.read_log()
    assert len(readings) == 1400
    np.testing.assert_allclose(readings.time_s, np.arange(1400) * 1.02e-4, rtol=1e-12)
    np.testing.assert_allclose(readings.voltage_v, 0.001 * np.arange(1400), rtol=1e-12)


def test_a_log_may_be_read_again() -> None:
    rig = Rig()
    meter = _configured(rig)
    meter.start_log(1e-4, 100)
    np.testing.assert_array_equal(meter.read_log().voltage_v, meter.read_log().voltage_v)


def test_an_overload_within_a_log_is_not_a_number() -> None:
    rig = Rig()
    link = rig.link("meter")
    honest = link.answer
    block = struct.pack(">3d", 3.3, 9.9e37, 1.0)
    link.answer = lambda message: block if message == "TRAC:DATA?" else honest(message)
    meter = Meter(Instrument(link, Dialect("meter"), name="meter"), rig.time.clock())
    meter.configure(10.0, 0.02, None, 50.0)
    meter.start_log(1e-3, 3)
    np.testing.assert_array_equal(meter.read_log().voltage_v, [3.3, np.nan, 1.0])


def test_a_log_of_another_length_than_asked_for_is_refused() -> None:
    rig = Rig()
    link = rig.link("meter")
    honest = link.answer
    link.answer = lambda message: struct.pack(">2d", 1, 2) if message == "TRAC:DATA?" else honest(message)
    meter = Meter(Instrument(link, Dialect("meter"), name="meter"), rig.time.clock())
    meter.configure(10.0, 0.02, None, 50.0)
    meter.start_log(1e-3, 3)
    with pytest.raises(ReplyError):
        meter.read_log()


@pytest.mark.parametrize("time_base", [0.5, 0.8, 1.25, 2.0])
def test_a_time_base_that_disagrees_with_the_host_is_an_error(time_base: float) -> None:
    rig = Rig(time_base=time_base)
    meter = _configured(rig)
    meter.start_log(1e-3, 1000)
    with pytest.raises(InstrumentError, match=r"of 1000 samples .* disagrees with the host's clock and an interval of"):
        meter.read_log()


def test_a_time_base_that_runs_too_fast_is_seen_before_a_short_log_is_full() -> None:
    rig = Rig(time_base=1.25)
    meter = _configured(rig)
    meter.start_log(1e-3, 140)
    with pytest.raises(InstrumentError, match=r"the log holds 87 of 140 samples 0\.07 s after its start"):
        meter.read_log()


@pytest.mark.parametrize("time_base", [0.97, 1.0, 1.03])
def test_a_time_base_within_a_few_per_cent_is_the_meter_s_own_business(time_base: float) -> None:
    rig = Rig(time_base=time_base)
    meter = _configured(rig)
    meter.start_log(1e-3, 1000)
    assert len(meter.read_log()) == 1000


def test_a_log_that_stops_half_way_is_an_error() -> None:
    rig = Rig()
    meter = _configured(rig)
    meter.start_log(1e-3, 1000)
    full = rig.samples
    rig.samples = lambda: min(full(), 700)  # type: ignore[method-assign]
    with pytest.raises(InstrumentError, match="the log holds 700 of 1000 samples"):
        meter.read_log()


def test_a_wait_for_a_log_ends_with_a_stop_request() -> None:
    rig = Rig()
    meter = _configured(rig)
    meter.start_log(1e-3, 100_000)
    rig.stop = True
    with pytest.raises(StopRequestedError):
        meter.read_log()


def test_an_interval_that_the_meter_cannot_keep_is_an_error() -> None:
    rig = Rig()
    link = rig.link("meter")
    honest = link.answer
    link.answer = lambda message: "1E-3" if message == "TRIG:TIM?" else honest(message)
    meter = Meter(Instrument(link, Dialect("meter"), name="meter"), rig.time.clock())
    with pytest.raises(InstrumentError, match=r"timer was set to 0.0001 s but reads back as 0.001 s"):
        meter.start_log(1e-4, 10)


def test_an_aperture_longer_than_the_interval_is_an_error() -> None:
    rig = Rig()
    with pytest.raises(
        InstrumentError, match=r"the aperture of 0.02 s does not fit into the sample interval of 0.0001 s"
    ):
        _configured(rig).start_log(1e-4, 10, aperture_s=0.02)


def test_a_log_needs_a_sample_and_a_start() -> None:
    meter = _configured(Rig())
    with pytest.raises(BenchError, match="a log needs at least 1 sample: 0"):
        meter.start_log(1e-4, 0)
    with pytest.raises(BenchError, match="no log was started"):
        meter.read_log()


def test_a_reading_gives_up_the_log_that_it_aborts() -> None:
    meter = _configured(Rig())
    meter.start_log(1e-4, 10)
    meter.read()
    with pytest.raises(BenchError, match="no log was started"):
        meter.read_log()


def test_an_instrument_that_counts_in_line_cycles_is_told_and_read_in_line_cycles() -> None:
    rig = Rig()
    overrides = {"aperture": "SENS:VOLT:DC:NPLC {nplc}", "aperture_read": "SENS:VOLT:DC:NPLC?"}
    meter = Meter(rig.instrument("meter", overrides), rig.time.clock())
    meter.configure(10.0, 0.02, None, 50.0)
    assert rig.settings["SENS:VOLT:DC:NPLC"] == "1"
    assert meter.aperture_s == 0.02
    meter.start_log(1e-3, 10)
    assert float(rig.settings["SENS:VOLT:DC:NPLC"]) == pytest.approx(log_aperture_s(1e-3) * 50.0)


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("D1 reset default 47 kΩ #1", "D1 reset default 47 kOhm #1"),
        ("100 \N{OHM SIGN}, 5 µs, 5 μs", "100 Ohm, 5 us, 5 us"),
        ("Zähler №1\n", "Zahler No1?"),
    ],
)
def test_a_label_is_shown_in_the_letters_that_scpi_can_carry(text: str, shown: str) -> None:
    assert displayable(text) == shown


def test_a_label_goes_to_the_display() -> None:
    rig = Rig()
    _configured(rig).label("D1 none #1")
    assert rig.display == '"D1 none #1"'


def test_an_armed_log_can_be_given_up() -> None:
    rig = Rig()
    link = FunctionLink("meter", rig.link("meter").answer, rig.sent)
    meter = Meter(Instrument(link, Dialect("meter"), name="meter"), rig.time.clock())
    meter.start_log(1e-4, 10)
    meter.stop_log()
    assert rig.messages("meter")[-2:] == ["ABOR", "*ESR?"]
    with pytest.raises(BenchError, match="no log was started"):
        meter.read_log()
