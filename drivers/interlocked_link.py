"""A link that passes nothing on before an interlock has let it through: the last place before the wire."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager

from drivers.link import Link, LinkState


class InterlockedLink:
    """A Link. Every message is sent inside of `passing(message)`, which raises LimitError where it may not be sent."""

    def __init__(self, link: Link, passing: Callable[[str], AbstractContextManager[None]]) -> None:
        self._link = link
        self._passing = passing

    @property
    def resource(self) -> str:
        return self._link.resource

    @property
    def state(self) -> LinkState:
        return self._link.state

    def send(self, message: str, timeout_s: float | None = None) -> None:
        """See Link.send. Raises LimitError where the message may not be sent; nothing is."""
        with self._passing(message):
            self._link.send(message, timeout_s)

    def ask(self, message: str, timeout_s: float | None = None) -> str:
        """See Link.ask. Raises as `send`."""
        with self._passing(message):
            return self._link.ask(message, timeout_s)

    def ask_block(self, message: str, timeout_s: float | None = None) -> bytes:
        """See Link.ask_block. Raises as `send`."""
        with self._passing(message):
            return self._link.ask_block(message, timeout_s)

    def reopen(self) -> None:
        """See Link.reopen."""
        self._link.reopen()

    def revoke(self) -> None:
        """See Link.revoke."""
        self._link.revoke()

    def close(self) -> None:
        """See Link.close."""
        self._link.close()
