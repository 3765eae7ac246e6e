"""A board without its supply is fed through the clamp diode of a pin, as Kirchhoff and Ohm have it."""

from __future__ import annotations

import pytest

from drivers.simulated.back_power import balance_v, line_feed
from drivers.simulated.circuit import Drive
from drivers.simulated.leak import CLAMP_FORWARD_V, CLAMP_OHM
from drivers.simulated.supply import Supply
from drivers.simulated.world import World
from tests.drivers.simulated.by_hand import ask, board

LINE = '[[lines]]\nname = "console"\nvoltage_v = {volts}\nresistance_ohm = 1000.0\n'
HEAD = """
[unit]
quiescent_a = {quiescent}
[rail]
voltage_v = 3.3
[supply]
on = true
{line}
[wiring]
source = {{ channel = "relay_board 3", resistor_ohm = 100.0 }}
[wiring.select]
D1 = "switch 101"
[[pins]]
name = "D1"
"""


def _world(quiescent_a: float = 0.0, line: str = "") -> tuple[World, Supply]:
    world = World(board(HEAD.format(quiescent=quiescent_a, line=line)))
    assert world.board.supply is not None
    return world, Supply(world, "supply", world.board.supply)


def _after(world: World, seconds: float = 0.1) -> float:
    world.move_to(world.now_s + seconds)
    return world.rail_v()


def test_the_rail_stands_where_feed_and_load_balance() -> None:
    """U_line - U_f = V + V G (R_line + R_clamp): Ohm's law around the one loop there is."""
    for line_v, line_ohm, load_s in ((3.3, 1000.0, 1.8e-3), (5.0, 100.0, 1e-4), (3.3, 50.0, 0.02)):
        expected = (line_v - CLAMP_FORWARD_V) / (1 + load_s * (line_ohm + CLAMP_OHM))
        assert balance_v([line_feed(line_v, line_ohm)], load_s, line_v) == pytest.approx(expected, rel=1e-12)
    assert balance_v([line_feed(3.3, 100.0)], 0.0, 3.3) == pytest.approx(3.3 - CLAMP_FORWARD_V)
    assert balance_v([], 1e-3, 3.3) == 0.0
    two = balance_v([line_feed(3.3, 1000.0), line_feed(3.3, 1000.0)], 1.8e-3, 3.3)
    assert two == pytest.approx(2.9 / (1 + 1.8e-3 * 1020.0 / 2))


def test_a_line_that_is_high_holds_a_board_up_one_diode_below_itself() -> None:
    world, supply = _world(line=LINE.format(volts=3.3))
    assert _after(world) == pytest.approx(3.3)
    ask(supply, "OUTP OFF")
    assert _after(world) == pytest.approx(3.3 - CLAMP_FORWARD_V)
    assert world.is_up()
    assert float(ask(supply, "MEAS:VOLT?")) == pytest.approx(2.9)
    assert float(ask(supply, "MEAS:CURR?")) == pytest.approx(0.0, abs=1e-9)
    ask(supply, "VOLT 0;:OUTP ON")
    assert _after(world) == pytest.approx(2.9)
    assert float(ask(supply, "MEAS:CURR?")) == pytest.approx(0.0, abs=1e-9)
    ask(supply, "VOLT 3.3")
    assert _after(world) == pytest.approx(3.3)


def test_without_such_a_line_a_board_that_is_switched_off_is_off() -> None:
    world, supply = _world(quiescent_a=6e-3)
    ask(supply, "OUTP OFF")
    assert _after(world) == 0.0
    assert not world.is_up()


def test_what_the_board_draws_pulls_a_fed_rail_down() -> None:
    world, supply = _world(quiescent_a=6e-3, line=LINE.format(volts=3.3))
    ask(supply, "OUTP OFF")
    assert _after(world) == pytest.approx(2.9 / (1 + 6e-3 / 3.3 * 1020.0))


def test_a_line_above_the_rail_relieves_the_supply_and_raises_a_rail_that_draws_little() -> None:
    draws, supply = _world(quiescent_a=6e-3, line=LINE.format(volts=5.0))
    assert _after(draws) == pytest.approx(3.3)
    assert float(ask(supply, "MEAS:CURR?")) == pytest.approx(6e-3 - (4.6 - 3.3) / 1020.0, rel=1e-3)
    idle, supply = _world(line=LINE.format(volts=5.0))
    assert _after(idle) == pytest.approx(4.6)
    assert float(ask(supply, "MEAS:CURR?")) == pytest.approx(0.0, abs=1e-9)


def test_a_source_joined_to_a_pin_powers_a_board_that_is_off_until_it_lets_go() -> None:
    world, supply = _world(quiescent_a=1e-3)
    ask(supply, "OUTP OFF")
    world.set_contact("select D1", True)
    world.set_drive(Drive("voltage", to_v=3.3, limit=1e-3))
    assert _after(world) == 0.0
    world.set_contact("source", True)
    fed_v = _after(world)
    assert 1.5 < fed_v < 2.9
    # The pin itself is one clamp above the rail that it feeds.
    assert world.pin_v("D1") == pytest.approx(fed_v + CLAMP_FORWARD_V, abs=0.05)
    world.set_contact("source", False)
    assert _after(world) == 0.0
