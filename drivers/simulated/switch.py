"""The simulated switch: SCPI channels to contacts.

Channels 101 to 148, 201 to 248 and 301 to 348, and whatever the board file wires beyond them. A channel that nothing is
wired to closes and opens all the same. What is reported is what was commanded: there is no read-back of the contacts.
"""

from __future__ import annotations

from collections.abc import Sequence

from drivers.simulated.clock import on_grid
from drivers.simulated.command import Argument
from drivers.simulated.instrument import Instrument
from drivers.simulated.parameter import bare, channels
from drivers.simulated.scpi_error import ScpiError
from drivers.simulated.world import World

CARDS = (1, 2, 3)
CHANNELS_A_CARD = 48


class Switch(Instrument):
    """SCPI switch. *OPC? answers after the relays' operate time; their bounce may go on after it."""

    def __init__(self, world: World, identity: str) -> None:
        super().__init__(world, identity)
        wired = world.board.contacts().items()
        self._contacts = {channel.number: name for name, channel in wired if channel.device == "switch"}
        numbers = {100 * card + index for card in CARDS for index in range(1, CHANNELS_A_CARD + 1)}
        self._closed = dict.fromkeys(sorted(numbers | self._contacts.keys()), False)
        self._settled_s = 0.0
        self.add("[ROUTe:]CLOSe", lambda a: self._command(a, True), self._query_closed)
        self.add("[ROUTe:]OPEN", lambda a: self._command(a, False), self._query_open)
        self.add("[ROUTe:]OPEN:ALL", bare(self._open_all))
        self.add("[ROUTe:]CLOSe:STATe", get=bare(self._list_closed))

    def reset(self) -> None:
        self._open_all()

    def pending_until(self) -> float | None:
        return self._settled_s if self._settled_s > self.now_s else None

    def _numbers(self, arguments: Sequence[Argument]) -> tuple[int, ...]:
        numbers = channels(arguments)
        for number in numbers:
            if number not in self._closed:
                raise ScpiError(-222, f"there is no channel {number}")
        return numbers

    def _command(self, arguments: Sequence[Argument], close: bool) -> None:
        for number in self._numbers(arguments):
            self._set(number, close)

    def _set(self, number: int, close: bool) -> None:
        self._closed[number] = close
        relays = self.world.board.relays
        self._settled_s = self.now_s + on_grid(relays.operate_s if close else relays.release_s)
        if number in self._contacts:
            self.world.set_contact(self._contacts[number], close)

    def _open_all(self) -> None:
        for number, closed in self._closed.items():
            if closed:
                self._set(number, False)

    def _query_closed(self, arguments: Sequence[Argument]) -> str:
        return ",".join(str(int(self._closed[number])) for number in self._numbers(arguments))

    def _query_open(self, arguments: Sequence[Argument]) -> str:
        return ",".join(str(int(not self._closed[number])) for number in self._numbers(arguments))

    def _list_closed(self) -> str:
        return "(@" + ",".join(str(number) for number, closed in self._closed.items() if closed) + ")"
