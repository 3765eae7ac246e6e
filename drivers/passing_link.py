"""A link in front of another one: every exchange is made inside of what the one in front does around it."""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext

from drivers.link import Link, LinkState


class PassingLink:
    """A Link that passes everything on. What goes around an exchange, and around reopening, is a subclass's matter."""

    def __init__(self, link: Link) -> None:
        self._link = link

    @property
    def resource(self) -> str:
        return self._link.resource

    @property
    def state(self) -> LinkState:
        return self._link.state

    def send(self, message: str, timeout_s: float | None = None) -> None:
        """See Link.send."""
        with self._around(message, timeout_s):
            self._link.send(message, timeout_s)

    def ask(self, message: str, timeout_s: float | None = None) -> str:
        """See Link.ask."""
        with self._around(message, timeout_s):
            return self._link.ask(message, timeout_s)

    def ask_block(self, message: str, timeout_s: float | None = None) -> bytes:
        """See Link.ask_block."""
        with self._around(message, timeout_s):
            return self._link.ask_block(message, timeout_s)

    def reopen(self) -> None:
        """See Link.reopen."""
        with self._around_reopening():
            self._link.reopen()

    def revoke(self) -> None:
        """See Link.revoke."""
        self._link.revoke()

    def close(self) -> None:
        """See Link.close."""
        self._link.close()

    def _around(self, message: str, timeout_s: float | None) -> AbstractContextManager[None]:
        """What an exchange is made inside of."""
        raise NotImplementedError

    def _around_reopening(self) -> AbstractContextManager[None]:
        return nullcontext()
