"""Bench seconds: real monotonic seconds times a stated speed. Every wait of the bench goes through here."""

from __future__ import annotations

import math
import time
from collections.abc import Callable

from drivers.errors import StopRequestedError

TICK_S = 0.02
"""Real seconds between two looks at the stop request while waiting."""


def never() -> bool:
    """Nobody asks to stop."""
    return False


class Clock:
    """The bench's clock. At speed 20 a bench second takes 0.05 s of real time; a lab bench runs at speed 1."""

    def __init__(
        self,
        speed: float = 1.0,
        stop: Callable[[], bool] = never,
        *,
        monotonic: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        """`stop` says whether a stop was asked for. Raises ValueError unless `speed` is above 0 and finite."""
        if not (speed > 0.0 and math.isfinite(speed)):
            raise ValueError(f"clock speed must be above 0 and finite: {speed!r}")
        self._speed = float(speed)
        self._stop = stop
        self._monotonic = monotonic
        self._sleep = sleep

    @property
    def speed(self) -> float:
        """Bench seconds per real second."""
        return self._speed

    def now(self) -> float:
        """Bench seconds; only differences mean anything."""
        return self._monotonic() * self._speed

    def real(self, bench_seconds: float) -> float:
        """How many real seconds these bench seconds take: for the deadlines of links, which are real time."""
        return bench_seconds / self._speed

    def deadline(self, bench_seconds: float) -> float:
        """Real seconds to allow an instrument for what takes it this long: twice that, and a second for the wire."""
        return 2.0 * self.real(bench_seconds) + 1.0

    def wait(self, seconds: float) -> None:
        """Wait this many bench seconds. Raises StopRequestedError within 20 ms (real) of a stop request."""
        self.wait_until(self.now() + seconds)

    def wait_until(self, t: float) -> None:
        """Wait until `now()` is at least `t`. Raises StopRequestedError, even where there is nothing left to wait."""
        while True:
            self.check_stop()
            left = self.real(t - self.now())
            if left <= 0.0:
                return
            self._sleep(min(left, TICK_S))

    def settle(self, seconds: float) -> None:
        """Wait the milliseconds that a contact takes, whatever the stop request says.

        A move that is ended half-way leaves a contact in an unknown position, which is worse than a stop some
        milliseconds late; and contacts must also settle on the way out of a stopped trial.
        """
        until = self.now() + seconds
        while (left := self.real(until - self.now())) > 0.0:
            self._sleep(left)

    def check_stop(self) -> None:
        """Raises StopRequestedError if a stop has been asked for."""
        if self._stop():
            raise StopRequestedError("stopped on request")
