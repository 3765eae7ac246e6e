"""Two wires on one channel, a relay without its resistor and a wire to nowhere are refused before anything is sent."""

from __future__ import annotations

import pytest

from drivers.errors import WiringError
from drivers.wiring import Channel, Wiring
from tests.drivers.scripted import full_wiring


def test_two_wires_on_one_channel_are_refused() -> None:
    with pytest.raises(WiringError) as caught:
        Wiring(select={"D1": Channel("switch", "101"), "D2": Channel("switch", "101")})
    assert str(caught.value) == "wiring: select.D2 and select.D1 are both on channel switch 101"


def test_the_same_number_on_two_devices_is_two_channels() -> None:
    wiring = Wiring(select={"D1": Channel("switch", "1")}, fit={"47 kΩ": Channel("relay_board", "1")})
    assert [f"{wire}={channel}" for wire, channel in wiring.wires()] == [
        "select.D1=switch 1",
        "fit.47 kΩ=relay_board 1",
    ]


@pytest.mark.parametrize("ohm", [None, 0.0, -1.0])
def test_a_press_relay_needs_a_resistor(ohm: float | None) -> None:
    with pytest.raises(WiringError, match=r"wiring.press: needs a resistor above 0 Ω"):
        Wiring(press=Channel("switch", "201"), press_ohm=ohm)


def test_a_rail_relay_needs_a_resistor() -> None:
    with pytest.raises(WiringError, match=r"wiring.rail: needs a resistor above 0 Ω: None"):
        Wiring(rail=Channel("switch", "203"))


def test_a_wire_to_a_device_that_is_not_there_is_refused() -> None:
    full_wiring().check_devices(("switch", "relay_board"))
    with pytest.raises(WiringError) as caught:
        full_wiring().check_devices(("switch",))
    assert str(caught.value) == "wiring.fit.47 kΩ: relay_board 1: this bench has no relay_board"


def test_a_press_and_what_releases_it_lead_to_different_ends() -> None:
    Wiring(press_to="ground", resistors_to="rail")
    with pytest.raises(WiringError, match="press and trial resistors both lead to the ground: nothing is released"):
        Wiring(press_to="ground")
