"""The simulated chamber takes the board to its temperature with one time constant, and back to the room."""

from __future__ import annotations

import math

import pytest

from drivers.simulated.chamber import Chamber
from drivers.simulated.world import World
from tests.drivers.simulated.by_hand import IDEAL, PATHS, ask, board, errors

PIN = "\n[[pins]]\nname = 'D1'\nleak_doubling_k = 10.0\nleak = { kind = 'plain', current_a = 1e-6 }\n"


def _chamber() -> Chamber:
    world = World(board(f"temperature_k = 296.15\n{IDEAL}[chamber]\ntime_constant_s = 10.0\n{PATHS}{PIN}"))
    assert world.board.chamber is not None
    return Chamber(world, "Invented Instruments,Chamber,1,1", world.board.chamber)


def test_the_board_follows_with_one_time_constant() -> None:
    """1 − 1/e of the way after one time constant (mathematics)."""
    chamber = _chamber()
    ask(chamber, "SOUR:TEMP:LEV:IMM:AMPL 43;:OUTP ON")
    chamber.world.move_to(10.0)
    assert float(ask(chamber, "MEAS:TEMP?")) == pytest.approx(43.0 - 20.0 / math.e)
    chamber.world.bus_v()  # lets what is due happen
    assert chamber.world.wiring.temperature_k == pytest.approx(43.0 - 20.0 / math.e + 273.15)
    chamber.world.move_to(200.0)
    chamber.world.bus_v()
    assert chamber.world.wiring.temperature_k == pytest.approx(43.0 + 273.15, abs=0.01)
    assert errors(chamber) == []


def test_a_leak_follows_the_board_and_the_room_comes_back_when_it_is_off() -> None:
    """Twenty kelvin above its reference a leak that doubles every ten has four times its current."""
    chamber = _chamber()
    world = chamber.world
    ask(chamber, "SOUR:TEMP 43;:OUTP ON")
    world.move_to(200.0)
    world.bus_v()
    assert world.wiring.pin_current("D1")(1.0) + 1 / 60e3 == pytest.approx(4e-6, rel=1e-3)
    ask(chamber, "OUTP OFF")
    world.move_to(400.0)
    world.bus_v()
    assert float(ask(chamber, "MEAS:TEMP?")) == pytest.approx(23.0, abs=1e-6)
    assert world.wiring.pin_current("D1")(1.0) + 1 / 60e3 == pytest.approx(1e-6, rel=1e-2)


@pytest.mark.parametrize(("command", "number"), [("SOUR:TEMP 500", -222), ("SOUR:TEMP", -109), ("MEAS:TEMP? 3", -108)])
def test_what_it_cannot_do_is_an_error(command: str, number: int) -> None:
    chamber = _chamber()
    ask(chamber, command)
    assert errors(chamber) == [number]
