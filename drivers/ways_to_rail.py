"""The ways from the bus to the rail: what the rail relay and the press relay show of it, and a look at all of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

from drivers.clock import Clock
from drivers.contacts import Contacts
from drivers.errors import WiringError
from drivers.meter import Meter
from drivers.undo import undoing
from drivers.wiring import Channel, Wiring

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


class WaysToRail:
    """Reads the meter through one relay at a time. That the bus is free is up to the caller."""

    def __init__(
        self, *, clock: Clock, contacts: Contacts, meter: Meter, wiring: Wiring, meter_input_ohm: float | None
    ) -> None:
        self._clock = clock
        self._contacts = contacts
        self._meter = meter
        self._wiring = wiring
        self._meter_input_ohm = meter_input_ohm

    def measured(self) -> tuple[Channel, float]:
        """The relay and the ohms through which the rail is measured. Raises WiringError where neither leads there."""
        wiring = self._wiring
        for relay, ohm in ((wiring.rail, wiring.rail_ohm), (wiring.press, wiring.press_ohm)):
            if relay is not None and ohm is not None and (relay is wiring.rail or wiring.press_to == "rail"):
                return relay, ohm
        raise WiringError("wiring: the rail cannot be measured: neither a rail nor a press channel leads there")

    def to_rest(self) -> Channel | None:
        """The relay that joins the bus to the rail, where pins rest there; None where there is none."""
        if self._wiring.resistors_to == "ground":
            return None
        return self._wiring.rail if self._wiring.discharge is None else self._wiring.discharge

    def corrected(self, volts: float, ohm: float) -> float:
        """What stands behind a resistor of `ohm`, the meter's input being the other half of the divider."""
        return volts if self._meter_input_ohm is None else volts * (1.0 + ohm / self._meter_input_ohm)

    def read(self, relay: Channel) -> float:
        """The bus through this relay, which opens again."""
        with undoing(partial(self._contacts.open, relay)):
            self._contacts.close(relay)
            return self._meter.read()

    def look(self, resistors: Sequence[str]) -> BusLook:
        """Every way to the rail, then let go, then with each of these switched resistors."""
        wiring = self._wiring
        # A resistor that ends at the rail shows against ground only, and there a press leads.
        to_rail = wiring.press_to == "rail"
        way = wiring.press if wiring.rail is None or not to_rail else wiring.rail
        rail_v = None if wiring.rail is None else self.read(wiring.rail)
        press_v = None if wiring.press is None else self._read_pressed(wiring.press)
        alone_v = self._let_fall()
        wired = [name for name in resistors if name in wiring.fit] if way is not None else []
        fitted_v = {name: self._read_fitted(name, way) for name in wired if way is not None}
        return BusLook(rail_v, press_v, alone_v, fitted_v)

    def _read_pressed(self, press: Channel) -> float:
        """Through the press relay. Where it leads to ground, with the rail relay closed beside it: the bus alone is at
        0 V whether the press relay closes or not."""
        if self._wiring.press_to == "rail" or self._wiring.rail is None:
            return self.read(press)
        with undoing(partial(self._contacts.open, self._wiring.rail)):
            self._contacts.close(self._wiring.rail)
            return self.read(press)

    def _read_fitted(self, name: str, way: Channel) -> float:
        with undoing(partial(self._contacts.open, self._wiring.fit[name])):
            self._contacts.close(self._wiring.fit[name])
            return self.read(way)

    def _let_fall(self) -> float | None:
        """Volts on the bus alone, let go of a moment ago; None where it would not fall by itself in time.

        Not through the discharge relay: that would empty a pin which a welded select relay keeps on the bus.
        """
        if self._meter_input_ohm is None or self._meter_input_ohm > FALLS_BELOW_OHM:
            return None
        self._clock.settle(BUS_FALL_S)
        return self._meter.read()
