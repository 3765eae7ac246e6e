"""The bench's clocks, in bench seconds: one that is a stated multiple of real time, and one that moves when it is told.

All instants of the simulated bench lie on a grid that floats hold exactly: what follows a command is then the same to
the last bit, whenever the command comes.
"""

from __future__ import annotations

import math
import threading
import time
from typing import Protocol

GRID_PER_S = 2.0**30
"""Of the grid of all instants: a double holds its multiples exactly for 2²³ s, which is 97 days."""

TICK_PER_S = 2.0**20
"""Of the coarser grid on which a stepped clock stops: finer than any host's wait, and a decimal sum that is rounded
differently late in a run falls on the same tick all the same."""

SAME_TICK = 1e-3
"""Of a tick, which is less than a nanosecond: an instant so little later than a tick is that tick."""

LATEST_S = 2.0**23


def on_grid(seconds: float) -> float:
    """The nearest instant of the grid, or a duration to the grid's resolution of a nanosecond."""
    return round(seconds * GRID_PER_S) / GRID_PER_S if math.isfinite(seconds) else seconds


class Clock(Protocol):
    """Bench time, and how it passes."""

    def now(self) -> float: ...

    def pass_until(self, time_s: float) -> None:
        """Somebody waits until then: an instrument for its reading, or the bench's user."""
        ...

    def real_seconds_until(self, time_s: float) -> float: ...

    def in_real(self, seconds: float) -> float:
        """How many bench seconds pass in so many real ones."""
        ...


class ScaledClock:
    """`speed` bench seconds a real (monotonic) second, from 0."""

    def __init__(self, speed: float) -> None:
        self.speed = speed
        self._start_s = time.monotonic()

    def now(self) -> float:
        return on_grid((time.monotonic() - self._start_s) * self.speed)

    def pass_until(self, time_s: float) -> None:
        """It passes by itself."""

    def real_seconds_until(self, time_s: float) -> float:
        return max(0.0, (time_s - self.now()) / self.speed)

    def in_real(self, seconds: float) -> float:
        return seconds * self.speed


class SteppedClock:
    """Stands still until somebody waits, and is at the end of the wait then: no real time passes, and messages take
    none. A wait without an end (for a trigger) moves nothing; another command must end it, as on any bench."""

    def __init__(self) -> None:
        self._now_s = 0.0
        self._lock = threading.Lock()

    def now(self) -> float:
        return self._now_s

    def pass_until(self, time_s: float) -> None:
        if math.isinf(time_s):
            return
        tick_s = math.ceil(time_s * TICK_PER_S - SAME_TICK) / TICK_PER_S
        with self._lock:
            self._now_s = max(self._now_s, tick_s)

    def real_seconds_until(self, time_s: float) -> float:
        return math.inf if math.isinf(time_s) else 0.0

    def in_real(self, seconds: float) -> float:
        return math.inf
