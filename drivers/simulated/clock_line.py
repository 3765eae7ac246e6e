"""The bench's clock as a line: what its time is, and when it is so late.

`NOW?` is answered by the time in seconds, all its digits. `UNTIL 12.5` is answered by the time too: once it is that
late, or after 20 ms of real time, whichever comes first, so that who waits can look about and ask again. On a stepped
bench it is that late at once. Wrong: `ERR <text>`.
"""

from __future__ import annotations

import math
from collections.abc import Generator

from drivers.simulated.clock import LATEST_S, Clock

ROUNDED_S = 1e-9
"""So late is late enough: a sum of two bench times is not known any better."""

HEARD_AGAIN_S = 0.02
"""Real seconds after which a wait is answered though it has not ended."""


class ClockLine:
    """A line device in front of the bench's clock."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock

    def run(self, line: str) -> Generator[float, None, str | None]:
        match line.split():
            case ["NOW?"]:
                return self._told()
            case ["UNTIL", text]:
                until_s = _seconds(text)
                if until_s is None:
                    return f"ERR not a time up to {LATEST_S:g} s: {text}"
                patience_s = self._clock.now() + self._clock.in_real(HEARD_AGAIN_S)
                while self._clock.now() < min(until_s, patience_s) - ROUNDED_S:
                    yield min(until_s, patience_s)
                return self._told()
            case _:
                return "ERR unknown request"

    def _told(self) -> str:
        return repr(self._clock.now())


def _seconds(text: str) -> float | None:
    try:
        seconds = float(text)
    except ValueError:
        return None
    return seconds if not math.isnan(seconds) and seconds <= LATEST_S else None
