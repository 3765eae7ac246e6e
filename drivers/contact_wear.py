"""How often each contact has closed: counted, kept within a rate and within a life. A cycle: closed, open again."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping

from drivers.clock import Clock
from drivers.errors import LimitError
from drivers.limits import Limits, window_s
from drivers.wiring import Channel

Keep = Callable[[Mapping[str, int]], None]
"""Told the closings of each contact since the bench was opened, so that they are counted over runs; may raise."""

SAID_FROM_S = 1.0
"""A wait of so many bench seconds or more is said."""


def keep_nothing(closings: Mapping[str, int]) -> None:
    """Nobody counts over runs."""


def say_nothing(text: str) -> None:
    """Nobody listens."""


class ContactWear:
    """Counts closings. A contact is named as the bench file writes its channel: "relay_board 1"."""

    def __init__(
        self,
        limits: Limits,
        clock: Clock,
        *,
        before: Mapping[str, int] | None = None,
        keep: Keep = keep_nothing,
        say: Callable[[str], None] = say_nothing,
    ) -> None:
        """`before`: the closings of each contact in all runs before this one."""
        self.closings: dict[str, int] = {}
        """Of each contact since the bench was opened."""
        self.waited_s = 0.0
        """Bench seconds that closings have waited in all."""
        self._limits = limits
        self._clock = clock
        self._before = dict(before or {})
        self._keep = keep
        self._say = say
        self._times_s: dict[str, deque[float]] = {}
        self._is_kept = True

    def now_s(self) -> float:
        """Bench seconds; only differences mean anything."""
        return self._clock.now()

    def total(self, contact: str) -> int:
        """The closings of a contact in all runs that are known of, this one included."""
        return self._before.get(contact, 0) + self.closings.get(contact, 0)

    def check(self, contact: Channel) -> None:
        """Raises LimitError where one more closing is beyond the life of the contact, or comes too fast."""
        life = self._limits.life_of(str(contact))
        if life is not None and self.total(str(contact)) >= life:
            raise LimitError(
                f"{contact}: has closed {self.total(str(contact))} times, and limits.contact_life is {life}: put a new "
                "relay there, and its count in the file of contacts back to 0"
            )
        if self._wait_s(contact) > 0.0:
            raise LimitError(
                f"{contact}: one more closing within a minute is beyond limits.relay_cycles_per_minute of "
                f"{self._limits.relay_cycles_per_minute:g}"
            )

    def pace(self, contact: Channel, longest_s: float) -> None:
        """Wait until one more closing keeps within the rate; says so where that takes a while.

        Raises LimitError where the wait would be longer than `longest_s`, or the life is over, and StopRequestedError.
        """
        wait_s = self._wait_s(contact)
        if wait_s > longest_s:
            raise LimitError(
                f"{contact}: would have to wait {wait_s:.3g} s for limits.relay_cycles_per_minute of "
                f"{self._limits.relay_cycles_per_minute:g}, and may not while something is pressed"
            )
        if wait_s <= 0.0:
            return
        if wait_s >= SAID_FROM_S:
            rate = self._limits.relay_cycles_per_minute
            self._say(f"{contact} waits {wait_s:.3g} s: limits.relay_cycles_per_minute is {rate:g}")
        self.waited_s += wait_s
        until_s = self._clock.now() + wait_s
        while self._wait_s(contact) > 0.0:  # a sum of floats may fall short of the window by its last bit
            self._clock.wait_until(until_s)
            until_s += 1e-6

    def closed(self, contact: Channel) -> None:
        """This contact is about to close."""
        name = str(contact)
        self.closings[name] = self.closings.get(name, 0) + 1
        self._is_kept = False
        if self._limits.relay_cycles_per_minute is None:
            return  # nobody asks how fast
        now_s = self._clock.now()
        times_s = self._times_s.setdefault(name, deque())
        times_s.append(now_s)
        while times_s[0] < now_s - window_s(self._limits.relay_cycles_per_minute):
            times_s.popleft()

    def keep(self) -> None:
        """Hand the counts over where they have changed since."""
        if not self._is_kept:
            self._keep(self.closings)
            self._is_kept = True

    def _wait_s(self, contact: Channel) -> float:
        if self._limits.relay_cycles_per_minute is None:
            return 0.0
        return self._limits.wait_before_cycle(tuple(self._times_s.get(str(contact), ())), self._clock.now())
