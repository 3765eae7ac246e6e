"""The simulated meter speaks SCPI, logs on its own timer, and errs as its board file says."""

from __future__ import annotations

import math

import numpy as np
import pytest

from drivers.simulated.meter import Meter
from drivers.simulated.world import World
from tests.drivers.simulated.by_hand import IDEAL, PATHS, ask, board, carry_out, errors, logged

IDENTITY = "Invented Instruments,Voltmeter,1,1"
LOG = "TRIG:SOUR TIM;TIM 1E-3;COUN 20;:TRAC:POIN 20;FEED SENS;FEED:CONT NEXT"


def _meter(meter_part: str = "", *, pressed: bool = True) -> Meter:
    """In front of a bus at 3.3 V (through the press resistor, nothing selected), or at 0 V."""
    world = World(board(f"[meter]\n{meter_part}\n{IDEAL}{PATHS}\n[[pins]]\nname = 'D1'\n"))
    meter = Meter(world, IDENTITY)
    world.set_contact("press", pressed)
    world.move_to(0.1)
    ask(meter, "SENS:VOLT:DC:RANG 10;APER 1E-4;:CAL:ZERO:AUTO OFF")
    return meter


BUS_V = 3.3 * 10e6 / (10e6 + 1e3)


@pytest.mark.parametrize(
    ("command", "query", "expected"),
    [
        ('SENS:FUNC "VOLT:DC"', "SENS:FUNC?", '"VOLT:DC"'),
        ("SENS:VOLT:DC:RANG 3.3", "SENS:VOLT:DC:RANG?", "+1.000000000E+01"),
        ("SENS:VOLT:DC:RANG MIN", "VOLT:RANG? MAX", "+1.000000000E+03"),
        ("SENS:VOLT:DC:RANG 10", "SENS:VOLT:DC:RANG:AUTO?", "0"),
        ("SENS:VOLT:DC:RANG:AUTO ON", "SENS:VOLT:DC:RANG:AUTO?", "1"),
        ("SENS:VOLT:DC:APER 100 us", "SENS:VOLT:DC:APER?", "+1.000000000E-04"),
        ("SENS:VOLT:DC:NPLC 0.5", "SENS:VOLT:DC:APER?", "+1.000000000E-02"),
        ("SYST:LFR 60;:SENS:VOLT:NPLC 1", "SENS:VOLT:DC:NPLC?", "+1.000000000E+00"),
        ("SYST:LFR 60", "SYST:LFR?", "+6.000000000E+01"),
        ("CAL:ZERO:AUTO ON", "CAL:ZERO:AUTO?", "1"),
        ("CAL:ZERO:AUTO ONCE", "CAL:ZERO:AUTO?", "0"),
        ("INP:IMP 10 MOHM", "INP:IMP?", "+1.000000000E+07"),
        ("INP:IMP 10E9", "INP:IMP?", "+1.000000000E+10"),
        ("TRIG:SOUR TIMER", "TRIG:SOUR?", "TIM"),
        ("TRIG:TIM 123.4567 ms", "TRIG:TIM?", "+1.234570000E-01"),
        ("TRIG:TIM MIN", "TRIG:TIM?", "+5.000000000E-05"),
        ("TRIG:COUN 1200", "TRIG:COUN?", "1200"),
        ("TRIG:DEL 1E-3", "TRIG:DEL?", "+1.000000000E-03"),
        ("TRAC:POIN 1200", "TRAC:POIN?", "1200"),
        ("TRAC:POIN 1200", "TRAC:POIN? MAX", "10000"),
        ("TRAC:FEED SENS", "TRAC:FEED?", "SENS"),
        ("TRAC:FEED:CONT NEXT", "TRAC:FEED:CONT?", "NEXT"),
        ("FORM REAL,32", "FORM?", "REAL,32"),
        ("FORM ASC", "FORM:DATA?", "ASC,0"),
        ("FORM:BORD SWAP", "FORM:BORD?", "SWAP"),
        ('DISP:TEXT "D1 8.2 k ""a"""', "DISP:TEXT?", '"D1 8.2 k ""a"""'),
        ("DISP:TEXT:CLE", "DISP:TEXT?", '""'),
        ("INIT:CONT OFF", "INIT:CONT?", "0"),
        ("*ESE 60", "*ESE?", "60"),
        ("*SRE 255", "*SRE?", "191"),
        ("STAT:OPER:ENAB 16", "STAT:OPER:ENAB?", "16"),
        ("STAT:QUES:PTR 3", "STAT:QUES:PTR?", "3"),
        ("STAT:OPER:NTR 16;:STAT:PRES", "STAT:OPER:NTR?", "0"),
        ("*RST", "SENS:VOLT:DC:RANG:AUTO?;:CAL:ZERO:AUTO?;:TRIG:SOUR?;COUN?", "1;1;IMM;1"),
        ("*CLS", "*STB?;*TST?;:SYST:VERS?;ERR:COUN?", "0;0;1999.0;0"),
    ],
)
def test_each_setting_is_answered_as_it_was_set(command: str, query: str, expected: str) -> None:
    meter = _meter()
    ask(meter, command)

    assert ask(meter, query) == expected
    assert errors(meter) == []


@pytest.mark.parametrize(
    ("command", "number"),
    [
        ("FOO:BAR 1", -113),
        ("TRAC:DATA 1", -113),
        ("SENS3:VOLT:RANG 1", -114),
        ("TRIG:COUN", -109),
        ("TRIG:COUN 1,2", -108),
        ("*CLS 1", -108),
        ('TRIG:COUN "1"', -104),
        ("DISP:TEXT D1", -104),
        ("TRIG:COUN 10001", -222),
        ("TRIG:TIM 40 us", -222),
        ("SENS:VOLT:DC:APER 3", -222),
        ("TRIG:TIM 1 V", -131),
        ("TRIG:SOUR PIN", -224),
        ('SENS:FUNC "RES"', -224),
        ("INP:IMP 1E8", -224),
        ("SYST:LFR 55", -224),
        ("FORM REAL,16", -224),
        ("INIT:CONT ON", -221),
        ("*TRG", -211),
        ("FETC?", -230),
        ("INIT;INIT", -213),
        ("SENS:VOLT:DC:APER 1E-3;:TRIG:SOUR TIM;TIM 5E-4;COUN 5;:INIT", -221),
        ("CAL:ZERO:AUTO ON;:SENS:VOLT:DC:APER 4E-4;:TRIG:SOUR TIM;TIM 5E-4;COUN 5;:INIT", -221),
        ("SENS:VOLT:DC:RANG:AUTO ON;:SENS:VOLT:DC:APER 1E-4;:TRIG:SOUR TIM;TIM 1E-3;COUN 5;:INIT", -221),
        ("*IDN?;*OPC?", -440),
    ],
)
def test_what_the_meter_refuses_is_in_its_queue_by_the_number_of_the_standard(command: str, number: int) -> None:
    meter = _meter()
    ask(meter, command)

    assert errors(meter) == [number]


def test_units_before_an_error_are_carried_out_and_those_after_it_not() -> None:
    meter = _meter()

    assert ask(meter, "TRIG:COUN 7;COUN?;FOO;COUN 9") == "7"
    assert ask(meter, "TRIG:COUN?") == "7"
    assert ask(meter, "*ESR?") == str(128 | 32)


def test_a_reading_is_the_bus_through_the_meters_own_load() -> None:
    meter = _meter()
    start_s = meter.world.now_s

    assert float(ask(meter, "READ?")) == pytest.approx(BUS_V, abs=1e-6)
    assert meter.world.now_s - start_s == pytest.approx(2e-3 + 1e-4)
    assert float(ask(meter, "FETC?")) == pytest.approx(BUS_V, abs=1e-6)


def test_input_impedance_is_part_of_the_circuit() -> None:
    meter = _meter("input_resistance_ohm = 9.9e6")

    assert float(ask(meter, "READ?")) == pytest.approx(3.3 * 9.9e6 / 9.901e6, abs=1e-6)
    ask(meter, "INP:IMP 10E9")
    meter.world.move_to(1.0)
    assert float(ask(meter, "READ?")) == pytest.approx(3.3, abs=2e-6)


def test_a_voltage_beyond_the_range_reads_as_infinity() -> None:
    meter = _meter()
    ask(meter, "SENS:VOLT:DC:RANG 1")

    assert ask(meter, "READ?") == "+9.900000000E+37"


def test_a_log_samples_the_release_on_the_meters_own_timer() -> None:
    meter = _meter()
    ask(meter, LOG)
    start_s = meter.world.now_s
    ask(meter, "INIT")
    assert ask(meter, "STAT:OPER:COND?") == "16"
    meter.world.move_to(start_s + 2e-3 + 5.5e-3)  # arming, then five and a half intervals
    meter.world.set_contact("press", False)
    assert ask(meter, "TRAC:POIN:ACT?") == "6"
    assert ask(meter, "*OPC?") == "1"
    assert ask(meter, "STAT:OPER:COND?;:TRAC:POIN:ACT?;:TRAC:FEED:CONT?") == "0;20;NEV"
    trace = logged(meter)

    assert trace[:6] == pytest.approx([BUS_V] * 6, abs=1e-6)
    assert trace[6:] == pytest.approx([0.0] * 14, abs=1e-4)


def test_the_log_is_the_same_however_often_and_in_whatever_format_it_is_read() -> None:
    meter = _meter("noise_v = 3e-4")
    ask(meter, LOG)
    ask(meter, "INIT")
    meter.world.move_to(meter.world.now_s + 10e-3)
    early = logged(meter)
    ask(meter, "*OPC?")
    whole = logged(meter)

    assert 5 < len(early) < 10
    assert np.array_equal(whole[: len(early)], early)
    assert np.array_equal(whole, logged(meter))
    text = ask(meter, "FORM ASC;:TRAC:DATA?")
    np.testing.assert_allclose([float(t) for t in text.split(",")], whole, rtol=1e-9)
    ask(meter, "FORM REAL,32;:FORM:BORD SWAP")
    reply = carry_out(meter.world, meter, "TRAC:DATA?")
    assert reply is not None
    assert reply[:4] == b"#280"
    np.testing.assert_allclose(np.frombuffer(reply[4:-1], "<f4"), whole, rtol=1e-7)


def test_the_memory_takes_no_more_than_its_points_and_is_cleared() -> None:
    meter = _meter()
    ask(meter, LOG.replace("POIN 20", "POIN 5") + ";:INIT;*OPC?")

    assert ask(meter, "TRAC:POIN:ACT?") == "5"
    assert len(ask(meter, "FORM ASC;:FETC?").split(",")) == 20
    assert ask(meter, "TRAC:CLE;:TRAC:POIN:ACT?") == "0"


def test_an_aborted_log_keeps_what_it_has() -> None:
    meter = _meter()
    ask(meter, LOG + ";:INIT")
    meter.world.move_to(meter.world.now_s + 2e-3 + 4.5e-3)
    ask(meter, "ABOR")

    assert ask(meter, "STAT:OPER:COND?;:TRAC:POIN:ACT?") == "0;5"
    ask(meter, "FETC?")
    assert errors(meter) == [-230]


def test_operation_complete_is_set_when_the_log_ends() -> None:
    meter = _meter()
    ask(meter, "*CLS;*ESE 1;*SRE 32;:" + LOG + ";:INIT;*OPC")
    assert ask(meter, "*ESR?") == "0"
    ask(meter, "*WAI")

    assert ask(meter, "*STB?") == str(32 | 64)
    assert ask(meter, "*ESR?") == "1"


def test_bus_triggers_take_one_reading_each() -> None:
    meter = _meter()
    ask(meter, "TRIG:SOUR BUS;COUN 2;:INIT")
    assert ask(meter, "STAT:OPER:COND?") == "32"
    assert meter.pending_until() == math.inf
    ask(meter, "*TRG")
    meter.world.move_to(meter.world.now_s + 1e-3)
    ask(meter, "*TRG")

    assert len(ask(meter, "FETC?").split(",")) == 2


def test_white_noise_falls_with_the_root_of_the_aperture() -> None:
    meter = _meter("noise_v = 1e-3")
    spreads = []
    for aperture in ("1E-4", "4E-4"):
        ask(meter, f"SENS:VOLT:DC:APER {aperture};:TRIG:SOUR TIM;TIM 5E-4;COUN 5000;:TRAC:POIN 5000;FEED:CONT NEXT")
        ask(meter, "INIT;*OPC?")
        spreads.append(float(np.std(logged(meter))))

    assert spreads[0] == pytest.approx(1e-3, rel=0.03)
    assert spreads[1] == pytest.approx(0.5e-3, rel=0.03)


def test_flicker_noise_is_stronger_at_low_frequency() -> None:
    meter = _meter("flicker_v = 1e-3")
    ask(meter, LOG.replace("20", "4096") + ";:INIT;*OPC?")
    noise = logged(meter) - BUS_V
    power = np.abs(np.fft.rfft(noise)) ** 2

    assert float(np.std(noise)) == pytest.approx(1e-3, rel=1e-3)
    # 1/f: equal power in each octave (2047 lines in ten and more octaves).
    assert power[512:1024].sum() == pytest.approx(power[256:512].sum(), rel=0.3)


def test_hum_has_its_amplitude_and_frequency_and_is_averaged_out_over_whole_cycles() -> None:
    meter = _meter("hum_v = 2e-3\nline_frequency_hz = 50.0")
    ask(meter, LOG.replace("20", "1000") + ";:INIT;*OPC?")
    lines = np.abs(np.fft.rfft(logged(meter) - BUS_V)) * 2 / 1000
    assert lines[50] == pytest.approx(2e-3, rel=1e-3)
    assert np.argmax(lines) == 50

    ask(meter, "TRIG:SOUR IMM;COUN 20;:SENS:VOLT:DC:NPLC 1;:FORM ASC")
    assert [float(v) for v in ask(meter, "READ?").split(",")] == pytest.approx([BUS_V] * 20, abs=1e-6)


def test_gain_and_offset_are_drawn_from_the_seed_and_stay() -> None:
    read = []
    for seed in (1, 2):
        world = World(
            board(f"[meter]\ngain_error = 1e-3\noffset_error_v = 1e-3\n{IDEAL}{PATHS}\n[[pins]]\nname = 'D1'\n"), seed
        )
        meter = Meter(world, IDENTITY)
        zero_v = float(ask(meter, "SENS:VOLT:DC:RANG 10;:READ?"))
        world.set_contact("press", True)
        world.move_to(1.0)
        full_v = float(ask(meter, "READ?"))
        assert float(ask(meter, 'DISP:TEXT "other";:READ?')) == full_v
        read.append((zero_v, full_v))
        assert 0 < abs(zero_v) <= 1e-3 + 1e-4
        assert abs(full_v - zero_v - BUS_V) <= 1e-3 * BUS_V
    assert read[0] != read[1]


def test_a_timebase_error_stretches_the_interval() -> None:
    """2 % slow: a release 10.1 ms after the first trigger comes before the eleventh sample, not after it."""
    meter = _meter("timebase_error = 0.02")
    ask(meter, LOG + ";:INIT")
    meter.world.move_to(meter.world.now_s + 2e-3 + 10.1e-3)
    meter.world.set_contact("press", False)
    ask(meter, "*OPC?")

    assert int(np.sum(logged(meter) > 1)) == 10
