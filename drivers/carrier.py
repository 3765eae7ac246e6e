"""What every link has in common: states, deadlines, one lock around write and read, and errors in our own words.

A carrier moves raw bytes (visa_link, serial_link); CarrierLink makes a Link of it:

    ok     → dirty   a deadline passed, or a reply was not what the grammar allows: a stale or half reply may still come
    ok     → lost    the peer closed, or revoke()
    dirty, lost → ok   reopen() alone
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Protocol, TypeVar

from drivers import reply
from drivers.errors import LinkClosedError, LinkDirtyError, LinkError, LinkTimeoutError, ReplyError
from drivers.link import Link, LinkState
from drivers.wire_log import Direction, Fault, Tap, WireEvent, fault_of, untapped

T = TypeVar("T")


class Carrier(Protocol):
    """The raw bytes of one open connection. Deadlines are in seconds of time.monotonic().

    The methods let foreign exceptions through; CarrierLink alone turns them into our own, by `translate`.
    """

    def translate(self, exc: Exception) -> type[LinkError] | None:
        """Which error of ours a foreign exception becomes; None for one that nobody mapped."""
        ...

    def pending(self) -> bytes:
        """What has arrived already, without waiting; raises if the peer has closed."""
        ...

    def write(self, data: bytes, deadline_s: float) -> None:
        """Write all of it, or raise."""
        ...

    def read(self, deadline_s: float) -> tuple[bytes, bool]:
        """At least one byte, and whether the bus marked the end of the message there.

        Raises TimeoutError once the deadline has passed, though bytes stand ready: a dribble must end some time.
        """
        ...

    def shut(self) -> None:
        """End a blocked read or write, from any thread."""
        ...

    def close(self) -> None:
        """Close; a second call does nothing."""
        ...


def opened_link(
    resource: str, connect: Callable[[], Carrier], *, timeout_s: float, blocks: bool = True, tap: Tap = untapped
) -> Link:
    """Open a carrier and make a Link of it. What `connect` raises, now or where it is opened again, is told as well."""

    def told_connect() -> Carrier:
        try:
            carrier = connect()
        except LinkError as exc:
            tap(WireEvent(time.monotonic(), "failed", fault=fault_of(exc), told=str(exc)))
            raise
        tap(WireEvent(time.monotonic(), "opened"))
        return carrier

    return CarrierLink(resource, told_connect, told_connect(), timeout_s=timeout_s, blocks=blocks, tap=tap)


@dataclass
class _Heard:
    """How far one exchange has come."""

    message: bytes
    sent: bool = False
    received: bytes = b""


class CarrierLink:
    """A Link over a carrier. `connect` opens a carrier; the constructor is given the first one open."""

    def __init__(
        self,
        resource: str,
        connect: Callable[[], Carrier],
        carrier: Carrier,
        *,
        timeout_s: float,
        blocks: bool = True,
        tap: Tap = untapped,
    ) -> None:
        self._resource = resource
        self._tap = tap
        self._connect = connect
        self._carrier = carrier
        self._timeout_s = timeout_s
        self._blocks = blocks
        self._state: LinkState = "ok"
        self._reason = ""
        self._revocations = 0
        self._closed = False
        # Two threads on one link would get each other's replies, silently.
        self._lock = threading.RLock()

    @property
    def resource(self) -> str:
        return self._resource

    @property
    def state(self) -> LinkState:
        return self._state

    def send(self, message: str, timeout_s: float | None = None) -> None:
        """See Link.send."""
        self._exchange(message, timeout_s, None)

    def ask(self, message: str, timeout_s: float | None = None) -> str:
        """See Link.ask."""

        def whole(data: bytes, ended: bool) -> str | None:
            return reply.line(data, ended=ended, resource=self._resource, command=message)

        return self._exchange(message, timeout_s, whole) or ""

    def ask_block(self, message: str, timeout_s: float | None = None) -> bytes:
        """See Link.ask_block."""
        if not self._blocks:
            raise ReplyError("no blocks on a line device", resource=self._resource, command=message)

        def whole(data: bytes, ended: bool) -> bytes | None:
            return reply.block(data, ended=ended, resource=self._resource, command=message)

        return self._exchange(message, timeout_s, whole) or b""

    def reopen(self) -> None:
        """See Link.reopen. Raises LinkError as opening does; the link is then lost."""
        with self._lock:
            revocations = self._revocations
            self._fail("lost", "reopening failed")
            self._close_carrier()
            self._carrier = self._connect()
            self._closed = False
            self._state, self._reason = "ok", ""
            if revocations != self._revocations:
                self.revoke()
                raise LinkClosedError("revoked while it was reopened", resource=self._resource)

    def revoke(self) -> None:
        """See Link.revoke. Takes no lock: the thread that holds it is the one to be ended."""
        self._revocations += 1
        self._fail("lost", "revoked")
        # The wire may be gone already, or be closing in its own thread; lost is lost.
        with suppress(Exception):
            self._carrier.shut()
        self._tell("revoked")

    def close(self) -> None:
        """See Link.close."""
        self._fail("lost", "closed")
        if not self._closed:
            self._close_carrier()
            self._tell("closed")

    def _exchange(
        self, message: str, timeout_s: float | None, whole: Callable[[bytes, bool], T | None] | None
    ) -> T | None:
        heard = _Heard(self._encoded(message))
        limit_s = self._timeout_s if timeout_s is None else timeout_s
        doing = "write"
        with self._lock, self._failures_told(heard):
            self._require_ok(message)
            deadline_s = time.monotonic() + limit_s
            try:
                self._refuse_leftovers(message)
                # Told before the act, so that a message that hangs or ends the process stands in the log.
                heard.sent = True
                self._tell("sent", heard.message)
                self._carrier.write(heard.message, deadline_s)
                if whole is None:
                    return None
                doing = "reply"
                while True:
                    more, ended = self._carrier.read(deadline_s)
                    heard.received += more
                    value = whole(heard.received, ended)
                    if value is not None:
                        self._tell("received", heard.received)
                        return value
            except ReplyError:
                self._fail("dirty", "a reply was not what the grammar allows")
                raise
            except Exception as exc:
                self._raise_translated(exc, message, heard.received, f"no {doing} within {limit_s:g} s")
                raise
            except BaseException:
                self._fail("dirty", "interrupted between write and read")
                raise

    @contextmanager
    def _failures_told(self, heard: _Heard) -> Iterator[None]:
        try:
            yield
        except BaseException as exc:
            if not heard.sent:
                self._tell("unsent", heard.message)
            received = heard.received if heard.sent else getattr(exc, "received", b"")
            self._tell("failed", received, fault_of(exc), str(exc))
            raise

    def _tell(self, direction: Direction, data: bytes = b"", fault: Fault = "", told: str = "") -> None:
        self._tap(WireEvent(time.monotonic(), direction, data, fault, told))

    def _encoded(self, message: str) -> bytes:
        if "\n" in message or "\r" in message:
            raise LinkError("a message must be one line", resource=self._resource, command=message)
        try:
            return message.encode("latin-1") + b"\n"
        except UnicodeEncodeError as exc:
            raise LinkError("a message must be latin-1 text", resource=self._resource, command=message) from exc

    def _require_ok(self, message: str) -> None:
        if self._state != "ok":
            rule = f"the link is {self._state} ({self._reason}); reopen it first"
            raise LinkDirtyError(rule, resource=self._resource, command=message)

    def _refuse_leftovers(self, message: str) -> None:
        if leftover := self._carrier.pending():
            rule = "bytes that answer no question had arrived before this command, which was not sent"
            raise ReplyError(rule, resource=self._resource, command=message, received=leftover)

    def _raise_translated(self, exc: Exception, message: str, received: bytes, too_late: str) -> None:
        """Raise our own error for `exc`; return where nobody mapped it, which is a defect of ours."""
        if self._state == "lost":
            rule = f"the link was {self._reason} while in use"
            raise LinkClosedError(rule, resource=self._resource, command=message, received=received) from exc
        kind = self._carrier.translate(exc)
        if kind is LinkClosedError:
            self._fail("lost", "closed by the peer")
        else:
            self._fail("dirty", too_late if kind is LinkTimeoutError else "a failure between write and read")
        if kind is None:
            return
        rule = too_late if kind is LinkTimeoutError else told(exc)
        if kind is LinkClosedError:
            rule = f"the connection is gone ({rule})"
        raise kind(rule, resource=self._resource, command=message, received=received) from exc

    def _fail(self, state: LinkState, reason: str) -> None:
        # What was lost stays lost, and keeps its first reason.
        if self._state != "lost":
            self._state, self._reason = state, reason

    def _close_carrier(self) -> None:
        if not self._closed:
            self._closed = True
            # Closing a wire that is gone may raise anything; there is nothing left to save.
            with suppress(Exception):
                self._carrier.close()


def translate_os_error(exc: Exception) -> type[LinkError] | None:
    """Which error of ours an error of the system becomes; None for any other exception.

    TimeoutError is an OSError. Any other OSError at a wire (reset, broken pipe, refused, no route, unplugged) means
    that nobody is there any more.
    """
    if isinstance(exc, TimeoutError):
        return LinkTimeoutError
    return LinkClosedError if isinstance(exc, OSError) else None


def told(exc: BaseException) -> str:
    """One line of a foreign exception, for a message."""
    text = " ".join(str(exc).split())
    return f"{type(exc).__name__}: {text}" if text else type(exc).__name__
