"""The bus: the common wire with the meter on it, and what relays and people put on it. Break before make throughout."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial

from drivers.clock import Clock
from drivers.errors import InstrumentError, LinkError, WiringError
from drivers.meter import Meter
from drivers.operator import Operator
from drivers.relays import Relays
from drivers.undo import undoing
from drivers.wiring import NOTHING, Channel, Wiring

UNKNOWN = "unknown"
"""What a person has fitted on a bench without fit relays, until somebody has looked."""

EMPTY_AFTER = 10.0
"""Time constants after which a capacitor counts as discharged: e⁻¹⁰ of 5 V is 0.2 mV."""

BUS_FALL_S = 0.02
"""Bench seconds for the bus alone to fall: more than six time constants of 10 MΩ and 300 pF."""

FALLS_BELOW_OHM = 11e6
"""A meter of at most this input lets the bus fall by itself within BUS_FALL_S; gigaohms hold it for seconds."""


@dataclass(frozen=True)
class BusLook:
    """The bus with no pin on it, in volts, as read: the divider of relay's resistor and meter is in them.

    `rail_v` through the rail relay, `press_v` through the press relay, None where there is none. `fitted_v`: with each
    trial resistor, through the rail relay, else through the press relay. Where a press leads to ground, `press_v` is
    read with the rail relay closed, too, and `fitted_v` through the press relay. `alone_v`: let go of, a bus fall
    later; None where nothing would bring it down. `source`: volts and amperes that a source measured through its series
    relay.
    """

    rail_v: float | None
    press_v: float | None
    alone_v: float | None
    fitted_v: Mapping[str, float]
    source: tuple[float, float] | None = None


class Bus:
    """Moves contacts and reads the meter. Whether a move is allowed now is the bench's business.

    Each `check_…` raises WiringError where the wiring cannot do it; nothing is sent.
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
        self._relays = relays
        self._operator = operator
        self._meter_input_ohm = meter_input_ohm
        self._settle_s = settle_s
        self._connected: str | None = None
        self._switched = NOTHING
        self._added = NOTHING
        self._by_hand = UNKNOWN if operator is not None and not wiring.fit else NOTHING

    @property
    def fitted(self) -> str:
        """The trial resistor on the bus: its name, "none", or "unknown" where nobody has looked yet."""
        return self._by_hand if self._switched == NOTHING else self._switched

    @property
    def added(self) -> str:
        """The capacitor that is joined to the bus: its name, or "none"."""
        return self._added

    @property
    def _added_by_hand(self) -> bool:
        return self._added != NOTHING and self._added not in self._wiring.add

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
        told = self._wiring.resistors_to == "ground" or self._way_to_rest() is not None
        return self.pin is not None and self.pin in self._wiring.select and told

    def _way_to_rest(self) -> Channel | None:
        """The relay that joins the bus to the rail, where pins rest there; None where there is none."""
        if self._wiring.resistors_to == "ground":
            return None
        return self._wiring.rail if self._wiring.discharge is None else self._wiring.discharge

    def check_select(self, pin: str) -> None:
        if pin not in self._wiring.select and self._operator is None:
            raise WiringError(f"wiring.select: no channel for pin {pin!r}; there are {_names(self._wiring.select)}")

    def select(self, pin: str) -> None:
        """Put this pin on the bus, the one before it taken off first; by hand where it is not switched."""
        self.take_off()
        if pin in self._wiring.select:
            self._close(self._wiring.select[pin])
        elif pin != self._connected and self._operator is not None:
            self._operator.connect(pin)
            self._connected = pin
        self.pin = pin

    def take_off(self) -> None:
        """Open the select relay of the pin on the bus. A pin connected by hand stays there until the next one."""
        pin, self.pin = self.pin, None
        if pin is not None and pin in self._wiring.select:
            self._open(self._wiring.select[pin])

    def discharge(self, seconds: float) -> None:
        """Through the discharge relay for this long; without one, wait as long."""
        if self._wiring.discharge is None:
            self._clock.wait(seconds)
            return
        with undoing(partial(self._open, self._wiring.discharge)):
            self._relays.close(self._wiring.discharge)
            self._clock.wait(seconds)

    def check_ground(self) -> None:
        if self._wiring.discharge is None:
            raise WiringError("wiring.discharge: to ground a pin as a changeover contact does takes a discharge relay")

    def ground(self) -> None:
        """Close the discharge relay; the wiring has one (see check_ground)."""
        if self._wiring.discharge is not None:
            self._close(self._wiring.discharge)

    def part(self) -> None:
        """Open the discharge relay."""
        if self._wiring.discharge is not None:
            self._open(self._wiring.discharge)

    def check_fit(self, name: str) -> None:
        if self._operator is None and (self._is_by_hand(name) or self._by_hand != NOTHING):
            raise WiringError(f"wiring.fit: no channel for {name!r}; there are {_names(self._wiring.fit)}")

    def fit(self, name: str) -> None:
        """Have this trial resistor on the bus and no other; nothing is sent or asked where it is there already."""
        if name == self.fitted:
            return
        if self._switched != NOTHING:
            self._open(self._wiring.fit[self._switched])
            self._switched = NOTHING
        wanted = name if self._is_by_hand(name) else NOTHING
        if wanted != self._by_hand and self._operator is not None:
            self._by_hand = UNKNOWN
            self._operator.fit(wanted, self._wiring.resistors_to)
            self._by_hand = wanted
        if name in self._wiring.fit:
            self._close(self._wiring.fit[name])
            self._switched = name

    def check_add(self, name: str) -> None:
        if name != NOTHING and name not in self._wiring.add and self._operator is None:
            raise WiringError(f"wiring.add: no channel for {name!r}; there are {_names(self._wiring.add)}")

    def add(self, name: str) -> None:
        """Have this capacitor on the bus and no other; nothing is sent or asked where it is there already.

        A charged capacitor is never joined to anything but the discharge resistor: while its relay moves, the bus is at
        ground through that, and the capacitor comes off empty too. Who joins one by hand is told to discharge it.
        """
        if name == self._added:
            return
        with self._at_ground():
            self._part_added()
            if name in self._wiring.add:
                self._close(self._wiring.add[name])
            elif name != NOTHING and self._operator is not None:
                self._operator.add(name)
            self._added = name
            self._empty(name)

    def _part_added(self) -> None:
        name, wiring = self._added, self._wiring
        self._empty(name)
        if name in wiring.add:
            self._open(wiring.add[name])
        elif name != NOTHING and self._operator is not None:
            self._operator.add(NOTHING)
        self._added = NOTHING

    def _empty(self, name: str) -> None:
        """Wait until a switched capacitor is empty, the bus being at ground."""
        wait_s = EMPTY_AFTER * (self._wiring.discharge_ohm or 0.0) * self._wiring.add_f.get(name, 0.0)
        if wait_s > 0.0:
            self._clock.wait(wait_s)

    @contextmanager
    def _at_ground(self) -> Iterator[None]:
        """The bus at ground through the discharge resistor, where there is a relay for that."""
        relay = self._wiring.discharge
        if relay is None:
            yield
            return
        with undoing(partial(self._open, relay)):
            self._close(relay)
            yield

    def check_rail(self) -> None:
        self._way_to_rail()
        self.check_free()

    def check_free(self) -> None:
        """Raises WiringError where something is on the bus that only a person can take off."""
        if self._connected is not None or self._by_hand != NOTHING:
            what = f"pin {self._connected}" if self._connected is not None else f"resistor {self._by_hand}"
            raise WiringError(f"wiring: nothing may be on the bus, and only a person can take off {what}")
        if self._added_by_hand:
            what = f"capacitor {self._added}"
            raise WiringError(f"wiring: nothing may be on the bus, and only a person can take off {what}")

    def rail_voltage(self) -> float:
        """The rail in volts, pin and resistor off the bus meanwhile; the divider with the meter's input corrected."""
        relay, ohm = self._way_to_rail()
        with self.alone():
            return self.corrected(self._read_through(relay), ohm)

    def corrected(self, volts: float, ohm: float) -> float:
        """What stands behind a resistor of `ohm`, the meter's input being the other half of the divider."""
        return volts if self._meter_input_ohm is None else volts * (1.0 + ohm / self._meter_input_ohm)

    def look(self, resistors: Sequence[str], source: Callable[[], tuple[float, float]] | None) -> BusLook:
        """Every way to the rail with nothing on the bus, then let go, then with each of these switched resistors.

        `source` forces a voltage on the bus and lets go of it again: returns volts and amperes.
        """
        wiring = self._wiring
        # A resistor that ends at the rail shows against ground only, and there a press leads.
        to_rail = wiring.press_to == "rail"
        way = wiring.press if wiring.rail is None or not to_rail else wiring.rail
        with self.alone():
            forced = None if source is None else source()
            rail_v = None if wiring.rail is None else self._read_through(wiring.rail)
            press_v = None if wiring.press is None else self._read_pressed(wiring.press)
            alone_v = self._let_fall()
            wired = [name for name in resistors if name in wiring.fit] if way is not None else []
            fitted_v = {name: self._read_fitted(name, way) for name in wired if way is not None}
        return BusLook(rail_v, press_v, alone_v, fitted_v, forced)

    def _read_through(self, relay: Channel) -> float:
        with undoing(partial(self._open, relay)):
            self._close(relay)
            return self._meter.read()

    def _read_pressed(self, press: Channel) -> float:
        """Through the press relay. Where it leads to ground, with the rail relay closed beside it: the bus alone is at
        0 V whether the press relay closes or not."""
        if self._wiring.press_to == "rail" or self._wiring.rail is None:
            return self._read_through(press)
        with undoing(partial(self._open, self._wiring.rail)):
            self._close(self._wiring.rail)
            return self._read_through(press)

    def _read_fitted(self, name: str, way: Channel) -> float:
        with undoing(partial(self._open, self._wiring.fit[name])):
            self._close(self._wiring.fit[name])
            return self._read_through(way)

    def _let_fall(self) -> float | None:
        """Volts on the bus alone, let go of a moment ago; None where it would not fall by itself in time.

        Not through the discharge relay: that would empty a pin which a welded select relay keeps on the bus.
        """
        if self._meter_input_ohm is None or self._meter_input_ohm > FALLS_BELOW_OHM:
            return None
        self._clock.settle(BUS_FALL_S)
        return self._meter.read()

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
            way = self._way_to_rest()
            if way is not None:
                return self._read_through(way)
            if self._wiring.discharge is not None:
                # A meter with an input of gigaohms would hold the bus's charge for seconds.
                self._close(self._wiring.discharge)
                self._open(self._wiring.discharge)
            self._clock.settle(BUS_FALL_S)
            return self._meter.read()

    def all_opened(self) -> None:
        """Every relay is open: nothing is on the bus but what a person has put there."""
        self.pin = None
        self._switched = NOTHING
        self._added = self._added if self._added_by_hand else NOTHING

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Pin, switched trial resistor and added capacitor off the bus, and back on afterwards."""
        contacts = [] if self.pin is None or self.pin not in self._wiring.select else [self._wiring.select[self.pin]]
        if self._switched != NOTHING:
            contacts.append(self._wiring.fit[self._switched])
        if self._added in self._wiring.add:
            contacts.append(self._wiring.add[self._added])
        for channel in contacts:
            self._open(channel)
        try:
            yield
        except (LinkError, InstrumentError, WiringError):
            raise  # the bench is in fault: nothing is closed any more
        except BaseException:
            self._put_back(contacts)
            raise
        self._put_back(contacts)

    def _put_back(self, contacts: list[Channel]) -> None:
        for channel in reversed(contacts):
            self._close(channel)

    def _close(self, channel: Channel) -> None:
        self._relays.close(channel)
        self._clock.settle(self._settle_s)

    def _open(self, channel: Channel) -> None:
        self._relays.open(channel)
        self._clock.settle(self._settle_s)

    def _is_by_hand(self, name: str) -> bool:
        return name != NOTHING and name not in self._wiring.fit

    def _way_to_rail(self) -> tuple[Channel, float]:
        wiring = self._wiring
        for relay, ohm in ((wiring.rail, wiring.rail_ohm), (wiring.press, wiring.press_ohm)):
            if relay is not None and ohm is not None and (relay is wiring.rail or wiring.press_to == "rail"):
                return relay, ohm
        raise WiringError("wiring: the rail cannot be measured: neither a rail nor a press channel leads there")


def _names(wires: Iterable[str]) -> str:
    return ", ".join(wires) or "none"
