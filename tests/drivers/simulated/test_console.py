"""The line devices answer one line a line, and say in one line what they do not know."""

from __future__ import annotations

import json

import pytest

from drivers.simulated.circuit import Drive
from drivers.simulated.console import BoardConsole, Hand, RelayBoard
from drivers.simulated.world import World
from tests.drivers.simulated.by_hand import IDEAL, MID_LEVEL, PATHS, board, carry_out

PINS = f'[[pins]]\nname = "D1"\nleak = {MID_LEVEL}\n[[pins]]\nname = "D2"\nsetup = "buffer off"\n'


@pytest.fixture
def world() -> World:
    return World(board(IDEAL + PATHS + PINS))


def _press_and_release(world: World, pin: str) -> None:
    world.set_contact(f"select {pin}", True)
    world.set_contact("press", True)
    world.move_to(world.now_s + 0.05)
    world.set_contact("press", False)
    world.move_to(world.now_s + 0.05)


def test_the_relay_board_closes_opens_and_lists(world: World) -> None:
    relays = RelayBoard(world, "Invented Instruments,Relays,1,1")
    lines = ["IDN?", "CLOSED?", "CLOSE 1", "CLOSE 4", "CLOSE 16", "CLOSED?", "OPEN 4", "CLOSED?", "OPEN ALL", "CLOSED?"]

    assert [carry_out(world, relays, line) for line in lines] == [
        "Invented Instruments,Relays,1,1",
        "NONE",
        "OK",
        "OK",
        "OK",
        "1 4 16",
        "OK",
        "1 16",
        "OK",
        "NONE",
    ]


def test_the_relay_board_moves_the_contacts_wired_to_it(world: World) -> None:
    relays = RelayBoard(world, "x")
    carry_out(world, relays, "CLOSE 1")
    world.move_to(0.1)
    assert world.bus_v() > 3.29
    carry_out(world, relays, "OPEN ALL")
    world.move_to(0.2)
    assert world.bus_v() < 1e-3


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("CLOSE 17", "ERR 3 no relay 17"),
        ("CLOSE 0", "ERR 3 no relay 0"),
        ("CLOSE one", "ERR 2 not a relay number: one"),
        ("OPEN -1", "ERR 2 not a relay number: -1"),
        ("close 1", "ERR 1 unknown command"),
        ("CLOSE", "ERR 1 unknown command"),
        ("CLOSE 1 2", "ERR 1 unknown command"),
    ],
)
def test_the_relay_board_refuses_in_one_line(world: World, line: str, expected: str) -> None:
    assert carry_out(world, RelayBoard(world, "x"), line) == expected


def test_the_console_names_the_board_and_takes_a_setup(world: World) -> None:
    console = BoardConsole(world)

    assert carry_out(world, console, "id") == "Fernhill irrigation controller,C,FH-2417-001,1.4"
    assert carry_out(world, console, "setup? D2") == "buffer off"
    assert carry_out(world, console, "setup D2 pull-down off") == "ok"
    assert carry_out(world, console, "setup? D2") == "pull-down off"


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("setup D9 buffer off", "error: no pin 'D9'"),
        ("setup D1 half on", "error: no setup 'half on'"),
        ("setup? D9", "error: no pin 'D9'"),
        ("read D9", "error: no pin 'D9'"),
        ("read", "error: unknown command"),
        ("RESET", "error: unknown command"),
    ],
)
def test_the_console_refuses_in_one_line(world: World, line: str, expected: str) -> None:
    assert carry_out(world, BoardConsole(world), line) == expected


def test_a_reset_takes_the_boot_time_and_gives_every_pin_its_default(world: World) -> None:
    console = BoardConsole(world)
    carry_out(world, console, "setup D1 output low")

    assert carry_out(world, console, "reset") == "ok"
    assert world.now_s == pytest.approx(5e-3)
    assert [carry_out(world, console, f"setup? {pin}") for pin in ("D1", "D2")] == ["reset default"] * 2


def test_the_board_reads_a_stuck_pin_high_and_a_released_one_low(world: World) -> None:
    console = BoardConsole(world)
    _press_and_release(world, "D1")

    assert carry_out(world, console, "read D1") == "high"
    assert carry_out(world, console, "read D2") == "off"
    carry_out(world, console, "setup D2 reset default")
    assert carry_out(world, console, "read D2") == "low"


@pytest.mark.parametrize(("setup", "released"), [("buffer off", True), ("output low", True), ("pull-down off", False)])
def test_opening_the_buffer_lets_a_latched_pin_go(world: World, setup: str, released: bool) -> None:
    console = BoardConsole(world)
    _press_and_release(world, "D1")
    assert world.bus_v() == pytest.approx(2.031, abs=1e-3)
    carry_out(world, console, f"setup D1 {setup}")
    world.move_to(world.now_s + 0.05)

    assert (world.bus_v() < 1e-3) is released


def test_a_hand_presses_through_its_own_resistor_and_lets_go() -> None:
    world = World(board(IDEAL + PATHS.replace("[wiring]", "[wiring]\nhand_press_resistor_ohm = 470.0") + PINS))
    hand = Hand(world)

    assert carry_out(world, hand, "PRESS D1") == "OK"
    world.move_to(0.1)
    assert world.bus_v() == pytest.approx(3.3 / (1 + 470.1 * (1 / 60e3 + 1e-7)), rel=1e-5)
    assert carry_out(world, hand, "RELEASE") == "OK"
    world.move_to(0.2)
    assert world.bus_v() == pytest.approx(2.031, abs=1e-3)


def test_a_button_bounces_when_it_is_pushed_and_when_it_is_let_go(world: World) -> None:
    edges = []
    for close in (True, False):
        most = 0
        for count in range(30):
            world.set_label(f"{close} {count}")
            contact = world.wiring.contacts["button"]
            most = max(most, len(contact.command(close, 0.0, world.chance(f"contact button {count}"))))
        edges.append(most)

    assert edges == [13, 7]


def test_a_resistor_fitted_by_hand_stays_on_its_pin_until_taken_off(world: World) -> None:
    hand = Hand(world)
    _press_and_release(world, "D1")
    assert carry_out(world, hand, "FIT D1 8200") == "OK"
    world.move_to(world.now_s + 0.05)
    assert world.bus_v() < 1e-3

    carry_out(world, hand, "CLIP none")
    _press_and_release(world, "D1")
    assert world.bus_v() < 1e-3
    assert carry_out(world, hand, "FIT D1 none") == "OK"
    _press_and_release(world, "D1")
    assert world.bus_v() == pytest.approx(2.031, abs=1e-3)


def test_the_chamber_warms_the_leak() -> None:
    plain = '{ kind = "plain", current_a = 1e-6, knee_v = 0.001 }\nleak_doubling_k = 10.0'
    world = World(board(IDEAL + PATHS + f'[[pins]]\nname = "D1"\nleak = {plain}\n'))
    hand = Hand(world)
    carry_out(world, hand, "CLIP D1")
    _press_and_release(world, "D1")
    cold_v = world.bus_v()
    assert carry_out(world, hand, "TEMPERATURE 316.15") == "OK"
    world.move_to(world.now_s + 0.05)

    assert cold_v == pytest.approx(1e-6 / (1 / 60e3 + 1e-7), rel=1e-3)
    assert world.bus_v() == pytest.approx(4 * cold_v, rel=1e-3)


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("PRESS D9", "ERR no pin 'D9'"),
        ("FIT D1 big", "ERR not a number: big"),
        ("FIT D1 -5", "ERR must be above zero: -5"),
        ("PRESS", "ERR unknown command"),
        ("TEMPERATURE nan", "ERR must be above zero: nan"),
    ],
)
def test_the_hand_refuses_in_one_line(world: World, line: str, expected: str) -> None:
    assert carry_out(world, Hand(world), line) == expected


def test_a_look_tells_how_contacts_source_and_rail_stand_and_not_what_instruments_say_of_them() -> None:
    world = World(board(IDEAL + '[faults]\nwelded = ["discharge"]\n' + PATHS + PINS))
    switch, hand = RelayBoard(world, "Invented Instruments,One,1,1"), Hand(world)
    carry_out(world, switch, "CLOSE 1")
    world.set_drive(Drive("voltage", to_v=2.0, limit=1e-3))
    world.move_to(world.now_s + 0.05)
    seen = json.loads(str(carry_out(world, hand, "LOOK")))
    assert (seen["closed"], seen["source"]) == (["press", "discharge"], "voltage")
    assert (seen["rail_v"], seen["time_s"]) == (3.3, world.now_s)
    assert seen["bus_v"] == pytest.approx(1.65, abs=0.01)
    carry_out(world, switch, "OPEN ALL")
    world.set_drive(Drive())
    world.move_to(world.now_s + 0.05)
    assert carry_out(world, switch, "CLOSED?") == "NONE"
    seen = json.loads(str(carry_out(world, hand, "LOOK")))
    assert (seen["closed"], seen["source"]) == (["discharge"], "open")


def test_a_coupon_latches_on_the_bus_and_no_console_knows_it() -> None:
    """It is a part of the fixture: the board can neither reset it nor read it."""
    coupon = f'[[coupons]]\nname = "stuck"\nchannel = "switch 125"\nresistance_ohm = 60e3\nleak = {MID_LEVEL}\n'
    world = World(board(IDEAL + PATHS + PINS + coupon))
    console = BoardConsole(world)
    assert carry_out(world, console, "read coupon-stuck") == "error: no pin 'coupon-stuck'"
    assert carry_out(world, console, "reset") == "ok"
    _press_and_release(world, "coupon-stuck")
    assert world.bus_v() == pytest.approx(2.03, abs=0.01)
    assert board(IDEAL + PATHS + PINS + coupon).contacts()["select coupon-stuck"].number == 125
