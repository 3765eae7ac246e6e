"""The simulated switch closes and opens channel lists and reports what it was told."""

from __future__ import annotations

import pytest

from drivers.simulated.switch import Switch
from drivers.simulated.world import World
from tests.drivers.simulated.by_hand import ask, board, errors


@pytest.fixture
def switch() -> Switch:
    text = '[wiring]\npress = { channel = "switch 201" }\n[[pins]]\nname = "D1"\n[[pins]]\nname = "D2"\n'
    return Switch(World(board(text)), "Invented Instruments,Switch,1,1")


def test_a_list_is_closed_queried_and_opened(switch: Switch) -> None:
    assert ask(switch, "ROUT:CLOS (@101,103:105,201);:ROUT:CLOS? (@101,102,201)") == "1,0,1"
    assert ask(switch, "ROUT:CLOS:STAT?") == "(@101,103,104,105,201)"
    assert ask(switch, "ROUT:OPEN (@103:105);:ROUT:OPEN? (@101,103)") == "0,1"
    assert ask(switch, "ROUTe:OPEN:ALL;:ROUT:CLOS:STAT?") == "(@)"
    assert errors(switch) == []


def test_a_channel_moves_the_contact_that_is_wired_to_it(switch: Switch) -> None:
    ask(switch, "ROUT:CLOS (@102,201)")
    switch.world.move_to(0.1)
    assert switch.world.bus_v() == pytest.approx(3.3 * 60 / 61, rel=2e-3)

    ask(switch, "*RST")
    switch.world.move_to(0.2)
    assert switch.world.bus_v() < 1e-3


def test_operation_complete_waits_for_the_operate_time_not_for_the_bounce(switch: Switch) -> None:
    assert ask(switch, "ROUT:CLOS (@201);*OPC?") == "1"
    assert switch.world.now_s == pytest.approx(1e-3)


@pytest.mark.parametrize(
    ("command", "number"),
    [
        ("ROUT:CLOS (@149)", -222),
        ("ROUT:CLOS (@101,999)", -222),
        ("ROUT:CLOS 101", -104),
        ("ROUT:CLOS", -109),
        ("ROUT:CLOS (@101),(@102)", -108),
        ("ROUT:CLOS (101)", -171),
        ("ROUT:OPEN:ALL 1", -108),
        ("ROUT:CLOS:STAT", -113),
    ],
)
def test_a_channel_or_list_that_is_wrong_moves_nothing(switch: Switch, command: str, number: int) -> None:
    ask(switch, command)

    assert errors(switch) == [number]
    assert ask(switch, "ROUT:CLOS:STAT?") == "(@)"
