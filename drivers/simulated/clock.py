"""The bench's clock: a stated multiple of real time, in bench seconds."""

from __future__ import annotations

import time


class ScaledClock:
    """`speed` bench seconds a real (monotonic) second, from 0."""

    def __init__(self, speed: float) -> None:
        self.speed = speed
        self._start_s = time.monotonic()

    def now(self) -> float:
        return (time.monotonic() - self._start_s) * self.speed

    def real_seconds_until(self, time_s: float) -> float:
        return max(0.0, (time_s - self.now()) / self.speed)
