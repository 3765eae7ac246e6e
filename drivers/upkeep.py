"""What must be done again and again while a run waits: watchdogs fed, connections that nobody uses kept alive.

A connection that is idle for minutes is dropped without a word by gateways and firewalls. By bench time, so that a run
whose bench time is served by a line does the same things at the same instants each time.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

KEEP_S = 45.0
"""Bench seconds after which an instrument is asked something cheap: well below the minute of the strictest gateways."""


@dataclass
class _Task:
    every_s: float
    act: Callable[[], object]
    due_s: float = math.inf


class Upkeep:
    """`now` is the bench's clock. Nothing is due before `begin` and after `end`."""

    def __init__(self, now: Callable[[], float]) -> None:
        self._now = now
        self._tasks: list[_Task] = []

    def add(self, every_s: float, act: Callable[[], object]) -> None:
        """Do this each `every_s` bench seconds."""
        self._tasks.append(_Task(every_s, act))

    def begin(self) -> None:
        """From now on."""
        now_s = self._now() if self._tasks else 0.0
        for task in self._tasks:
            task.due_s = now_s + task.every_s

    def end(self) -> None:
        """No longer."""
        for task in self._tasks:
            task.due_s = math.inf

    @property
    def due_s(self) -> float:
        """When something is due next, by the bench's clock; infinity where nothing is."""
        return min((task.due_s for task in self._tasks), default=math.inf)

    def carry_out(self) -> None:
        """Do all that is due. Raises what an instrument's failure raises; the rest is due still."""
        now_s = self._now()
        for task in self._tasks:
            if task.due_s <= now_s:
                task.due_s = now_s + task.every_s
                task.act()
