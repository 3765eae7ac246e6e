"""The bench's clock, played again: each question gets the time that was answered then, and no wait takes any.

Time is no instrument. A driver that asks it once more, or once less, than the log has is answered all the same, from
the logged times around; it finds its way back at the next message of an instrument.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator, Sequence
from itertools import islice

from harness.replay.script import Timed

LOOKED_AHEAD = 8
"""So many logged questions may have been left out."""

ROUNDED_S = 1e-6


class Times:
    """The clock's questions and answers, in order."""

    def __init__(self, timed: Sequence[Timed]) -> None:
        self._left = deque(timed)
        self._now_s = next((one.answer_s for one in timed if one.answer_s is not None), 0.0)

    def come_to(self, number: int) -> None:
        """An instrument was asked message `number`: what the clock was asked before that is over."""
        while self._left and self._left[0].number < number:
            self._reach(self._left.popleft().answer_s)

    def answer(self, request: bytes) -> bytes:
        """The answer to one line, with its LF."""
        text = request.decode("latin-1").strip()
        until_s = _until_s(text)
        if text != "NOW?" and until_s is None:
            return b"ERR unknown request\n"
        index = next((i for i, one in enumerate(self._ahead(until_s)) if _same(one.request, until_s)), None)
        if index is None:
            self._reach(until_s)
        else:
            for _ in range(index):
                self._reach(self._left.popleft().answer_s)
            found = self._left.popleft()
            # A wait that a stop request ended then has no answer; nobody stops it now.
            self._reach(until_s if found.answer_s is None else found.answer_s)
        return f"{self._now_s!r}\n".encode("ascii")

    def _ahead(self, until_s: float | None) -> Iterator[Timed]:
        """Where this question may stand: a wait is known by its time, any other question only by its place."""
        return islice(self._left, 1 if until_s is None else LOOKED_AHEAD)

    def _reach(self, now_s: float | None) -> None:
        """Bench time never goes back."""
        self._now_s = max(self._now_s, now_s if now_s is not None else self._now_s)


def _same(request: str, until_s: float | None) -> bool:
    logged_s = _until_s(request)
    if until_s is None or logged_s is None:
        return until_s is logged_s
    return abs(logged_s - until_s) <= ROUNDED_S


def _until_s(request: str) -> float | None:
    """Until when it asks to wait; None where it is another question."""
    words = request.split()
    if len(words) != 2 or words[0] != "UNTIL":
        return None
    try:
        seconds = float(words[1])
    except ValueError:
        return None
    return seconds if math.isfinite(seconds) else None
