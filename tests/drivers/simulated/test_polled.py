"""A pin whose buffer is polled leaks only while it is being read, and its console tells what was read last."""

from __future__ import annotations

import numpy as np
import pytest

from drivers.simulated.board_file import BoardFileError, parse_board
from drivers.simulated.console import BoardConsole
from drivers.simulated.meter import Meter
from drivers.simulated.world import World
from tests.drivers.simulated.by_hand import IDEAL, MID_LEVEL, PATHS, ask, board, carry_out, logged

PIN = f'[[pins]]\nname = "D1"\nnode_capacitance_f = 1e-8\nleak = {MID_LEVEL}\n'
TEXT = IDEAL + PATHS + PIN


def at(world: World, time_s: float) -> World:
    world.move_to(time_s)
    return world


def latched(world: World) -> None:
    """Pressed from 50 ms to 100 ms from now, then let go."""
    begun_s = world.now_s
    at(world, begun_s + 0.05).set_contact("select D1", True)
    world.set_contact("press", True)
    at(world, begun_s + 0.1).set_contact("press", False)


def test_the_last_poll_is_what_the_console_reads() -> None:
    world = World(board(TEXT))
    console = BoardConsole(world)
    assert carry_out(world, console, "setup D1 polled buffer") == "ok"
    assert carry_out(world, console, "setup? D1") == "polled buffer"
    assert carry_out(at(world, 0.049), console, "read D1") == "off"
    assert carry_out(at(world, 0.051), console, "read D1") == "low"
    at(world, 0.06).set_contact("select D1", True)
    world.set_contact("press", True)
    assert carry_out(at(world, 0.099), console, "read D1") == "low"
    assert carry_out(at(world, 0.101), console, "read D1") == "high"
    world.set_contact("press", False)
    assert carry_out(at(world, 0.14), console, "read D1") == "high"
    assert carry_out(at(world, 0.151), console, "read D1") == "low"


def test_a_pin_that_would_latch_falls_between_the_polls() -> None:
    """60 kΩ and 10 nF: 36.788 % after one time constant of 0.6 ms, counted from the release (any textbook)."""
    always, polled = World(board(TEXT)), World(board(TEXT))
    polled.set_setup("polled buffer", "D1")
    for world in (always, polled):
        latched(world)
    assert at(always, 0.13).bus_v() == pytest.approx(2.03, abs=0.01)
    # The meter's 10 MΩ and the press relay's own resistance are the rest.
    tau_s = 1e-8 / (1.0 / 60e3 + 1.0 / 10e6)
    held_v = 3.3 / (1.0 + 1e3 * (1.0 / 60e3 + 1e-7))
    # A poll begins at the very release and adds 120 µA for 20 µs where the node is below 2 V: not here.
    assert at(polled, 0.1 + tau_s).bus_v() == pytest.approx(held_v * np.exp(-1.0), rel=2e-3)
    assert at(polled, 0.13).bus_v() < 1e-6


def test_the_leak_acts_for_as_long_as_the_buffer_is_open() -> None:
    """At 1.5 V and 10 nF, 120 µA less 25 µA of the pull-down lift the node by 0.19 V in 20 µs."""
    text = TEXT.replace("[[pins]]", "[unit]\npoll_period_s = 1e-3\n[[pins]]", 1)
    world = World(board(text))
    at(world, 0.05).set_contact("select D1", True)
    world.set_contact("press", True)
    at(world, 0.1).set_setup("polled buffer", "D1")
    # Let go 0.5 ms before a poll: at 3.24 V · exp(−0.5/0.597) = 1.40 V the buffer opens.
    at(world, 0.1105).set_contact("press", False)
    before_v, after_v = at(world, 0.111).bus_v(), at(world, 0.111 + 20e-6).bus_v()
    assert after_v - before_v == pytest.approx((120e-6 - 1.45 / 60e3) * 20e-6 / 1e-8, rel=0.02)
    assert at(world, 0.111 + 500e-6).bus_v() < before_v


def test_polls_that_nobody_watched_have_been_all_the_same() -> None:
    """Who looks when changes no bit; a setup that ends the polls does not undo those that were."""
    text = TEXT.replace("[[pins]]", "[unit]\npoll_period_s = 1e-3\n[[pins]]", 1)
    traces = []
    for looks in (0, 40):
        world = World(board(text))
        world.set_setup("polled buffer", "D1")
        latched(world)
        for instant in np.linspace(0.1, 0.1025, looks):
            at(world, float(instant)).bus_v()
        at(world, 0.1025).set_setup("buffer off", "D1")
        traces.append(at(world, 0.103).bus_v())
    assert traces[0] == traces[1]
    assert traces[0] > 0.01


def test_a_reset_ends_the_polls() -> None:
    world = World(board(TEXT))
    console = BoardConsole(world)
    carry_out(world, console, "setup D1 polled buffer")
    at(world, 0.2)
    assert carry_out(world, console, "reset") == "ok"
    assert carry_out(world, console, "setup? D1") == "reset default"
    latched(world)
    assert at(world, 0.4).bus_v() == pytest.approx(2.03, abs=0.01)
    assert world.polled_high("D1") is None


def test_a_log_over_many_polls_is_flat_where_nothing_leaks() -> None:
    world = World(board(TEXT.replace("[[pins]]", "[unit]\npoll_period_s = 2e-3\n[[pins]]", 1)))
    meter = Meter(world, "x")
    world.set_setup("polled buffer", "D1")
    world.set_contact("select D1", True)
    ask(meter, "SENS:VOLT:DC:RANG 10;APER 50E-6;:CAL:ZERO:AUTO OFF")
    ask(meter, "TRIG:SOUR TIM;TIM 1E-4;COUN 1000;:TRAC:POIN 1000;FEED SENS;FEED:CONT NEXT;:INIT")
    world.move_to(world.now_s + 0.2)
    assert np.abs(logged(meter)).max() < 1e-4


def test_the_buffer_must_close_before_it_opens_again() -> None:
    with pytest.raises(BoardFileError, match=r"poll_open_s must be below poll_period_s of 0\.05: 0\.05"):
        parse_board(TEXT.replace("[[pins]]", "[unit]\npoll_open_s = 0.05\n[[pins]]", 1))


def test_a_pin_may_be_polled_from_power_up() -> None:
    world = World(board(TEXT.replace('name = "D1"', 'name = "D1"\nsetup = "polled buffer"')))
    assert carry_out(at(world, 0.06), BoardConsole(world), "read D1") == "low"
