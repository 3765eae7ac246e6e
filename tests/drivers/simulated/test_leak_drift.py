"""A leak that changes slowly while its node is high: it goes as one exponential, and stays with its pin."""

from __future__ import annotations

import math

import pytest

from drivers.simulated.world import World
from tests.drivers.simulated.by_hand import IDEAL, PATHS, board

DRIFTING = """
[[pins]]
name = "D1"
node_capacitance_f = 100e-12
leak = { kind = "plain", current_a = 10e-6, knee_v = 0.01 }
leak_drift = { factor = 1.6, time_constant_s = 40.0, above_v = 0.3, width_v = 0.01 }
"""
OTHER = '[[pins]]\nname = "D2"\n'
LOAD_S = 1e-7 + 1 / 60e3
"""10 MΩ of the meter beside the pull-down of 60 kΩ."""


def world_of(text: str) -> World:
    return World(board(IDEAL + PATHS + text + OTHER), 5)


def pressed_for(world: World, seconds: float) -> None:
    """Press D1 for so long, and let go."""
    world.set_contact("select D1", True)
    world.set_contact("press", True)
    world.move_to(world.now_s + seconds)
    world.set_contact("press", False)


def rest_v(drifted: float) -> float:
    """Ohm's law: the leak by so much drifted, through pull-down and meter."""
    return 10e-6 * (1.0 + 0.6 * drifted) / LOAD_S


def test_it_drifts_as_one_exponential_while_pressed_and_after_the_release() -> None:
    """s = 1 − exp(−t/τ); at 20 ms nothing is seen, after three time constants 95 %."""
    for held_s in (0.02, 20.0, 120.0):
        world = world_of(DRIFTING)
        pressed_for(world, held_s)
        for after_s in (0.01, 100.0):
            world.move_to(held_s + after_s)
            drifted = 1.0 - math.exp(-world.now_s / 40.0)
            assert world.bus_v() == pytest.approx(rest_v(drifted), abs=20e-6)


def test_it_goes_back_while_the_node_is_low_and_stays_with_a_pin_that_is_off_the_bus() -> None:
    world = world_of(DRIFTING)
    pressed_for(world, 120.0)
    world.set_contact("discharge", True)
    world.move_to(world.now_s + 40.0)
    world.set_contact("discharge", False)
    world.move_to(world.now_s + 0.001)
    warm = (1.0 - math.exp(-3.0)) * math.exp(-1.0)
    assert world.bus_v() == pytest.approx(rest_v(warm), abs=100e-6)
    # Off the bus it rests at 0.77 V by itself, above 0.3 V: it drifts on.
    world.set_contact("select D1", False)
    world.move_to(world.now_s + 40.0)
    world.set_contact("select D1", True)
    world.move_to(world.now_s + 0.001)
    assert world.bus_v() == pytest.approx(rest_v(1.0 - (1.0 - warm) * math.exp(-1.0)), abs=200e-6)


def test_behind_a_series_resistance_and_a_slow_meter_it_is_the_same_pin() -> None:
    for more in ("series_resistance_ohm = 1000.0\n", ""):
        text = f"[meter]\nstep_response_s = 1e-4\n{PATHS}{DRIFTING}{more}{OTHER}"
        world = World(board(IDEAL + text), 5)
        pressed_for(world, 120.0)
        world.move_to(120.05)
        # Less the 85 µV that the meter's current takes across 1 kΩ.
        assert world.bus_v() == pytest.approx(rest_v(1.0 - math.exp(-120.05 / 40.0)), abs=150e-6)


def test_a_leak_that_fades_and_one_that_is_switched_off() -> None:
    fading = DRIFTING.replace("factor = 1.6", "factor = 0.25")
    world = world_of(fading)
    pressed_for(world, 400.0)
    world.move_to(400.001)
    assert world.bus_v() == pytest.approx(0.25 * rest_v(0.0), abs=50e-6)
    world = world_of(DRIFTING)
    world.set_setup("buffer off", "D1")
    pressed_for(world, 400.0)
    world.move_to(400.001)
    assert abs(world.bus_v()) < 1e-6


def test_what_the_unit_draws_from_its_rail_drifts_too() -> None:
    world = world_of(DRIFTING)
    pressed_for(world, 400.0)
    world.move_to(400.01)
    drawn = world.rail_ampere() - world_of(OTHER.replace("D2", "D1")).rail_ampere()
    assert drawn == pytest.approx(16e-6, abs=0.2e-6)


def test_it_is_integrated_in_few_steps() -> None:
    """Minutes of drift cost no more than some hundred steps of the solver."""
    world = world_of(DRIFTING)
    pressed_for(world, 0.02)
    world.move_to(600.0)
    world.bus_v()
    assert len(world._bus._time_s) < 500
