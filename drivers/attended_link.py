"""A link whose every exchange is a sign of life: somebody is told how long it may take, and when it has ended."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager

from drivers.link import Link
from drivers.passing_link import PassingLink

SignOfLife = Callable[[float], None]
"""Told that the bench thread lives, and for how many real seconds nothing more may be heard of it. Never raises."""

USUAL_S = 2.0
"""A link's own deadline, where a caller states none."""


class AttendedLink(PassingLink):
    """A Link that passes everything on, and says before and after each exchange that it is being used."""

    def __init__(self, link: Link, alive: SignOfLife) -> None:
        super().__init__(link)
        self.used_s = time.monotonic()
        """When it was used last (time.monotonic())."""
        self._alive = alive

    def _around(self, message: str, timeout_s: float | None) -> AbstractContextManager[None]:
        return self._used(timeout_s)

    def _around_reopening(self) -> AbstractContextManager[None]:
        return self._used(None)

    @contextmanager
    def _used(self, timeout_s: float | None) -> Iterator[None]:
        self._alive(USUAL_S if timeout_s is None else timeout_s)
        try:
            yield
        finally:
            self.used_s = time.monotonic()
            self._alive(0.0)
