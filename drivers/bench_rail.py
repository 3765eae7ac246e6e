"""The bench's rail, as procedures use it: measured, set, switched off, and looked at together with the bare bus."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import partial

from drivers.bare_bus import BareBus
from drivers.bench_parts import BenchParts
from drivers.errors import WiringError
from drivers.undo import undoing
from drivers.ways_to_rail import BusLook


class BenchRail(BenchParts):
    """What needs the bus with no pin on it, where the bench's state allows it."""

    @property
    def rail_is_measurable(self) -> bool:
        """Whether `rail_voltage` can do it as things stand: a relay leads to it, and nothing is fitted by hand."""
        return self._bus.rail_is_measurable

    @property
    def has_supply(self) -> bool:
        """Whether a supply sets the board's rail."""
        return self._rail.supply is not None

    @property
    def switches_off(self) -> bool:
        """Whether making safe takes the power from the board."""
        return self._rail.switches_off

    @property
    def rail_set_v(self) -> float | None:
        """What the rail was set to last, in volt; None where nothing has set it, or its power was taken away since."""
        return self._rail.set_v

    def rail_voltage(self, max_age_s: float = 0.0, label: str = "") -> float:
        """The rail in volts, with nothing on the bus: through the rail relay, else through the press relay.

        The value measured last where it is not older than `max_age_s` bench seconds: pin and resistor need not be taken
        off and put back for it. `label` is shown on the meter's display where it is measured. The divider of that
        relay's resistor and the meter's input is corrected. Raises WiringError where neither relay is there or a person
        would have to take something off; LimitError where the rail is beyond the limit.
        """
        self._state.require("measure rail")
        if self._rail_v is not None and self.clock.now() - self._rail_at_s <= max_age_s:
            return self._rail_v
        self._bus.check_rail()
        with self._state.moving("measure rail"):
            if label:
                self.meter.label(label)
            return self._rail_is(self._bus.rail_voltage())

    def set_rail(self, volts: float) -> None:
        """Set the board's rail, with no pin on the bus: by the supply, else by a person.

        What was measured of it before is forgotten. Raises LimitError beyond a limit and WiringError where nobody can
        set it: nothing is sent then.
        """
        self._state.require("set rail")
        self._rail.check(volts)
        with self._state.moving("set rail"):
            self._rail_v = None
            self._forget_setups()
            self._rail.set(volts)

    def power_off(self) -> None:
        """Take the power from the board, with no pin on the bus, so that a person may touch it; `set_rail` gives it.

        Raises WiringError where nobody can.
        """
        with self._state.moving("set rail"):
            self._rail_v = None
            self._forget_setups()
            self._rail.off()

    def _forget_setups(self) -> None:
        """A board whose supply changes may start anew."""
        if self.board is not None:
            self.board.forget()

    def supply_current(self) -> float | None:
        """Amperes that the board draws from its supply; None where no supply measures it."""
        with self._state.moving("read"):
            return self._rail.current()

    def look_at_bus(self, resistors: Sequence[str] = (), source_v: float | None = None) -> BusLook:
        """Read the bus with no pin on it: each way to the rail, let go, and with each of these switched resistors.

        `source_v`: force this much through the source's series relay too. Pin and resistor are put back; the rail is
        known afterwards where a relay leads to it. Raises WiringError where a person would have to take something off,
        LimitError where the rail or `source_v` is beyond the limit.
        """
        self._state.require("measure rail")
        self._bus.check_free()
        with self._state.moving("measure rail"):
            source = None if source_v is None else partial(self._forced, source_v)
            look = self._bus.look(resistors, source)
            press_ohm = self.wiring.press_ohm if self.wiring.press_to == "rail" else None
            for volts, ohm in ((look.rail_v, self.wiring.rail_ohm), (look.press_v, press_ohm)):
                if volts is not None and ohm is not None:
                    self._rail_is(self._bus.ways.corrected(volts, ohm))
                    break
            return look

    @contextmanager
    def bare(self) -> Iterator[BareBus]:
        """The bus with no pin and no trial resistor on it, to be checked; both are put back afterwards.

        The rail is to be measured anew afterwards. Raises WiringError where a person would have to take something off.
        """
        self._state.require("measure rail")
        self._bus.check_free()
        self._interlock.wear.keep()
        self._rail_v = None
        with self._state.moving("measure rail"), self._bus.alone():
            self._bare = BareBus(
                clock=self.clock,
                meter=self.meter,
                limits=self.limits,
                wiring=self.wiring,
                relays=self._relays,
                source=self.source,
                settle_s=self._settle_s,
                meter_ohm=self.meter_input_ohm,
                lease=self._leases.of("bus"),
            )
            try:
                yield self._bare
            finally:
                self._bare.end()

    def _forced(self, volts: float) -> tuple[float, float]:
        """Volts and amperes of the source on the bus alone; its relay opens first, then its output goes off."""
        source, relay = self.source, self.wiring.source
        if source is None or relay is None:
            raise WiringError("wiring.source: this bench has no source behind a relay in series")
        source.force_voltage(volts)
        with undoing(source.output_off), undoing(partial(self._relays.open, relay)):
            source.output_on()
            self._relays.close(relay)
            self.clock.settle(self._settle_s)
            return source.read()

    def _rail_is(self, volts: float) -> float:
        self._rail_v, self._rail_at_s = volts, self.clock.now()
        self.limits.check_voltage("rail", volts)
        return volts
