"""The simulated supply makes the rail: it ramps, gives way at its limit, and measures what the unit draws."""

from __future__ import annotations

import pytest

from drivers.simulated.console import BoardConsole
from drivers.simulated.supply import Supply
from drivers.simulated.world import World
from tests.drivers.simulated.by_hand import IDEAL, MID_LEVEL, PATHS, ask, board, carry_out, errors

UNIT = "[unit]\nquiescent_a = 6.6e-3\nboot_time_s = 0.05\n[rail]\nvoltage_v = 3.3\n"
PIN = "\n[[pins]]\nname = 'D1'\nnode_capacitance_f = 1e-9\n"


def _supply(pin: str = "", unit: str = UNIT, part: str = "") -> Supply:
    world = World(board(f"{IDEAL}{unit}[supply]\n{part}\n{PATHS}{PIN}{pin}\n"))
    assert world.board.supply is not None
    return Supply(world, "Invented Instruments,Supply,1,1", world.board.supply)


def _on(supply: Supply, volts: float, limit_a: float = 0.1) -> None:
    ask(supply, f"SOUR:CURR {limit_a};:SOUR:VOLT {volts};:OUTP ON")
    supply.world.move_to(supply.world.now_s + 0.1)


def _ampere(supply: Supply) -> float:
    return float(ask(supply, "MEAS:CURR?"))


@pytest.mark.parametrize(
    ("command", "query", "expected"),
    [
        ("SOUR:VOLT:LEV:IMM:AMPL 3.3", "SOUR:VOLT?", "+3.300000000E+00"),
        ("SOUR:CURR:LEV:IMM:AMPL 200 mA", "SOUR:CURR:LEV:IMM:AMPL?", "+2.000000000E-01"),
        ("SOUR:VOLT:PROT:LEV 4", "SOUR:VOLT:PROT?", "+4.000000000E+00"),
        ("OUTP ON", "OUTP:STAT?", "1"),
        ("OUTP ON;*RST", "OUTP:STAT?", "0"),
    ],
)
def test_each_setting_is_answered_as_it_was_set(command: str, query: str, expected: str) -> None:
    supply = _supply()
    ask(supply, command)
    assert ask(supply, query) == expected
    assert errors(supply) == []


def test_the_rail_ramps_and_falls_with_the_slew_of_the_supply() -> None:
    supply = _supply(part="slew_v_per_s = 100.0")
    ask(supply, "SOUR:VOLT 3.0;:OUTP ON")
    supply.world.move_to(0.015)
    assert supply.world.rail_v() == pytest.approx(1.5)
    supply.world.move_to(0.1)
    assert float(ask(supply, "MEAS:VOLT?")) == pytest.approx(3.0)
    ask(supply, "OUTP OFF")
    supply.world.move_to(1.0)
    assert supply.world.rail_v() == 0.0


def test_a_supply_switched_off_and_on_at_once_comes_back_to_its_level() -> None:
    """Used to stay on its way down to 0 V: it was compared with where the rail stood, not with where it went."""
    supply = _supply()
    _on(supply, 3.3)
    ask(supply, "OUTP OFF;:OUTP ON")
    supply.world.move_to(1.0)
    assert supply.world.rail_v() == pytest.approx(3.3)


@pytest.mark.parametrize("volts", [3.0, 3.3, 3.6])
def test_the_unit_at_rest_draws_its_quiescent_current_as_a_conductance(volts: float) -> None:
    """Ohm's law: 6.6 mA at 3.3 V are 2 mS."""
    supply = _supply()
    _on(supply, volts)
    assert _ampere(supply) == pytest.approx(2e-3 * volts, rel=1e-6)


def test_a_press_draws_from_the_rail_what_flows_through_its_resistor() -> None:
    """Ohm's law: 3.3 V through 1 kΩ and the pull-down of 60 kΩ in parallel with the meter of 10 MΩ."""
    supply = _supply(pin='pull_down = { kind = "linear", resistance_ohm = 6e4 }')
    _on(supply, 3.3)
    rest_a = _ampere(supply)
    supply.world.set_contact("select D1", True)
    supply.world.set_contact("press", True)
    supply.world.move_to(supply.world.now_s + 0.01)
    load_ohm = 1e3 + 1 / (1 / 60e3 + 1 / 10e6)
    assert _ampere(supply) - rest_a == pytest.approx(3.3 / load_ohm, rel=1e-4)


def test_a_pin_that_leaks_takes_its_leak_and_its_buffer_s_current_from_the_rail() -> None:
    """At the rest point of a node that nothing else loads the leak is the pull-down's current (Kirchhoff); at the
    threshold the input buffer takes its whole shoot-through besides."""
    supply = _supply(
        unit=UNIT.replace("[rail]", "shoot_through_a = 1.5e-4\ninput_threshold_v = 1.7\n[rail]"),
        pin=f'pull_down = {{ kind = "linear", resistance_ohm = 6e4 }}\nleak = {MID_LEVEL}',
    )
    world = supply.world
    _on(supply, 3.3)
    rest_a = _ampere(supply)
    world.set_contact("select D1", True)
    world.set_contact("press", True)
    world.move_to(world.now_s + 0.01)
    world.set_contact("press", False)
    world.set_contact("select D1", False)
    world.move_to(world.now_s + 0.1)
    node_v = world.pin_v("D1")
    assert 1.9 < node_v < 2.2
    stuck_a = _ampere(supply) - rest_a
    buffer_a = 1.5e-4 * 2.718281828 ** -(((node_v - 1.7) / 0.35) ** 2)
    assert stuck_a == pytest.approx(node_v / 60e3 + buffer_a, rel=1e-3)


def test_the_supply_gives_way_at_its_current_limit() -> None:
    """2 mS behind a limit of 3 mA: 1.5 V."""
    supply = _supply()
    _on(supply, 3.3, limit_a=3e-3)
    assert float(ask(supply, "MEAS:VOLT?")) == pytest.approx(1.5)


def test_a_supply_switched_off_and_on_at_one_instant_stays_at_its_voltage() -> None:
    """On a stepped bench no time passes between the guard that switches it off and the run that goes on."""
    supply = _supply()
    _on(supply, 3.3)
    ask(supply, "OUTP OFF")
    ask(supply, "OUTP ON")
    supply.world.move_to(supply.world.now_s + 1.0)
    assert float(ask(supply, "MEAS:VOLT?")) == pytest.approx(3.3)


def test_a_leak_that_scales_with_the_rail_does_so() -> None:
    """At a rail of 1.5 times the stated one, 1.5 times the current at 1.5 times the voltage."""
    scaled = 'leak_rail_v = 2.4\npull_down = { kind = "missing" }\nleak = { kind = "plain", current_a = 2e-5 }'
    supply = _supply(pin=scaled)
    _on(supply, 3.6)
    supply.world.bus_v()  # lets the ramp happen
    current = supply.world.wiring.pin_current("D1")
    assert current(1.5 * 1.2) == pytest.approx(1.5 * 2e-5, rel=1e-6)


def test_a_unit_without_power_says_nothing_and_comes_up_with_its_pins_at_their_defaults() -> None:
    supply = _supply()
    console = BoardConsole(supply.world)
    assert carry_out(supply.world, console, "id") is None
    _on(supply, 3.3)
    assert carry_out(supply.world, console, "setup D1 buffer off") == "ok"
    ask(supply, "OUTP OFF")
    supply.world.move_to(supply.world.now_s + 0.1)
    assert carry_out(supply.world, console, "read D1") is None
    ask(supply, "OUTP ON")
    began_s = supply.world.now_s
    assert carry_out(supply.world, console, "setup? D1") is None  # still ramping, below its brown-out
    supply.world.move_to(began_s + 0.005)
    assert carry_out(supply.world, console, "setup? D1") == "reset default"
    assert supply.world.now_s - began_s == pytest.approx(3.3 / 500 + 0.05)


def test_a_level_above_the_protection_trips_the_output() -> None:
    supply = _supply()
    _on(supply, 3.3)
    ask(supply, "SOUR:VOLT:PROT 4;:SOUR:VOLT 4.5")
    assert ask(supply, "OUTP?") == "0"


def test_a_hold_relay_draws_its_pin_s_current_from_the_rail_and_couples_its_neighbour() -> None:
    """Kirchhoff: 3.3 V over 1 kΩ into 60 kΩ and the 100 kΩ to D1, which rests at 60/160 of the rail."""
    more = '\n[[pins]]\nname = "D2"\nnode_capacitance_f = 1e-9\n'
    holds = '[wiring.hold]\nD2 = { channel = "relay_board 9", resistor_ohm = 1000.0 }\n'
    world = World(board(f"{IDEAL}{UNIT}[supply]\n{PATHS}{holds}{PIN}couplings = {{ D2 = 100e3 }}\n{more}"))
    assert world.board.supply is not None
    supply = Supply(world, "Invented Instruments,Supply,1,1", world.board.supply)
    _on(supply, 3.3)
    rest_a = _ampere(supply)
    world.set_contact("hold D2", True)
    world.move_to(world.now_s + 0.1)
    held_v = 3.3e-3 / (1e-3 + 1 / 60e3 + 1 / 100e3)
    assert world.pin_v("D1") == pytest.approx(3.3 * 60 / 160, rel=1e-4)
    assert world.pin_v("D2") == pytest.approx(held_v, rel=1e-4)
    assert _ampere(supply) - rest_a == pytest.approx((3.3 - held_v) / 1e3, rel=1e-3)
    world.set_contact("hold D2", False)
    world.move_to(world.now_s + 0.1)
    assert world.pin_v("D1") == pytest.approx(0.0, abs=1e-3)
