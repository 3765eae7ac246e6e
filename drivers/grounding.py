"""Joining the bus to where its pins rest, through the discharge relay: for a while, or as a changeover contact does."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial

from drivers.clock import Clock
from drivers.contacts import Contacts
from drivers.errors import WiringError
from drivers.undo import undoing
from drivers.wiring import Channel


class Grounding:
    """The discharge relay of a bench; `relay` None: it has none."""

    def __init__(self, clock: Clock, contacts: Contacts, relay: Channel | None) -> None:
        self._clock = clock
        self._contacts = contacts
        self._relay = relay
        self._is_closed = False

    def discharge(self, seconds: float) -> None:
        """Through the discharge relay for this long; without one, wait as long."""
        if self._relay is None:
            self._clock.wait(seconds)
            return
        with undoing(partial(self._contacts.open, self._relay)):
            self._contacts.relays.close(self._relay)
            self._clock.wait(seconds)

    def check(self) -> None:
        """Raises WiringError where there is no relay to ground a pin with; nothing is sent."""
        if self._relay is None:
            raise WiringError("wiring.discharge: to ground a pin as a changeover contact does takes a discharge relay")

    def ground(self) -> None:
        """Close the discharge relay; there is one (see check)."""
        if self._relay is not None:
            self._is_closed = True  # even where that fails half-way: it may have closed all the same
            self._contacts.close(self._relay)

    def part(self) -> None:
        """Open the discharge relay; nothing is sent where it was opened since."""
        if self._relay is not None and self._is_closed:
            self._contacts.open(self._relay)
            self._is_closed = False

    def all_opened(self) -> None:
        """Every relay is open."""
        self._is_closed = False

    @contextmanager
    def at_ground(self) -> Iterator[None]:
        """The bus at ground through the discharge resistor meanwhile, where there is a relay for that."""
        if self._relay is None:
            yield
            return
        with undoing(self.part):
            self.ground()
            yield
