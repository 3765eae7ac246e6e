"""A wall clock that is set while a run goes on, as a time server or a person sets it.

Stepped, in the process of the run: `time.time`, `time.time_ns`, and `now`, `today`, `utcnow` of the `datetime` that
modules of the project have imported. Not stepped: the monotonic clock, which no system steps; the times of files; the
guard and the simulated bench, which are processes of their own; what libraries ask the system for in C.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, tzinfo
from unittest.mock import patch

ROOMS = ("harness", "drivers", "procedures", "results")

_true_time, _true_time_ns = time.time, time.time_ns


class WallClock:
    """How far the clock has been set from the true time, in seconds."""

    def __init__(self) -> None:
        self.ahead_s = 0.0

    def step(self, seconds: float) -> None:
        self.ahead_s += seconds

    @contextmanager
    def in_force(self) -> Iterator[None]:
        """Inside, this is the wall clock of the process."""
        clock = self

        class Stepped(datetime):
            @classmethod
            def now(cls, tz: tzinfo | None = None) -> Stepped:
                return cls.fromtimestamp(_true_time() + clock.ahead_s, tz)

            @classmethod
            def utcnow(cls) -> Stepped:
                return cls.now(UTC).replace(tzinfo=None)

            @classmethod
            def today(cls) -> Stepped:
                return cls.now()

        holders = [
            module
            for name, module in list(sys.modules.items())
            if name.partition(".")[0] in ROOMS and getattr(module, "datetime", None) is datetime
        ]
        with (
            patch.object(time, "time", lambda: _true_time() + clock.ahead_s),
            patch.object(time, "time_ns", lambda: _true_time_ns() + round(clock.ahead_s * 1e9)),
        ):
            for module in holders:
                module.datetime = Stepped  # type: ignore[attr-defined]
            try:
                yield
            finally:
                for module in holders:
                    module.datetime = datetime  # type: ignore[attr-defined]
