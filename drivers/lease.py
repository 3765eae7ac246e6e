"""The guard's lease over all that is energised at once: a press, held pins, a relay of the bare bus.

Each has a time of its own, and the guard is told the shortest of them: what ends one never covers another.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial

Lease = Callable[[float | None], None]
"""Told before anything is energised for how many real seconds it may stay so, and None once the contact is open."""


def no_lease(seconds: float | None) -> None:
    """Nobody watches."""


class Leases:
    """`tell`: the guard's side; whatever it raises leaves here, and nothing has been taken then."""

    def __init__(self, tell: Lease) -> None:
        self._tell = tell
        self._until_s: dict[str, float] = {}

    def of(self, who: str) -> Lease:
        """The lease of one of them, which knows nothing of the others."""
        return partial(self._take, who)

    def _take(self, who: str, seconds: float | None) -> None:
        now_s = time.monotonic()
        left_s = [max(0.0, until_s - now_s) for name, until_s in self._until_s.items() if name != who]
        if seconds is None:
            self._until_s.pop(who, None)
            self._tell(min(left_s, default=None))
            return
        self._tell(min([seconds, *left_s]))
        self._until_s[who] = now_s + seconds
