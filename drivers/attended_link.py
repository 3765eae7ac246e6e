"""A link whose every exchange is a sign of life: somebody is told how long it may take, and when it has ended."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from drivers.link import Link, LinkState

SignOfLife = Callable[[float], None]
"""Told that the bench thread lives, and for how many real seconds nothing more may be heard of it. Never raises."""

USUAL_S = 2.0
"""A link's own deadline, where a caller states none."""


class AttendedLink:
    """A Link that passes everything on, and says before and after each exchange that it is being used."""

    def __init__(self, link: Link, alive: SignOfLife) -> None:
        self.used_s = time.monotonic()
        """When it was used last (time.monotonic())."""
        self._link = link
        self._alive = alive

    @property
    def resource(self) -> str:
        return self._link.resource

    @property
    def state(self) -> LinkState:
        return self._link.state

    def send(self, message: str, timeout_s: float | None = None) -> None:
        """See Link.send."""
        with self._used(timeout_s):
            self._link.send(message, timeout_s)

    def ask(self, message: str, timeout_s: float | None = None) -> str:
        """See Link.ask."""
        with self._used(timeout_s):
            return self._link.ask(message, timeout_s)

    def ask_block(self, message: str, timeout_s: float | None = None) -> bytes:
        """See Link.ask_block."""
        with self._used(timeout_s):
            return self._link.ask_block(message, timeout_s)

    def reopen(self) -> None:
        """See Link.reopen."""
        with self._used(None):
            self._link.reopen()

    def revoke(self) -> None:
        """See Link.revoke."""
        self._link.revoke()

    def close(self) -> None:
        """See Link.close."""
        self._link.close()

    @contextmanager
    def _used(self, timeout_s: float | None) -> Iterator[None]:
        self._alive(USUAL_S if timeout_s is None else timeout_s)
        try:
            yield
        finally:
            self.used_s = time.monotonic()
            self._alive(0.0)
