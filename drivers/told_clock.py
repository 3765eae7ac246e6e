"""A clock that tells what it was asked and what it answered, in the words of a bench whose time is served by a line.

    NOW?            answered by bench seconds
    UNTIL 12.5      answered by bench seconds once it is that late

The bench's time decides what a driver does next (which loop goes round once more, which log is long enough): with the
wires alone in a record, nothing could be gone through again.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

from drivers.clock import Clock
from drivers.wire_log import Tap, WireEvent, fault_of


class ToldClock(Clock):
    """The clock that it is given, each question and each wait told."""

    def __init__(self, clock: Clock, tap: Tap) -> None:
        super().__init__(clock.speed)
        self._clock = clock
        self._tap = tap
        self._lock = threading.Lock()

    def now(self) -> float:
        """See Clock.now."""
        asked_s, now_s = time.monotonic(), self._clock.now()
        self._tell(asked_s, "NOW?", now_s)
        return now_s

    def wait_until(self, t: float) -> None:
        """See Clock.wait_until."""
        with self._waiting(t):
            self._clock.wait_until(t)

    def settle(self, seconds: float) -> None:
        """See Clock.settle."""
        until_s = self.now() + seconds
        with self._waiting(until_s):
            self._clock.settle(until_s - self._clock.now())

    def check_stop(self) -> None:
        """See Clock.check_stop."""
        self._clock.check_stop()

    @contextmanager
    def _waiting(self, until_s: float) -> Iterator[None]:
        asked_s, request = time.monotonic(), f"UNTIL {until_s!r}"
        try:
            yield
        except BaseException as exc:
            self._tell(asked_s, request, exc)
            raise
        self._tell(asked_s, request, self._clock.now())

    def _tell(self, asked_s: float, request: str, outcome: float | BaseException) -> None:
        # Question and answer together: several threads may look at one clock.
        with self._lock:
            self._tap(WireEvent(asked_s, "sent", f"{request}\n".encode("ascii")))
            if isinstance(outcome, float):
                self._tap(WireEvent(time.monotonic(), "received", f"{outcome!r}\n".encode("ascii")))
            else:
                self._tap(WireEvent(time.monotonic(), "failed", fault=fault_of(outcome), told=str(outcome)))
