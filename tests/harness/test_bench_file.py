"""A bench file that breaks a rule is refused with one line; reading one opens nothing."""

# ruff: noqa: E501 - an expected message stands on one line, as the user sees it

from __future__ import annotations

import math
import socket
from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from drivers.wiring import Channel
from harness.bench_file import bench_from_text
from harness.errors import UserFileError
from tests.harness.wrong_files import BENCH, changed

METER = 'resource = "TCPIP::192.168.0.5::5025::SOCKET"'
BOARD = "[wiring]\n"

ONE_LINE = [
    # unknown and missing keys
    ("[limits]", "[limit]", 'bench.toml: limit: unknown key (did you mean limits?): {voltage = "5.5 V"}'),
    ('name = "rack"', 'nam = "rack"', 'bench.toml: bench.nam: unknown key (did you mean name?): "rack"'),
    ('resistor = "1 kΩ"', 'resistance = "1 kΩ"', 'bench.toml: wiring.press.resistance: unknown key (did you mean resistor?): "1 kΩ"'),
    ('accuracy = "0.5 mV"\n', "", "bench.toml: meter.accuracy: missing"),
    (METER + "\n", "", "bench.toml: meter.resource: missing"),
    ('press = { channel = "switch 201", resistor = "1 kΩ" }', 'press = { resistor = "1 kΩ" }', "bench.toml: wiring.press.channel: missing"),
    ('measured = "8.203 kΩ"', 'measurd = "8.203 kΩ"', 'bench.toml: wiring.fit."8.2 kΩ".measurd: unknown key (did you mean measured?): "8.203 kΩ"'),
    # kinds
    (METER, 'resource = "@meter@"', 'bench.toml: meter.resource: must be a VISA resource, such as "TCPIP::192.168.0.5::5025::SOCKET": "@meter@"'),
    ("/dev/ttyACM0", "GPIB0::3::INSTR", 'bench.toml: relay_board.resource: must be a port, such as "/dev/ttyACM0", "COM3" or "socket://127.0.0.1:7001": "GPIB0::3::INSTR"'),
    ("/dev/ttyACM0", "", 'bench.toml: relay_board.resource: must be 1 to 200 characters: ""'),
    ('voltage = "5.5 V"', 'voltage = "5.5 mm"', "bench.toml: limits.voltage: wrong unit 'mm': expected a quantity in V, for example \"3.3 V\": \"5.5 mm\""),
    ('voltage = "5.5 V"', 'current = "2 A"', 'bench.toml: limits.current: must be 1 nA to 100 mA: "2 A"'),
    ('voltage = "5.5 V"', "presses_per_minute = 0", "bench.toml: limits.presses_per_minute: must be a number from 0.1 to 60000: 0"),
    ('[limits]\n', '[clock]\nspeed = nan\n[limits]\n', "bench.toml: clock.speed: must be a number from 0.01 to 1000: nan"),
    ('[limits]\n', '[clock]\nspeed = "1"\n[limits]\n', 'bench.toml: clock.speed: must be a number from 0.01 to 1000: "1"'),
    (METER, METER + "\ncalibration_due = 2027-03-31T00:00:00", "bench.toml: meter.calibration_due: must be a day that exists, written 2026-03-31: 2027-03-31T00:00:00"),
    (METER, METER + '\ncalibration_due = "2027-02-30"', 'bench.toml: meter.calibration_due: must be a day that exists, written 2026-03-31: "2027-02-30"'),
    (METER, METER + '\ncalibration_due = "20270228"', 'bench.toml: meter.calibration_due: must be a day that exists, written 2026-03-31: "20270228"'),
    ('"101:110, 201:203"', '"110:101"', 'bench.toml: switch.channels: must be channels, such as "101:124, 201:208": "110:101"'),
    ('"101:110, 201:203"', '"1:99999"', 'bench.toml: switch.channels: must be no more than 10000 channels: "1:99999"'),
    ('"101:110, 201:203"', '"1:9000, 1:9000"', 'bench.toml: switch.channels: must be no more than 10000 channels: "1:9000, 1:9000"'),
    ('"101:110, 201:203"', "101", 'bench.toml: switch.channels: must be channels, such as "101:124, 201:208": 101'),
    # commands
    (METER, METER + '\ncommands = { apperture = "X {value}" }', 'bench.toml: meter.commands.apperture: unknown command of a meter (did you mean aperture?): "X {value}"'),
    (METER, METER + '\ncommands = { aperture = "X" }', 'bench.toml: meter.commands.aperture: must hold exactly {value} or {nplc}: "X"'),
    (METER, METER + "\ncommands = { aperture = 3 }", "bench.toml: meter.commands.aperture: must be text in quotes: 3"),
    # wires
    ('D2 = "switch 102"', 'D2 = "switch 101"', "bench.toml: wiring.select.D2: switch 101 is already used by wiring.select.D1"),
    ('D2 = "switch 102"', 'D2 = "switch 201"', "bench.toml: wiring.select.D2: switch 201 is already used by wiring.press"),
    ('"47k" = "relay_board 1"', '"47k" = "relay_board 2"', 'bench.toml: wiring.fit."8.2 kΩ": relay_board 2 is already used by wiring.fit.47k'),
    ('D2 = "switch 102"', 'D2 = "switch 111"', 'bench.toml: wiring.select.D2: switch.channels has no channel 111: "switch 111"'),
    ('D2 = "switch 102"', 'D2 = "matrix 102"', 'bench.toml: wiring.select.D2: must be a device and its channel, such as "switch 201" or "relay_board 3": "matrix 102"'),
    ('D2 = "switch 102"', "D2 = 102", 'bench.toml: wiring.select.D2: must be a device and its channel, such as "switch 201" or "relay_board 3": 102'),
    ('"47k" = "relay_board 1"', '"47k" = "relay_board 0"', 'bench.toml: wiring.fit.47k: must be a device and its channel, such as "switch 201" or "relay_board 3": "relay_board 0"'),
    ('"47k" = "relay_board 1"', '"47k" = 1', "bench.toml: wiring.fit.47k: must be a table: 1"),
    ("[wiring]\n", '[wiring]\nsource = "switch 202"\n', 'bench.toml: wiring.source: the bench has no [source]: "switch 202"'),
    ('D2 = "switch 102"', '"D 2" = "switch 102"', 'bench.toml: wiring.select."D 2": the name of a pin must be letters, digits and _ . + - # ~, as a console takes it: "switch 102"'),
    ('resistor = "1 kΩ"', 'resistor = "10 Ω"', 'bench.toml: wiring.press.resistor: must be 100 Ω to 1 MΩ: "10 Ω"'),
    # trial resistors
    ('"47k" = "relay_board 1"', '"8k2" = "relay_board 1"', 'bench.toml: wiring.fit."8.2 kΩ": is the same resistor as wiring.fit.8k2: {channel = "relay_board 2", measured = "8.203 kΩ", measured_u = "2 Ω"}'),
    ('"47k" = "relay_board 1"', 'none = "relay_board 1"', 'bench.toml: wiring.fit.none: no resistor needs no relay: "relay_board 1"'),
    ('"47k" = "relay_board 1"', 'big = "relay_board 1"', "bench.toml: wiring.fit.big: the key must be a resistance: not a number with a unit: expected a quantity in Ω, for example \"8.2 kΩ\": \"relay_board 1\""),
    ('measured = "8.203 kΩ"', 'measured = "82.03 kΩ"', 'bench.toml: wiring.fit."8.2 kΩ".measured: must be within 30 % of 8.2 kΩ: "82.03 kΩ"'),
    (', measured_u = "2 Ω"', "", 'bench.toml: wiring.fit."8.2 kΩ".measured_u: missing: a measured value and its uncertainty go together'),
    ('measured_u = "2 Ω"', 'measured_u = "2 kΩ"', 'bench.toml: wiring.fit."8.2 kΩ".measured_u: must not be more than a tenth of the measured value: "2 kΩ"'),
    # resources
    ('"TCPIP::192.168.0.6::5025::SOCKET"', '"tcpip::192.168.0.5::5025::socket"', 'bench.toml: switch.resource: is already the resource of the meter: "tcpip::192.168.0.5::5025::socket"'),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "line"), ONE_LINE, ids=[line[12:70] for _, _, line in ONE_LINE])
def test_wrong_bench_is_refused_with_its_line(old: str, new: str, line: str) -> None:
    with pytest.raises(UserFileError) as caught:
        bench_from_text(changed(BENCH, (old, new)))
    assert str(caught.value) == line


def test_wires_to_a_device_that_is_not_there_are_all_named() -> None:
    with pytest.raises(UserFileError) as caught:
        bench_from_text(changed(BENCH, ('[relay_board]\nresource = "/dev/ttyACM0"\n', "")))
    assert str(caught.value).splitlines() == [
        'bench.toml: wiring.fit.47k: the bench has no [relay_board]: "relay_board 1"',
        'bench.toml: wiring.fit."8.2 kΩ": the bench has no [relay_board]: "relay_board 2"',
    ]


def test_bench_without_a_meter_can_log_nothing() -> None:
    with pytest.raises(UserFileError) as caught:
        bench_from_text("[bench]\n")
    assert str(caught.value) == "bench.toml: meter: missing"


def test_nothing_is_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    def opened(*args: Any, **named: Any) -> None:
        raise AssertionError("reading a bench file opened something")

    monkeypatch.setattr(socket, "socket", opened)
    monkeypatch.setattr("os.open", opened)
    assert bench_from_text(BENCH).meter.resource == "TCPIP::192.168.0.5::5025::SOCKET"


def test_wiring_for_the_drivers_has_one_name_for_each_resistor() -> None:
    wiring = bench_from_text(BENCH).driver_wiring()
    assert wiring.select == {"D1": Channel("switch", "101"), "D2": Channel("switch", "102")}
    assert wiring.fit == {"47 kΩ": Channel("relay_board", "1"), "8.2 kΩ": Channel("relay_board", "2")}
    assert (wiring.press, wiring.press_ohm) == (Channel("switch", "201"), 1e3)
    # 1 % as a rectangular distribution (JCGM 100:2008, 4.3.7): 10 Ω over the root of three.
    assert wiring.press_u_ohm == pytest.approx(10.0 / math.sqrt(3.0), rel=1e-12)
    assert (wiring.discharge, wiring.rail, wiring.source, wiring.source_ohm) == (None, None, None, 0.0)


def test_a_measured_press_resistor_replaces_its_nominal_value() -> None:
    measured = changed(BENCH, ('resistor = "1 kΩ"', 'resistor = "1 kΩ", measured = "1.004 kΩ", measured_u = "0.2 Ω"'))
    wiring = bench_from_text(measured).driver_wiring()
    assert (wiring.press_ohm, wiring.press_u_ohm) == (1004.0, 0.2)


def test_limits_for_the_drivers() -> None:
    limits = bench_from_text(
        changed(BENCH, ('voltage = "5.5 V"', 'voltage = "4 V"\npress_time = "3 s"'))
    ).driver_limits()
    assert (limits.voltage_v, limits.current_a, limits.press_time_s, limits.presses_per_minute) == (
        4.0,
        1e-3,
        3.0,
        None,
    )


def test_calibration_overdue_is_a_note_from_the_day_after() -> None:
    bench = bench_from_text(changed(BENCH, (METER, METER + '\ncalibration_due = "2026-03-31"')))
    assert bench.calibration_notes(date(2026, 3, 31)) == ()
    assert bench.calibration_notes(date(2026, 4, 1)) == ("meter: calibration was due on 2026-03-31",)


def test_a_single_command_is_replaced() -> None:
    bench = bench_from_text(changed(BENCH, (METER, METER + '\ncommands = { aperture = "SENS:VOLT:DC:NPLC {nplc}" }')))
    assert bench.meter.commands == {"aperture": "SENS:VOLT:DC:NPLC {nplc}"}


def test_matrix_channels_are_taken_as_written() -> None:
    edits = (('D1 = "switch 101"', 'D1 = "switch 1!4"'), ('"101:110, 201:203"', '"1!4, 101:110, 201:203"'))
    assert bench_from_text(changed(BENCH, *edits)).wiring.select["D1"] == Channel("switch", "1!4")


def test_a_visa_library_is_code_and_loaded_only_where_the_command_line_allows_it() -> None:
    """A bench file used to load any library by its path, and any module that is called pyvisa_…."""
    for safe in ("@py", "@ivi"):
        assert bench_from_text(changed(BENCH, ('name = "rack"', f'visa = "{safe}"'))).visa_library() == safe
    for code in ("/tmp/evil.so", "/tmp/evil.so@ivi", "@evil"):
        file = bench_from_text(changed(BENCH, ('name = "rack"', f'visa = "{code}"')))
        with pytest.raises(UserFileError) as caught:
            file.visa_library()
        rule = "a VISA library is code: allow it on the command line, with --visa-library and the same words"
        assert str(caught.value) == f'bench.toml: bench.visa: {rule}: "{code}"'
        assert replace(file, libraries=(code,)).visa_library() == code
