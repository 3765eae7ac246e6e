"""What a link tells of itself: every message with its time, direction and exact bytes, and every failure.

A tap is handed in where a link is opened (visa_link, serial_link) and is called by the thread that uses the link,
before a message is written and after its reply has come. It must not raise, and must not use the link.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from drivers.errors import LinkClosedError, LinkDirtyError, LinkError, LinkTimeoutError, ReplyError

Direction = Literal["opened", "sent", "received", "unsent", "failed", "revoked", "closed"]
"""`unsent`: a message that the link refused, or that found the wire gone or bytes on it; `failed` follows and says why.
`failed` alone is an attempt to open."""

Fault = Literal["late", "gone", "grammar", "not ready", "interrupted", "other", ""]


@dataclass(frozen=True)
class WireEvent:
    """One message, or one thing that happened to a link.

    `time_s` is time.monotonic(). `data` are the exact bytes, terminators and block headers included; of a failure, what
    had come until then. `fault` and `told`: what a failure was, as a word and as the whole message; else empty.
    """

    time_s: float
    direction: Direction
    data: bytes = b""
    fault: Fault = ""
    told: str = ""


Tap = Callable[[WireEvent], None]


def untapped(event: WireEvent) -> None:
    """The tap of a link that nobody listens to."""


def fault_of(error: BaseException) -> Fault:
    """What a failure was, in a word."""
    kinds: tuple[tuple[type[LinkError], Fault], ...] = (
        (LinkTimeoutError, "late"),
        (LinkClosedError, "gone"),
        (ReplyError, "grammar"),
        (LinkDirtyError, "not ready"),
        (LinkError, "other"),
    )
    return next((word for kind, word in kinds if isinstance(error, kind)), "interrupted")
