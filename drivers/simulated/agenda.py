"""What is about to change the circuit, in the order of time: edges of contacts, steps of a rail, polls, warming."""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import dataclass, field

Change = Callable[[], None]


@dataclass(order=True)
class Due:
    """Something that changes the circuit at an instant; `contact`: whose edge it is, `touched` for pins."""

    time_s: float
    sequence: int
    change: Change = field(compare=False)
    contact: str = field(compare=False, default="")
    touched: tuple[str, ...] = field(compare=False, default=())


class Agenda:
    """Earliest first; what is due at one instant comes in the order in which it was put in."""

    def __init__(self) -> None:
        self._due: list[Due] = []
        self._sequence = 0

    def put(self, time_s: float, change: Change, *, contact: str = "", touched: tuple[str, ...] = ()) -> None:
        self._sequence += 1
        heapq.heappush(self._due, Due(time_s, self._sequence, change, contact, touched))

    def forget(self, contact: str, now_s: float) -> None:
        """Drop what was still to come of this contact after `now_s`."""
        self._due = [due for due in self._due if due.contact != contact or due.time_s <= now_s]
        heapq.heapify(self._due)

    def next_by(self, time_s: float) -> Due | None:
        """Take out the next that is due by then; None where nothing is."""
        return heapq.heappop(self._due) if self._due and self._due[0].time_s <= time_s else None
