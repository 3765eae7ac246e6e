"""A tap on a link: every message with its time and direction, for the record and for finding faults."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, TypeVar

from drivers.errors import LinkError
from drivers.link import Link, LinkState

T = TypeVar("T")

Direction = Literal["sent", "received", "failed", "opened", "closed", "revoked"]


@dataclass(frozen=True)
class WireEvent:
    """One message. `time_s` is time.monotonic(); `text` is the message, the size of a block, or the error."""

    time_s: float
    resource: str
    direction: Direction
    text: str


class WireLog:
    """A Link that tells a listener of every message and passes it on. The listener must not use the link."""

    def __init__(self, link: Link, listener: Callable[[WireEvent], None]) -> None:
        self._link = link
        self._listener = listener

    @property
    def resource(self) -> str:
        return self._link.resource

    @property
    def state(self) -> LinkState:
        return self._link.state

    def send(self, message: str, timeout_s: float | None = None) -> None:
        """See Link.send."""
        self._told(message, lambda: self._link.send(message, timeout_s))

    def ask(self, message: str, timeout_s: float | None = None) -> str:
        """See Link.ask."""
        text = self._told(message, lambda: self._link.ask(message, timeout_s))
        self._tell("received", text)
        return text

    def ask_block(self, message: str, timeout_s: float | None = None) -> bytes:
        """See Link.ask_block."""
        payload = self._told(message, lambda: self._link.ask_block(message, timeout_s))
        self._tell("received", f"block of {len(payload)} bytes")
        return payload

    def reopen(self) -> None:
        """See Link.reopen."""
        self._guarded(self._link.reopen)
        self._tell("opened", "")

    def revoke(self) -> None:
        """See Link.revoke."""
        self._link.revoke()
        self._tell("revoked", "")

    def close(self) -> None:
        """See Link.close."""
        self._link.close()
        self._tell("closed", "")

    def _told(self, message: str, act: Callable[[], T]) -> T:
        # Before the act, so that a message that hangs or kills the process stands in the log.
        self._tell("sent", message)
        return self._guarded(act)

    def _guarded(self, act: Callable[[], T]) -> T:
        try:
            return act()
        except LinkError as exc:
            self._tell("failed", str(exc))
            raise

    def _tell(self, direction: Direction, text: str) -> None:
        self._listener(WireEvent(time.monotonic(), self.resource, direction, text))
