"""The known capacitors that are added to the bus: one at a time, joined and parted empty."""

from __future__ import annotations

from drivers.clock import Clock
from drivers.contacts import Contacts
from drivers.errors import WiringError
from drivers.grounding import Grounding
from drivers.operator import Operator
from drivers.wiring import NOTHING, Channel, Wiring, names_of

EMPTY_AFTER = 10.0
"""Time constants after which a capacitor counts as discharged: e⁻¹⁰ of 5 V is 0.2 mV."""


class Capacitors:
    """By relay, else by a person."""

    def __init__(
        self, *, clock: Clock, contacts: Contacts, wiring: Wiring, grounding: Grounding, operator: Operator | None
    ) -> None:
        self.added = NOTHING
        """The capacitor that is joined to the bus: its name, or "none"."""
        self._clock = clock
        self._contacts = contacts
        self._wiring = wiring
        self._grounding = grounding
        self._operator = operator

    @property
    def relay(self) -> Channel | None:
        """The closed relay of the one that is on the bus; None where there is none, or a person has joined it."""
        return self._wiring.add.get(self.added)

    @property
    def is_by_hand(self) -> bool:
        """Whether a person has joined one, and a person only can take it off."""
        return self.added != NOTHING and self.relay is None

    def check(self, name: str) -> None:
        """Raises WiringError where nobody can add it; nothing is sent."""
        if name != NOTHING and name not in self._wiring.add and self._operator is None:
            raise WiringError(f"wiring.add: no channel for {name!r}; there are {names_of(self._wiring.add)}")

    def add(self, name: str) -> None:
        """Have this capacitor on the bus and no other; nothing is sent or asked where it is there already.

        A charged capacitor is never joined to anything but the discharge resistor: while its relay moves, the bus is at
        ground (the rail, where pins rest there) through that, and the capacitor comes off at that level. Who joins one
        by hand is told to discharge it.
        """
        if name == self.added:
            return
        with self._grounding.at_ground():
            self._part()
            if name in self._wiring.add:
                self._contacts.close(self._wiring.add[name])
            elif name != NOTHING and self._operator is not None:
                self._operator.add(name)
            self.added = name
            self._empty(name)

    def _part(self) -> None:
        name, wiring = self.added, self._wiring
        self._empty(name)
        if name in wiring.add:
            self._contacts.open(wiring.add[name])
        elif name != NOTHING and self._operator is not None:
            self._operator.add(NOTHING)
        self.added = NOTHING

    def _empty(self, name: str) -> None:
        """Wait until a switched capacitor is empty, the bus being at ground."""
        wait_s = EMPTY_AFTER * (self._wiring.discharge_ohm or 0.0) * self._wiring.add_f.get(name, 0.0)
        if wait_s > 0.0:
            self._clock.wait(wait_s)

    def all_opened(self) -> None:
        """Every relay is open: only what a person has joined is still there."""
        self.added = self.added if self.is_by_hand else NOTHING
