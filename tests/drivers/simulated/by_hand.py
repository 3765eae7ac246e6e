"""A simulated bench whose time is moved by hand: no sockets, no threads, every run equal to the last bit."""

from __future__ import annotations

from collections.abc import Generator
from typing import Protocol, TypeVar

import numpy as np

from drivers.simulated.board_file import Board, parse_board
from drivers.simulated.instrument import Instrument
from drivers.simulated.meter import Meter
from drivers.simulated.world import World

Value = TypeVar("Value")

IDEAL = """
[fixture]
capacitance_f = 1e-15
leakage_resistance_ohm = 1e15
[relays]
operate_s = 0.0
release_s = 0.0
closing_bounces = 0
opening_bounces = 0
on_ohm = 1e-6
[button]
off_ohm = 1e15
"""
"""A fixture that adds nothing, and relays that make and break at once."""

MID_LEVEL = (
    '{ kind = "mid level", plateau_a = 120e-6, up_v = 0.75, up_width_v = 0.06, down_v = 1.98, down_width_v = 0.055 }'
)

PATHS = """
[wiring]
press = { channel = "relay_board 1", resistor_ohm = 1000.0 }
discharge = { channel = "relay_board 2", resistor_ohm = 1000.0 }
source = { channel = "relay_board 3", resistor_ohm = 100.0 }
[[wiring.fit]]
nominal_ohm = 10000.0
channel = "relay_board 4"
[[wiring.fit]]
nominal_ohm = 8200.0
channel = "relay_board 5"
"""


class Device(Protocol[Value]):
    def run(self, message: str, /) -> Generator[float, None, Value]: ...


def board(text: str) -> Board:
    return parse_board(text)


def carry_out(world: World, device: Device[Value], message: str) -> Value:
    """One message; the world's time moves on as far as the device asks to wait."""
    steps = device.run(message)
    while True:
        try:
            world.move_to(next(steps))
        except StopIteration as end:
            value: Value = end.value
            return value


def ask(instrument: Instrument, message: str) -> str:
    """The reply to one message, without its terminator; empty where there is none."""
    reply = carry_out(instrument.world, instrument, message)
    return "" if reply is None else reply.decode("latin-1").removesuffix("\n")


def errors(instrument: Instrument) -> list[int]:
    """The numbers in the error queue, oldest first; the queue is empty afterwards."""
    found = []
    while (number := int(ask(instrument, "SYST:ERR?").partition(",")[0])) != 0:
        found.append(number)
    return found


def logged(meter: Meter) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """What the reading memory holds, by way of the binary format."""
    ask(meter, "FORM REAL,64;:FORM:BORD NORM")
    reply = carry_out(meter.world, meter, "TRAC:DATA?")
    assert reply is not None
    digits = int(reply[1:2])
    return np.frombuffer(reply[2 + digits : -1], dtype=">f8").astype(np.float64)


def press_and_release(
    world: World, meter: Meter, label: str, resistor: str | None = None
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """One trial of D1 as a bench does it: 1500 samples of 0.1 ms, released 20 ms into the log."""
    start_s = world.now_s
    ask(meter, f'DISP:TEXT "{label}"')
    world.set_contact("discharge", True)
    world.set_contact("select D1", True)
    if resistor:
        world.set_contact(resistor, True)
    world.move_to(start_s + 0.02)
    world.set_contact("discharge", False)
    world.move_to(start_s + 0.03)
    world.set_contact("press", True)
    world.move_to(start_s + 0.05)
    ask(meter, "SENS:VOLT:DC:RANG 10;APER 50E-6;:CAL:ZERO:AUTO OFF")
    ask(meter, "TRIG:SOUR TIM;TIM 1E-4;COUN 1500;:TRAC:POIN 1500;FEED SENS;FEED:CONT NEXT;:INIT")
    world.move_to(start_s + 0.072)
    world.set_contact("press", False)
    world.move_to(start_s + 0.25)
    trace = logged(meter)
    world.set_contact("select D1", False)
    if resistor:
        world.set_contact(resistor, False)
    world.move_to(start_s + 0.3)
    return trace
