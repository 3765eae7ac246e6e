"""Segments that ended, kept as long as an instrument has said that it still needs them, and means over them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drivers.simulated.segment import Floats, Segment


@dataclass(frozen=True)
class _Past:
    """A segment that ended: bench times of both ends."""

    start_s: float
    end_s: float
    segment: Segment


class History:
    """Of the bus."""

    def __init__(self) -> None:
        self._kept_from: dict[str, float] = {}
        self._past: list[_Past] = []

    def keep_from(self, who: str, time_s: float | None) -> None:
        """Keep the voltages from `time_s` on for `who`; None: no longer needed."""
        if time_s is None:
            self._kept_from.pop(who, None)
        else:
            self._kept_from[who] = time_s

    def add(self, start_s: float, end_s: float, segment: Segment) -> None:
        """A segment has ended; kept where somebody needs it."""
        oldest_s = min(self._kept_from.values(), default=end_s)
        self._past = [p for p in self._past if p.end_s >= oldest_s]
        if end_s > start_s and self._kept_from:
            self._past.append(_Past(start_s, end_s, segment))

    def integrals(
        self, origin_s: float, start_s: Floats, end_s: Floats, present: tuple[float, Segment], which: int
    ) -> Floats:
        """Integrals of one element of the state, in volt second, over windows [start, end], rising, in seconds since
        `origin_s`.

        `present`: the segment that goes on, and when it began. Only differences of bench times are computed with: they
        are exact, and windows that lie alike in a segment come out alike, however late it is.
        """
        total = np.zeros_like(start_s)
        for piece in (*self._past, _Past(present[0], math.inf, present[1])):
            began_s, ended_s = piece.start_s - origin_s, piece.end_s - origin_s
            # Those windows that reach into the piece lie side by side, as both their ends rise.
            first, last = int(np.searchsorted(end_s, began_s, "right")), int(np.searchsorted(start_s, ended_s))
            if first < last:
                low = np.maximum(start_s[first:last], began_s)
                high = np.minimum(end_s[first:last], ended_s)
                to_high, to_low = np.split(piece.segment.integral(np.concatenate((high, low)) - began_s, which), 2)
                total[first:last] += to_high - to_low
        return total
