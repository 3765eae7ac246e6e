"""The bench's clock, with its upkeep done in every wait: each wait is broken where something is due."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager

from drivers.clock import Clock
from drivers.upkeep import Upkeep

LOOK_S = 1.0
"""Real seconds between two looks at what is due, while a person is waited for."""


class KeptClock(Clock):
    """The clock that it is given. A move of a contact is waited for without upkeep: `settle`."""

    def __init__(self, clock: Clock) -> None:
        super().__init__(clock.speed)
        self.upkeep = Upkeep(clock.now)
        self._clock = clock
        self._asking = False
        self._looked_s = 0.0

    def now(self) -> float:
        """See Clock.now."""
        return self._clock.now()

    def wait_until(self, t: float) -> None:
        """See Clock.wait_until. Raises, too, what the upkeep raises: an instrument that has failed meanwhile."""
        while (due_s := self.upkeep.due_s) < t:
            self._clock.wait_until(due_s)
            self.upkeep.carry_out()
        self._clock.wait_until(t)

    def settle(self, seconds: float) -> None:
        """See Clock.settle."""
        self._clock.settle(seconds)

    def check_stop(self) -> None:
        """See Clock.check_stop."""
        self._clock.check_stop()

    @contextmanager
    def asking(self) -> Iterator[None]:
        """While a person is waited for, whoever looks whether a stop is asked for does the upkeep: see `looked`."""
        self._asking = True
        try:
            yield
        finally:
            self._asking = False

    def looked(self) -> None:
        """The bench thread looks whether a stop is asked for."""
        if self._asking and time.monotonic() - self._looked_s >= LOOK_S:
            self._looked_s = time.monotonic()
            if self.upkeep.due_s <= self._clock.now():
                self.upkeep.carry_out()
