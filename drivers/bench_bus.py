"""The bench's bus, as procedures use it: a pin on it, a trial resistor, a capacitor, ground, and readings of it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from drivers.bench_parts import BenchParts
from drivers.undo import undoing


class BenchBus(BenchParts):
    """Moves what is on the bus, where the bench's state allows it."""

    @property
    def fitted(self) -> str:
        """The trial resistor on the bus: its name, "none", or "unknown" where nobody has looked yet."""
        return self._bus.fitted

    @property
    def added(self) -> str:
        """The known capacitor on the bus: its name, or "none"."""
        return self._bus.capacitors.added

    @property
    def has_second_path(self) -> bool:
        """Whether the pin on the bus can be taken off it, for `bus_alone_voltage`."""
        return self._bus.is_switched

    @property
    def bus_can_be_freed(self) -> bool:
        """Whether relays can take everything off the bus: nothing is there that a person would have to take off."""
        return self._bus.is_switchable

    def select(self, pin: str) -> None:
        """Put this pin on the bus, the pin before it taken off first; a pin that is not switched is connected by hand.

        Nothing is sent where it is on the bus already. Raises WiringError where nobody can connect it.
        """
        self._state.require("select")
        self._bus.check_select(pin)
        if pin != self._bus.pin:
            with self._state.moving("select"):
                self._bus.select(pin)

    def deselect(self) -> None:
        """Take the pin off the bus."""
        with self._state.moving("deselect"):
            self._bus.take_off()

    def discharge(self, seconds: float) -> None:
        """Join bus and pin to ground through the discharge resistor for this long, and part them again.

        A bench without a discharge relay only waits: meter and pull-down discharge the node.
        """
        with self._state.moving("discharge"):
            self._bus.grounding.discharge(seconds)

    def fit(self, name: str) -> None:
        """Have this trial resistor on the bus and no other ("none": none); by hand where it is not switched.

        Nothing is sent and nobody is asked where it is fitted already. Raises WiringError where nobody can fit it.
        """
        self._state.require("fit")
        self._bus.check_fit(name)
        with self._state.moving("fit"):
            self._bus.fit(name)

    def add(self, name: str) -> None:
        """Have this known capacitor on the bus and no other ("none": none), joined and taken off discharged; by hand
        where it is not switched.

        Nothing is sent and nobody is asked where it is there already. Raises WiringError where nobody can add it.
        """
        if name == self._bus.capacitors.added:
            return
        self._state.require("add")
        self._bus.capacitors.check(name)
        with self._state.moving("add"):
            self._bus.capacitors.add(name)

    @contextmanager
    def grounded(self) -> Iterator[None]:
        """Join the released pin to ground through the discharge resistor, as a changeover contact at rest does; part it
        on the way out, whatever happened inside. Where the discharge relay leads to the rail (pull-up inputs), to that.

        Also while the meter logs. Break before make: a pin that is pressed is not grounded, nor a grounded one pressed.
        Raises WiringError where the bench has no discharge relay: nothing is sent then.
        """
        self._state.require("ground")
        self._bus.grounding.check()
        # Parted even where closing fails half-way: the relay may have closed all the same.
        with undoing(self._part):
            with self._state.moving("ground"):
                self._bus.grounding.ground()
            yield

    def _part(self) -> None:
        with self._state.moving("part", whatever=True):
            self._bus.grounding.part()

    def label(self, text: str) -> None:
        """Show the text on the meter's display."""
        with self._state.moving("read"):
            self.meter.label(text)

    def voltage(self) -> float:
        """One reading of the bus in volts, through an aperture of one mains cycle. Raises BenchError on an overload."""
        self._presser.check_time()
        self._holder.check_time()
        with self._state.moving("read"):
            return self.meter.read()

    def bus_alone_voltage(self) -> float:
        """The second path to a node that stays high: volts on the bus without the pin, which is then put on again.

        About 0 V means that the pin held the node, the press level that the press path is closed (a welded relay).
        Raises WiringError where the pin is not switched.
        """
        self._state.require("read the bus alone")
        self._bus.check_alone()
        with self._state.moving("read the bus alone"):
            return self._bus.alone_voltage()
