"""A simulated output watchdog hears nothing for so long, and the output is off, at that instant and by itself."""

from __future__ import annotations

import pytest

from drivers.simulated.instrument import Instrument
from drivers.simulated.source import Source
from drivers.simulated.supply import Supply
from drivers.simulated.world import World
from tests.drivers.simulated.by_hand import IDEAL, PATHS, ask, board

IDENTITY = "Invented Instruments,One,1,1"
PIN = '[supply]\nslew_v_per_s = 1e6\n[[pins]]\nname = "D1"\n'


@pytest.fixture
def world() -> World:
    return World(board(IDEAL + PATHS + PIN))


def made(world: World, role: str) -> Instrument:
    if role == "source":
        return Source(world, IDENTITY)
    assert world.board.supply is not None
    return Supply(world, IDENTITY, world.board.supply)


def is_driven(world: World, role: str) -> bool:
    seen = world.seen()
    return seen["source"] != "open" if role == "source" else seen["rail_v"] == pytest.approx(2.0, abs=0.05)


@pytest.mark.parametrize("role", ["source", "supply"])
def test_the_output_goes_off_when_nothing_is_heard(world: World, role: str) -> None:
    one = made(world, role)
    ask(one, "SOUR:VOLT 2.0;:OUTP:STAT ON;:OUTP:PROT:WATC 5")
    assert ask(one, "OUTP:PROT:WATC?") == "+5.000000000E+00"
    start_s = world.now_s
    for after_s in (4.0, 8.0, 12.0):  # every message feeds it
        world.move_to(start_s + after_s)
        assert ask(one, "OUTP:PROT:WATC:TRIP?") == "0"
    world.move_to(start_s + 16.9)
    assert is_driven(world, role)
    world.move_to(start_s + 17.1)
    assert not is_driven(world, role)
    assert ask(one, "OUTP:PROT:WATC:TRIP?;:OUTP:STAT?") == "1;0"
    ask(one, "OUTP:PROT:WATC 5")
    assert ask(one, "OUTP:PROT:WATC:TRIP?") == "0"


@pytest.mark.parametrize("role", ["source", "supply"])
@pytest.mark.parametrize("off", ["OUTP:PROT:WATC 0", "*RST;:SOUR:VOLT 2.0;:OUTP:STAT ON"])
def test_one_that_is_off_does_nothing(world: World, role: str, off: str) -> None:
    one = made(world, role)
    ask(one, "SOUR:VOLT 2.0;:OUTP:STAT ON;:OUTP:PROT:WATC 5")
    ask(one, off)
    world.move_to(world.now_s + 100.0)
    assert is_driven(world, role)
