"""An instrument of the simulated bench that restarts comes up as its power finds it, and forgets what it was asked."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from drivers.simulated.chamber import Chamber
from drivers.simulated.console import BoardConsole, Hand, RelayBoard
from drivers.simulated.instrument import Instrument
from drivers.simulated.meter import Meter
from drivers.simulated.source import Source
from drivers.simulated.supply import Supply
from drivers.simulated.switch import Switch
from drivers.simulated.world import World
from tests.drivers.simulated.by_hand import IDEAL, MID_LEVEL, PATHS, ask, board, carry_out
from tests.drivers.simulated.test_serve import Peer, board_file, resources  # noqa: F401 (fixtures)

PIN = f'[supply]\n[chamber]\n[[pins]]\nname = "D1"\nleak = {MID_LEVEL}\n'
IDENTITY = "Invented Instruments,One,1,1"


@pytest.fixture
def world() -> World:
    return World(board(IDEAL + PATHS + PIN))


def _supply(world: World) -> Instrument:
    assert world.board.supply is not None
    return Supply(world, IDENTITY, world.board.supply)


def _chamber(world: World) -> Instrument:
    assert world.board.chamber is not None
    return Chamber(world, IDENTITY, world.board.chamber)


@pytest.mark.parametrize(
    ("make", "changes", "queries", "defaults"),
    [
        (
            lambda world: Meter(world, IDENTITY),
            ["FORM REAL,64", "FORM:BORD SWAP", "TRIG:COUN 7", "SYST:LFR 60", 'DISP:TEXT "D1"'],
            "FORM?;:FORM:BORD?;:TRIG:COUN?;:SYST:LFR?;:DISP:TEXT?",
            'ASC,0;NORM;1;+5.000000000E+01;""',
        ),
        (
            lambda world: Source(world, IDENTITY),
            ["OUTP:SMOD HIMP", "SOUR:VOLT:LEV:IMM:AMPL 3.3", "OUTP:STAT ON"],
            "OUTP:SMOD?;:OUTP:STAT?;:SOUR:VOLT:LEV:IMM:AMPL?",
            "NORM;0;+0.000000000E+00",
        ),
        (lambda world: Switch(world, IDENTITY), ["ROUT:CLOS (@101,102)"], "ROUT:CLOS:STAT?", "(@)"),
        (
            _supply,
            ["SOUR:VOLT:LEV:IMM:AMPL 3.3", "OUTP:STAT ON"],
            "OUTP:STAT?;:SOUR:VOLT:LEV:IMM:AMPL?",
            "0;+0.000000000E+00",
        ),
        (_chamber, ["SOUR:TEMP:LEV:IMM:AMPL 85", "OUTP:STAT ON"], "OUTP:STAT?", "0"),
    ],
    ids=["meter", "source", "switch", "supply", "chamber"],
)
def test_settings_are_at_their_defaults_and_power_on_alone_is_told(
    make: Callable[[World], Instrument], changes: list[str], queries: str, defaults: str, world: World
) -> None:
    """The power-on bit is bit 7 of the event status register (IEEE 488.2, 11.5.1.1; memory)."""
    instrument = make(world)
    assert ask(instrument, "*ESR?") == "128"
    for change in (*changes, "*ESE 4", "*SRE 32"):
        ask(instrument, change)
    assert ask(instrument, "*ESR?") == "0"
    assert ask(instrument, queries) != defaults
    ask(instrument, "NONSENSE")
    instrument.restart()
    assert ask(instrument, queries) == defaults
    assert ask(instrument, "*ESR?;*ESE?;*SRE?") == "128;0;0"
    assert ask(instrument, "SYST:ERR?") == '0,"No error"'


def test_a_reading_that_was_awaited_is_never_answered(world: World) -> None:
    meter = Meter(world, IDENTITY)
    ask(meter, "TRIG:COUN 5")
    steps = meter.run("READ?")
    world.move_to(next(steps))
    meter.restart()
    with pytest.raises(StopIteration) as ended:
        next(steps)
    assert ended.value.value is None
    assert ask(meter, "SYST:ERR?") == '0,"No error"'
    assert ask(meter, "TRAC:POIN:ACT?") == "0"


def test_a_source_that_restarts_lets_its_node_down_to_0_v(world: World) -> None:
    source = Source(world, IDENTITY)
    for message in ("OUTP:SMOD HIMP", "SOUR:VOLT:LEV:IMM:AMPL 3.3", "OUTP:STAT ON"):
        ask(source, message)
    world.set_contact("source", True)
    world.move_to(0.1)
    assert world.bus_v() == pytest.approx(3.3, abs=1e-3)
    source.restart()
    world.move_to(0.2)
    assert world.bus_v() == pytest.approx(0.0, abs=1e-3)


def test_relays_open_where_switch_or_relay_board_restarts(world: World) -> None:
    switch, relays = Switch(world, IDENTITY), RelayBoard(world, IDENTITY)
    ask(switch, "ROUT:CLOS (@101)")
    carry_out(world, relays, "CLOSE 1")
    carry_out(world, relays, "CLOSE 4")
    world.move_to(0.1)
    world.bus_v()  # what was noted down happens when somebody looks
    closed = ["select D1", "press", "fit 10000"]
    assert [world.wiring.contacts[name].closed for name in closed] == [True] * 3
    switch.restart()
    relays.restart()
    world.move_to(0.2)
    world.bus_v()
    assert [world.wiring.contacts[name].closed for name in closed] == [False] * 3
    assert carry_out(world, relays, "CLOSED?") == "NONE"


def test_a_board_that_restarts_forgets_its_setups_and_the_reset_in_hand(world: World) -> None:
    console = BoardConsole(world)
    world.set_rail(3.3, 0.0)
    assert carry_out(world, console, "setup D1 pull-down off") == "ok"
    steps = console.run("reset")
    world.move_to(next(steps))
    console.restart()
    with pytest.raises(StopIteration) as ended:
        next(steps)
    assert ended.value.value is None
    assert carry_out(world, console, "setup? D1") == "reset default"


def test_a_hand_restarts_what_there_is_and_nothing_else(world: World) -> None:
    told: list[bool] = []
    hand = Hand(world, {"meter": told.append})
    assert [carry_out(world, hand, line) for line in ("RESTART meter", "RESTART meter dropped")] == ["OK", "OK"]
    assert told == [False, True]
    assert carry_out(world, hand, "RESTART supply") == "ERR no instrument 'supply' restarts; there are meter"
    assert carry_out(world, hand, "RESTART meter now") == "ERR unknown command"


def test_connections_outlast_a_restart_or_break(resources: dict[str, str]) -> None:  # noqa: F811
    hand, meter, switch = (Peer(resources[role]) for role in ("hand", "meter", "switch"))
    meter.send("TRIG:COUN 7\n")
    assert meter.ask("TRIG:COUN?") == "7"
    assert hand.ask("RESTART meter") == "OK"
    assert meter.ask("TRIG:COUN?") == "1"
    assert hand.ask("RESTART meter dropped") == "OK"
    assert meter.file.readline() == b""
    assert switch.ask("*IDN?").startswith("Invented Instruments,Switch 48")
    again = Peer(resources["meter"])
    assert again.ask("*IDN?").startswith("Invented Instruments,Voltmeter 61")
    for peer in (hand, meter, switch, again):
        peer.close()
