"""The link: one instrument's wire, as every driver sees it.

A carrier (visa_link, serial_link) is opened before a driver is given it. Text is latin-1. A link is `ok`, `dirty`
(a failure between write and read: a stale or half reply may still arrive) or `lost`. A dirty or lost link refuses
every call but `reopen` and `close`.
"""

from __future__ import annotations

from typing import Literal, Protocol

LinkState = Literal["ok", "dirty", "lost"]


class Link(Protocol):
    """One open wire to one instrument. All times are seconds of real (monotonic) time, never of bench time."""

    @property
    def resource(self) -> str:
        """The address, as the bench file writes it."""
        ...

    @property
    def state(self) -> LinkState: ...

    def send(self, message: str, timeout_s: float | None = None) -> None:
        """Write one message; the terminator is added here. `None` means the link's own default deadline.

        Raises LinkTimeoutError, LinkClosedError, LinkDirtyError.
        """
        ...

    def ask(self, message: str, timeout_s: float | None = None) -> str:
        """Write one message and return the one line that answers it, without its terminator.

        Raises as `send`, and ReplyError if the reply has no terminator or more follows it.
        """
        ...

    def ask_block(self, message: str, timeout_s: float | None = None) -> bytes:
        """Write one message and return the payload of the IEEE 488.2 definite-length block that answers it.

        Raises as `send`, and ReplyError for a bad header, a short block or a missing terminator.
        """
        ...

    def reopen(self) -> None:
        """Close and open again; afterwards the state is `ok` (the caller identifies the instrument anew)."""
        ...

    def revoke(self) -> None:
        """End a blocked read or write from any thread: the link becomes lost at once."""
        ...

    def close(self) -> None:
        """Close; a second call does nothing."""
        ...
