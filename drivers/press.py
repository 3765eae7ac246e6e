"""A press: by relay, by source or by hand. Checked before anything is sent; a release is a contact that opens."""

from __future__ import annotations

from collections import deque
from contextlib import suppress
from dataclasses import dataclass
from typing import Literal

from drivers.board_power import allowed_levels, check_level
from drivers.clock import Clock
from drivers.errors import BenchError, WiringError
from drivers.lease import Lease
from drivers.limits import Limits, window_s
from drivers.operator import Operator
from drivers.relays import Relays
from drivers.source import Source
from drivers.wiring import Channel, Wiring

PressPath = Literal["relay", "source", "hand"]

LET_GO_S = 6.0
"""Real seconds that letting go may take on a wire that does not answer, until making safe takes over."""


BEYOND_HOLD_S = 60.0
"""Bench seconds of a lease beyond the hold that was asked for: readings, the log before the release, a slow wire; and
no step of a sweep is longer."""


@dataclass
class Press:
    """One press under way. `let_go_s` is the bench's clock when the contact was told to open; None while pressed.
    `rail_v` is the rail as measured just before; None: not known."""

    pin: str
    path: PressPath
    level_v: float
    began_s: float
    let_go_s: float | None = None
    rail_v: float | None = None


class Presser:
    """Makes one press at a time and ends it."""

    def __init__(
        self,
        *,
        clock: Clock,
        limits: Limits,
        wiring: Wiring,
        relays: Relays,
        source: Source | None,
        operator: Operator | None,
        settle_s: float,
        lease: Lease,
    ) -> None:
        self.press: Press | None = None
        self._clock = clock
        self._limits = limits
        self._wiring = wiring
        self._relays = relays
        self._source = source
        self._operator = operator
        self._settle_s = settle_s
        self._lease = lease
        self._began_s: deque[float] = deque()

    def check(self, pin: str, path: PressPath, level_v: float, hold_s: float) -> None:
        """Raises LimitError or WiringError where this press is not allowed or not possible; nothing is sent."""
        what = f"press of {pin} by {path}"
        if self.press is not None:
            raise BenchError(f"{what}: the press of {self.press.pin} has not ended")
        self._limits.check_voltage(what, level_v)
        if path != "hand":  # nobody can make a hand let go
            self._limits.check_press_time(what, hold_s)
        if path == "relay":
            self._channel(path)
            # Pressed to ground, a pin that holds the rail drives as much: whatever the rail is, it is within the limit.
            across_v = level_v if self._wiring.press_to == "rail" else self._limits.voltage_v
            self._limits.check_press_resistor(what, across_v, self._wiring.press_ohm)
        elif path == "source":
            if self._source is None:
                raise WiringError(f"{what}: this bench has no source")
            self._channel(path)
        elif self._operator is None:
            raise WiringError(f"{what}: nobody is at this bench")

    def pace(self) -> None:
        """Wait until one more press keeps within the presses a minute. Raises StopRequestedError."""
        if self._limits.presses_per_minute is None:
            return
        wait_s = self._limits.wait_before_press(tuple(self._began_s), self._clock.now())
        if wait_s > 0.0:
            self._clock.wait(wait_s)

    def make(self, pin: str, path: PressPath, level_v: float, hold_s: float = 0.0, rail_v: float | None = None) -> None:
        """Press. Where that fails half-way, everything is let go before the error leaves.

        `hold_s`: how long it is meant to last (0: not said); the lease follows it. `rail_v`: the rail as just measured,
        beyond which a source is not let (see allowed_levels).
        """
        # The bench must be covered before it is energised; where that fails, nothing has been sent.
        if path != "hand":
            self._lease(self._clock.real(self._lease_s(hold_s)))
        self.press = Press(pin, path, level_v, self._clock.now(), rail_v=rail_v)
        self._remember(self.press.began_s)
        try:
            self._contact(self.press)
        except BaseException:
            # Its own failure adds nothing: the state is a fault already, and making safe reports what is not proven.
            with suppress(Exception):
                self.end()
            raise
        self.press.began_s = self._clock.now()
        self._clock.settle(self._settle_s)

    def _lease_s(self, hold_s: float) -> float:
        """Bench seconds after which somebody else may let go: a limit that allows minutes covers no short press."""
        most_s = self._limits.press_time_s
        return most_s if hold_s == 0.0 else min(most_s, hold_s + BEYOND_HOLD_S)

    def check_force(self, level_v: float) -> None:
        """Raises BenchError or LimitError where this press cannot be forced to another level; nothing is sent."""
        press = self._current()
        if press.path != "source" or press.let_go_s is not None:
            raise BenchError(f"force of {press.pin}: only a pin that a source presses can be forced to another level")
        self._limits.check_voltage(f"force of {press.pin}", level_v)
        check_level(f"force of {press.pin}", self._limits, level_v, press.rail_v)
        self.check_time()

    def force(self, level_v: float) -> None:
        """Force the pressed pin to another level. Each level is a press of its own to the limit of the press time."""
        press = self._current()
        if self._source is None:
            raise WiringError(f"force of {press.pin}: this bench has no source")
        # The bench must be covered for the whole of the new level before the level is there.
        self._lease(self._clock.real(self._limits.press_time_s))
        self._source.force_voltage(level_v)
        press.level_v, press.began_s = level_v, self._clock.now()

    def open(self) -> float:
        """Open the contact; the bench's clock at the command. A second call sends nothing and returns the same."""
        press = self._current()
        if press.let_go_s is not None:
            return press.let_go_s
        if press.path != "hand":
            # What is left of the press may be less than a deaf relay takes to be found deaf. A guard that is gone is no
            # reason to stay pressed; the next press tells of it.
            self._cover(LET_GO_S)
        now_s = self._clock.now()
        if press.path == "hand":
            self._person().let_go(press.pin)
        else:
            self._relays.open(self._channel(press.path))
        press.let_go_s = now_s
        if press.path != "hand":
            # At once: what follows inside of the press, a long log say, holds nothing energised.
            self._lease(None)
        return now_s

    def end(self) -> None:
        """Let go if that has not been done, then the source off. Nothing to do where nothing is pressed.

        The source stays on until its relay is open: an output that is switched off may pass through 0 V, which would
        be a release of its own. It goes off even where the relay does not open.
        """
        if self.press is None:
            return
        try:
            self.open()
        finally:
            if self.press.path == "source" and self._source is not None:
                self._source.output_off()
        self.press = None

    def cover_safe_steps(self, seconds: float) -> None:
        """Everything is about to be made safe, which may take so many real seconds: until then nobody shall step in."""
        if self.press is not None and self.press.path != "hand":
            self._cover(seconds)

    def _cover(self, seconds: float) -> None:
        with suppress(Exception):
            self._lease(seconds)

    def ended_elsewhere(self) -> None:
        """All was made safe from outside, and proven: nothing is pressed any more."""
        if self.press is not None:
            self.press = None
            self._lease(None)

    def check_time(self) -> None:
        """Raises LimitError if the pin has been pressed for too long. A person at the button is not timed."""
        press = self.press
        if press is not None and press.let_go_s is None and press.path != "hand":
            self._limits.check_press_time(f"press of {press.pin}", self._clock.now() - press.began_s)

    def _contact(self, press: Press) -> None:
        if press.path == "hand":
            self._person().press_now(press.pin, self._wiring.press_to)
            return
        if press.path == "source" and self._source is not None:
            self._source.force_voltage(press.level_v)
            self._source.output_on()
        channel = self._channel(press.path)
        with self._relays.interlock.permit(channel, *allowed_levels(self._limits, press.rail_v)):
            self._relays.close(channel)

    def _channel(self, path: PressPath) -> Channel:
        """The relay that makes and opens this press."""
        if path == "source":
            if self._wiring.source is None:
                # An output that goes off may ramp through 0 V or hold 0 V: a false release.
                raise WiringError("wiring.source: a press by the source needs a relay in series, to release by")
            return self._wiring.source
        if self._wiring.press is None:
            raise WiringError("wiring.press: a press by relay needs a channel and a resistor")
        return self._wiring.press

    def _person(self) -> Operator:
        if self._operator is None:
            raise WiringError("press by hand: nobody is at this bench")
        return self._operator

    def _current(self) -> Press:
        if self.press is None:
            raise BenchError("release: nothing is pressed")
        return self.press

    def _remember(self, now_s: float) -> None:
        self._began_s.append(now_s)
        while self._began_s[0] < now_s - window_s(self._limits.presses_per_minute):
            self._began_s.popleft()
