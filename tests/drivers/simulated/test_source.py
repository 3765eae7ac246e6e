"""The simulated source-measure unit forces, limits and measures, and its output-off state may hold the node."""

from __future__ import annotations

import pytest

from drivers.simulated.source import Source
from drivers.simulated.world import World
from tests.drivers.simulated.by_hand import IDEAL, MID_LEVEL, PATHS, ask, board, errors

FORCE = "SENS:CURR:PROT:LEV 1E-3;:SOUR:FUNC:MODE VOLT;:SOUR:VOLT:LEV:IMM:AMPL {};:OUTP:STAT ON"


def _source(pin: str = "", extra: str = "") -> Source:
    """Its series relay closed, D1 (60 kohm, 1 nF, and `pin`) selected, 100.1 ohm between."""
    world = World(board(f"{IDEAL}{PATHS}{extra}\n[[pins]]\nname = 'D1'\nnode_capacitance_f = 1e-9\n{pin}\n"))
    source = Source(world, "Invented Instruments,Source,1,1")
    world.set_contact("select D1", True)
    world.set_contact("source", True)
    world.move_to(0.01)
    return source


def _read(source: Source) -> tuple[float, float]:
    volts, ampere = ask(source, "FORM ASC;:READ?").split(",")
    return float(volts), float(ampere)


@pytest.mark.parametrize(
    ("command", "query", "expected"),
    [
        ("SOUR:FUNC:MODE CURR", "SOUR:FUNC:MODE?", "CURR"),
        ("SOUR:VOLT:LEV:IMM:AMPL 3.3", "SOUR:VOLT?", "+3.300000000E+00"),
        ("SOUR:CURR:LEV 1 mA", "SOUR:CURR:LEV:IMM:AMPL?", "+1.000000000E-03"),
        ("SOUR:VOLT:RANG 5", "SOUR:VOLT:RANG?", "+2.000000000E+01"),
        ("SENS:CURR:PROT:LEV 1E-3", "SENS:CURR:DC:PROT:LEV?", "+1.000000000E-03"),
        ("SENS:FUNC:CONC ON", "SENS:FUNC:CONC?", "1"),
        ('SENS:FUNC "VOLT:DC","CURR:DC"', "SENS:FUNC?", '"VOLT:DC","CURR:DC"'),
        ('SENS:FUNC "CURRENT:DC"', "SENS:FUNC?", '"CURR:DC"'),
        ("OUTP:SMOD HIMP", "OUTP:SMOD?", "HIMP"),
        ("OUTP:SMOD HIMP;*RST", "OUTP:SMOD?;STAT?", "NORM;0"),
        ("OUTP ON", "OUTP:STAT?", "1"),
    ],
)
def test_each_setting_is_answered_as_it_was_set(command: str, query: str, expected: str) -> None:
    source = _source()
    ask(source, command)

    assert ask(source, query) == expected
    assert errors(source) == []


@pytest.mark.parametrize(
    ("command", "number"),
    [
        ("READ?", -221),
        ("FETC?", -230),
        ("SOUR:VOLT 25", -222),
        ("SOUR:VOLT:RANG 2;:SOUR:VOLT 3.3", -222),
        ("SENS:CURR:PROT 1", -222),
        ("OUTP:SMOD OPEN", -224),
        ('SENS:FUNC "RES"', -224),
        ("SENS:FUNC", -109),
        ("SOUR:VOLT:RANG:AUTO ON", -221),
        ("OUTP MAYBE", -224),
    ],
)
def test_what_the_source_refuses_is_in_its_queue(command: str, number: int) -> None:
    source = _source()
    ask(source, command)

    assert errors(source) == [number]


def test_a_forced_voltage_gives_the_current_of_the_circuit_outside() -> None:
    """60 kohm beside the meter's 10 Mohm, behind 100 ohm: the source sees 59 742 ohm and what is open (1 Tohm)."""
    source = _source()
    ask(source, FORCE.format(2.0))
    source.world.move_to(0.1)
    volts, ampere = _read(source)

    assert volts == pytest.approx(2.0, abs=1e-5)
    assert ampere == pytest.approx(2.0 / (100 + 1 / (1 / 60e3 + 1e-7)), rel=1e-5)
    assert ask(source, "SENS:CURR:PROT:TRIP?") == "0"


def test_the_net_current_of_a_leaky_pin_is_negative_into_the_source() -> None:
    source = _source(f"leak = {MID_LEVEL}")
    ask(source, FORCE.format(1.3))
    source.world.move_to(0.1)
    _, ampere = _read(source)
    node_v = source.world.bus_v()

    assert ampere == pytest.approx(node_v / 60e3 + node_v / 10e6 - 120e-6, rel=2e-3)


def test_compliance_limits_the_current_and_says_so() -> None:
    source = _source("pull_down = { kind = 'linear', resistance_ohm = 1000.0 }")
    ask(source, FORCE.format(3.3))
    source.world.move_to(0.1)
    volts, ampere = _read(source)

    assert ampere == pytest.approx(1e-3, rel=1e-9)
    assert volts == pytest.approx(1e-3 * (100 + 1 / (1e-3 + 1e-7)), rel=1e-5)
    assert ask(source, "SENS:CURR:PROT:TRIP?") == "1"


def test_a_forced_current_is_limited_by_the_voltage() -> None:
    source = _source()
    ask(source, "SOUR:FUNC:MODE CURR;:SENS:VOLT:PROT 3.3;:SOUR:CURR 2E-5;:OUTP ON")
    source.world.move_to(0.1)
    assert source.world.bus_v() == pytest.approx(2e-5 / (1 / 60e3 + 1e-7), rel=1e-4)
    assert ask(source, "SENS:VOLT:PROT:TRIP?") == "0"

    ask(source, "SOUR:CURR 1E-4")
    source.world.move_to(0.2)
    volts, _ = _read(source)
    assert volts == pytest.approx(3.3, abs=1e-4)
    assert ask(source, "SENS:VOLT:PROT:TRIP?") == "1"


@pytest.mark.parametrize(
    ("mode", "after_1_ms_v", "after_10_ms_v"),
    [("NORM", 2.64, 0.0), ("ZERO", 0.0, 0.0), ("HIMP", 3.3, 3.3)],
)
def test_output_off_ramps_holds_zero_or_lets_go(mode: str, after_1_ms_v: float, after_10_ms_v: float) -> None:
    """1 nF with no pull-down stays for seconds unless driven: by a 5 ms ramp, by a slew of 1e4 V/s, or by nothing."""
    source = _source("pull_down = { kind = 'missing' }", "[meter]\ninput_resistance_ohm = 1e12\n")
    ask(source, f"OUTP:SMOD {mode};:" + FORCE.format(3.3))
    source.world.move_to(0.1)
    assert source.world.bus_v() == pytest.approx(3.3, abs=1e-4)
    ask(source, "OUTP OFF")
    source.world.move_to(0.101)
    assert source.world.bus_v() == pytest.approx(after_1_ms_v, abs=5e-3)
    source.world.move_to(0.110)
    assert source.world.bus_v() == pytest.approx(after_10_ms_v, abs=5e-3)


def test_with_its_relay_open_the_source_neither_holds_nor_releases_the_node() -> None:
    source = _source(f"leak = {MID_LEVEL}")
    ask(source, FORCE.format(3.3))
    source.world.move_to(0.1)
    source.world.set_contact("source", False)
    source.world.move_to(0.2)

    assert source.world.bus_v() == pytest.approx(2.0309, abs=1e-3)
    volts, ampere = _read(source)
    assert volts == pytest.approx(3.3, abs=1e-6)
    assert abs(ampere) < 1e-11


def test_an_output_that_goes_on_slews_from_zero() -> None:
    source = _source()
    ask(source, "OUTP:SMOD HIMP;:SENS:CURR:PROT 1E-2;:SOUR:VOLT 3.0;:OUTP ON")
    source.world.move_to(0.01 + 1e-4)

    assert source.world.bus_v() == pytest.approx(1.0, abs=0.02)


def test_only_what_is_sensed_is_answered() -> None:
    source = _source()
    ask(source, 'SENS:FUNC "CURR:DC";:' + FORCE.format(2.0))
    source.world.move_to(0.1)

    assert float(ask(source, "READ?")) == pytest.approx(2.0 / 59742, rel=2e-3)
    ask(source, 'SENS:FUNC "VOLT:DC","CURR:DC";FUNC:CONC OFF')
    assert len(ask(source, "READ?").split(",")) == 1


def test_its_readings_are_as_noisy_and_wrong_as_the_board_file_says() -> None:
    source = _source(extra="[source]\nnoise_a = 1e-8\ngain_error = 1e-3\n")
    ask(source, FORCE.format(2.0))
    source.world.move_to(0.1)
    first, second = _read(source), _read(source)

    assert first[1] != second[1]
    assert first[1] == pytest.approx(2.0 / 59742, abs=5e-8 + 1e-3 * 2.0 / 59742)
    assert 0 < abs(first[0] - 2.0) < 2.1e-3


def test_its_current_is_off_by_an_offset_that_it_keeps() -> None:
    source = _source(extra="[source]\noffset_error_a = 1e-7\n")
    ask(source, FORCE.format(2.0))
    source.world.move_to(0.1)
    at_2_v = _read(source)[1] - 2.0 / 59742
    ask(source, "SOUR:VOLT 1.0")
    source.world.move_to(0.2)
    at_1_v = _read(source)[1] - 1.0 / 59742

    assert 1e-9 < abs(at_2_v) <= 1.05e-7
    assert at_1_v == pytest.approx(at_2_v, abs=5e-9)


def test_a_source_of_ten_nanoamperes_holds_a_node_that_leaks_less() -> None:
    """The limit's corner used to be so sharp that the solver chattered at it: 2 nV wide, in tolerances of 10 nV."""
    table = 'leak = { kind = "table", voltage_v = [0.0, 3.3], current_a = [2e-9, 2e-9] }'
    source = _source("pull_down = { kind = 'missing' }\n" + table, "[meter]\ninput_resistance_ohm = 1e12\n")
    ask(source, "SENS:CURR:PROT 1E-8;:OUTP ON;:SOUR:VOLT 0")
    source.world.move_to(1.0)
    _, ampere = _read(source)

    assert source.world.bus_v() == pytest.approx(0.0, abs=2e-5)
    assert ampere == pytest.approx(-2e-9, abs=1e-11)
