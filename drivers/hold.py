"""Holding other pins at the rail while one is tried: each through a relay and a resistor of its own, within limits."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress

from drivers.clock import Clock
from drivers.errors import BenchError, WiringError
from drivers.lease import Lease
from drivers.limits import Limits
from drivers.relays import Relays
from drivers.wiring import Wiring


class Holder:
    """Closes hold relays and opens them again. A hold counts as a press to the limits and to the guard."""

    def __init__(
        self, *, clock: Clock, limits: Limits, wiring: Wiring, relays: Relays, settle_s: float, lease: Lease
    ) -> None:
        self.pins: tuple[str, ...] = ()
        self._clock = clock
        self._limits = limits
        self._wiring = wiring
        self._relays = relays
        self._settle_s = settle_s
        self._lease = lease
        self._began_s = 0.0
        self._with_press = False

    def check(self, pins: Sequence[str], level_v: float) -> None:
        """Raises BenchError, LimitError or WiringError where these pins may or can not be held; nothing is sent."""
        if self.pins:
            raise BenchError(f"hold of {', '.join(pins)}: {', '.join(self.pins)} is still held")
        for pin in pins:
            what = f"hold of {pin}"
            if pin not in self._wiring.hold:
                raise WiringError(f"wiring.hold: no channel for pin {pin!r}")
            self._limits.check_voltage(what, level_v)
            self._limits.check_press_resistor(what, level_v, self._wiring.hold_ohm.get(pin))

    def close(self, pins: Sequence[str], *, with_press: bool) -> None:
        """Hold these pins. `with_press`: until the next press is let go. Where one fails, all are let go again."""
        self._lease(self._clock.real(self._limits.press_time_s))
        self.pins, self._with_press, self._began_s = tuple(pins), with_press, self._clock.now()
        try:
            for pin in pins:
                channel = self._wiring.hold[pin]
                with self._relays.interlock.permit(channel, 0.0, 0.0):
                    self._relays.close(channel)
        except BaseException:
            # Its own failure adds nothing: the state is a fault already, and making safe reports what is not proven.
            with suppress(Exception):
                self.open()
            raise
        self._clock.settle(self._settle_s)

    def open(self) -> None:
        """Let go of all; every relay is tried whatever becomes of the one before. Nothing to do where none is held."""
        failed: Exception | None = None
        for pin in self.pins:
            try:
                self._relays.open(self._wiring.hold[pin])
            except Exception as exc:  # noqa: BLE001 - whatever it is, the next relay must still be opened
                failed = failed or exc
        if failed is not None:
            raise failed
        if self.pins:
            self.pins = ()
            self._lease(None)

    def open_with_press(self) -> None:
        """A press is let go: so are those that were held with it."""
        if self._with_press:
            self.open()

    def cover(self, seconds: float) -> None:
        """Everything is about to be made safe, which may take so many real seconds."""
        if self.pins:
            with suppress(Exception):
                self._lease(seconds)

    def ended_elsewhere(self) -> None:
        """All was made safe from outside, and proven: nothing is held any more."""
        if self.pins:
            self.pins = ()
            self._lease(None)

    def check_time(self) -> None:
        """Raises LimitError if pins have been held for too long."""
        if self.pins:
            self._limits.check_press_time(f"hold of {', '.join(self.pins)}", self._clock.now() - self._began_s)
