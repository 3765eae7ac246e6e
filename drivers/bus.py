"""The bus: the common wire with the meter on it, and what relays and people put on it. Break before make throughout."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace

from drivers.capacitors import Capacitors
from drivers.clock import Clock
from drivers.contacts import Contacts
from drivers.errors import InstrumentError, LinkError, WiringError
from drivers.grounding import Grounding
from drivers.meter import Meter
from drivers.operator import Operator
from drivers.relays import Relays
from drivers.ways_to_rail import BUS_FALL_S, BusLook, WaysToRail
from drivers.wiring import NOTHING, Channel, Wiring, names_of

UNKNOWN = "unknown"
"""What a person has fitted on a bench without fit relays, until somebody has looked."""


class Bus:
    """Moves contacts and reads the meter. Whether a move is allowed now is the bench's business.

    Each `check_…` raises WiringError where the wiring cannot do it; nothing is sent. The discharge relay is its
    `grounding`, the added capacitor one of its `capacitors`, the relays to the rail are its `ways`.
    """

    def __init__(
        self,
        *,
        clock: Clock,
        meter: Meter,
        wiring: Wiring,
        relays: Relays,
        operator: Operator | None,
        meter_input_ohm: float | None,
        settle_s: float,
    ) -> None:
        self.pin: str | None = None
        self._clock = clock
        self._meter = meter
        self._wiring = wiring
        self._operator = operator
        self._interlock = relays.interlock
        self._contacts = Contacts(relays, clock, settle_s)
        self._connected: str | None = None
        self._switched = NOTHING
        self._times_opened = 0
        self._by_hand = UNKNOWN if operator is not None and not wiring.fit else NOTHING
        self.grounding = Grounding(clock, self._contacts, wiring.discharge)
        self.capacitors = Capacitors(
            clock=clock, contacts=self._contacts, wiring=wiring, grounding=self.grounding, operator=operator
        )
        self.ways = WaysToRail(
            clock=clock, contacts=self._contacts, meter=meter, wiring=wiring, meter_input_ohm=meter_input_ohm
        )

    @property
    def fitted(self) -> str:
        """The trial resistor on the bus: its name, "none", or "unknown" where nobody has looked yet."""
        return self._by_hand if self._switched == NOTHING else self._switched

    @property
    def rail_is_measurable(self) -> bool:
        """Whether `check_rail` passes as things stand."""
        try:
            self.check_rail()
        except WiringError:
            return False
        return True

    @property
    def is_switchable(self) -> bool:
        """Whether `check_free` passes as things stand."""
        try:
            self.check_free()
        except WiringError:
            return False
        return True

    @property
    def is_switched(self) -> bool:
        """Whether the pin on the bus is there through a select relay."""
        told = self._wiring.resistors_to == "ground" or self.ways.to_rest() is not None
        return self.pin is not None and self.pin in self._wiring.select and told

    def check_select(self, pin: str) -> None:
        if pin not in self._wiring.select and self._operator is None:
            raise WiringError(f"wiring.select: no channel for pin {pin!r}; there are {names_of(self._wiring.select)}")

    def select(self, pin: str) -> None:
        """Put this pin on the bus, the one before it taken off first; by hand where it is not switched."""
        self.take_off()
        if pin in self._wiring.select:
            self._contacts.close(self._wiring.select[pin])
        elif pin != self._connected and self._operator is not None:
            self._operator.connect(pin)
            self._connected = pin
        self.pin = pin

    def take_off(self) -> None:
        """Open the select relay of the pin on the bus. A pin connected by hand stays there until the next one."""
        pin, self.pin = self.pin, None
        if pin is not None and pin in self._wiring.select:
            self._contacts.open(self._wiring.select[pin])

    def check_fit(self, name: str) -> None:
        if self._operator is None and (self._is_by_hand(name) or self._by_hand != NOTHING):
            raise WiringError(f"wiring.fit: no channel for {name!r}; there are {names_of(self._wiring.fit)}")

    def fit(self, name: str) -> None:
        """Have this trial resistor on the bus and no other; nothing is sent or asked where it is there already."""
        if name == self.fitted:
            return
        if self._switched != NOTHING:
            self._contacts.open(self._wiring.fit[self._switched])
            self._switched = NOTHING
        wanted = name if self._is_by_hand(name) else NOTHING
        if wanted != self._by_hand and self._operator is not None:
            self._by_hand = UNKNOWN
            self._operator.fit(wanted, self._wiring.resistors_to)
            self._by_hand = wanted
        if name in self._wiring.fit:
            self._contacts.close(self._wiring.fit[name])
            self._switched = name

    def check_rail(self) -> None:
        """Raises WiringError where the rail cannot be measured as things stand."""
        self.ways.measured()
        self.check_free()

    def check_free(self) -> None:
        """Raises WiringError where something is on the bus that only a person can take off."""
        if self._connected is not None or self._by_hand != NOTHING:
            what = f"pin {self._connected}" if self._connected is not None else f"resistor {self._by_hand}"
            raise WiringError(f"wiring: nothing may be on the bus, and only a person can take off {what}")
        if self.capacitors.is_by_hand:
            what = f"capacitor {self.capacitors.added}"
            raise WiringError(f"wiring: nothing may be on the bus, and only a person can take off {what}")

    def rail_voltage(self) -> float:
        """The rail in volts, pin and resistor off the bus meanwhile; the divider with the meter's input corrected."""
        relay, ohm = self.ways.measured()
        with self.alone():
            return self.ways.corrected(self.ways.read(relay), ohm)

    def look(self, resistors: Sequence[str], source: Callable[[], tuple[float, float]] | None) -> BusLook:
        """Every way to the rail with nothing on the bus, then let go, then with each of these switched resistors.

        `source` forces a voltage on the bus before that, and lets go of it again: returns volts and amperes.
        """
        with self.alone():
            forced = None if source is None else source()
            return replace(self.ways.look(resistors), source=forced)

    def check_alone(self) -> None:
        if not self.is_switched:
            if self.pin in self._wiring.select:
                raise WiringError(
                    "wiring.discharge: no relay joins the bus to the rail, where pins rest: it says nothing"
                )
            raise WiringError(f"wiring.select: pin {self.pin!r} is not switched: the bus cannot be read alone")

    def alone_voltage(self) -> float:
        """Volts on the bus, pin and switched resistor off it meanwhile; joined to the rail where pins rest there, or
        the meter would pull it down."""
        with self.alone():
            way = self.ways.to_rest()
            if way is not None:
                return self.ways.read(way)
            # A meter with an input of gigaohms would hold the bus's charge for seconds.
            self.grounding.ground()
            self.grounding.part()
            self._clock.settle(BUS_FALL_S)
            return self._meter.read()

    def all_opened(self) -> None:
        """Every relay is open: nothing is on the bus but what a person has put there."""
        self.pin = None
        self._switched = NOTHING
        self._times_opened += 1
        self.grounding.all_opened()
        self.capacitors.all_opened()

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Pin, switched trial resistor and added capacitor off the bus, and back on afterwards."""
        contacts = [] if self.pin is None or self.pin not in self._wiring.select else [self._wiring.select[self.pin]]
        if self._switched != NOTHING:
            contacts.append(self._wiring.fit[self._switched])
        if self.capacitors.relay is not None:
            contacts.append(self.capacitors.relay)
        times_opened = self._times_opened
        for channel in contacts:
            self._contacts.open(channel)
        try:
            with self._interlock.bare():
                yield
        except (LinkError, InstrumentError, WiringError):
            raise  # the bench is in fault: nothing is closed any more
        except BaseException:
            if times_opened == self._times_opened:  # else all was made safe meanwhile, and stays so
                self._put_back(contacts)
            raise
        self._put_back(contacts)

    def _put_back(self, contacts: list[Channel]) -> None:
        for channel in reversed(contacts):
            self._contacts.close(channel)

    def _is_by_hand(self, name: str) -> bool:
        return name != NOTHING and name not in self._wiring.fit
