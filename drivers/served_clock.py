"""Bench seconds that somebody else counts: asked from, and waited for at, a line of its own.

For a bench whose time is not a multiple of the computer's: a simulated one that stands still until somebody waits, or
recorded messages that are served again. One LF-terminated line a request:

    NOW?         answered by the bench's time in seconds, as a decimal
    UNTIL 12.5   answered by the bench's time once it is so late; or sooner, where that takes long: who waits asks again

Where bench time passes at once, nothing of a run waits in real time.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress

from drivers.clock import Clock, never
from drivers.errors import LinkError, ReplyError
from drivers.link import Link

ROUNDED_S = 1e-9
"""A wait is over where so little of it is left: a sum of two bench times is not known any better."""


class ServedClock(Clock):
    """The clock at the far end of an open line.

    `speed` says what deadlines of links and the guard's leases, which are real time, make of bench seconds: at least so
    many pass in a real one. At 1, a press of ten bench seconds is covered for ten real ones, which a bench that waits
    for nothing never takes.

    Every method raises LinkError where the line does not answer, nor a fresh one in its place, and ReplyError where the
    answer is no time.
    """

    def __init__(self, link: Link, speed: float = 1.0, stop: Callable[[], bool] = never) -> None:
        super().__init__(speed, stop)
        self._link = link

    def now(self) -> float:
        """Bench seconds; only differences mean anything."""
        return self._told("NOW?")

    def wait_until(self, t: float) -> None:
        """Wait until `now()` is at least `t`. Raises StopRequestedError, even where there is nothing left to wait.

        The far end answers within some 20 ms of real time, so that a stop request is seen as soon.
        """
        while True:
            self.check_stop()
            if self._told(f"UNTIL {t!r}") >= t - ROUNDED_S:
                return

    def settle(self, seconds: float) -> None:
        """Wait the milliseconds that a contact takes, whatever the stop request says."""
        until_s = self.now() + seconds
        while self._told(f"UNTIL {until_s!r}") < until_s - ROUNDED_S:
            pass

    def _told(self, request: str) -> float:
        try:
            text = self._link.ask(request)
        except LinkError:
            # Asking the time changes nothing, so that it may be asked twice; the first failure is the one to be told.
            with suppress(LinkError):
                self._link.reopen()
            if self._link.state != "ok":
                raise
            text = self._link.ask(request)
        try:
            seconds = float(text)
        except ValueError:
            seconds = math.nan
        if not math.isfinite(seconds):
            self._link.revoke()
            raise ReplyError(
                "a clock must answer by its time in seconds",
                resource=self._link.resource,
                command=request,
                received=text.encode("latin-1"),
            )
        return seconds
