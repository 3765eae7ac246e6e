"""The raw-socket session of pyvisa-py, hardened: importing this module needs pyvisa-py.

The session of pyvisa-py 0.8.1 reports a closed peer as a timeout after spinning, writes without a deadline, takes its
deadlines from the wall clock, leaves TCP_NODELAY off (44 ms a write and query), opens a closed port without an error,
and its clear() may never return. This one keeps the same VISA meanings without any of that. It relies on the names in
PINS, which are not public; `register` checks them.
"""

from __future__ import annotations

import socket
import time
from typing import Any

import pyvisa_py
from pyvisa.constants import BufferOperation, InterfaceType, ResourceAttribute, StatusCode
from pyvisa_py import sessions, tcpip
from pyvisa_py.highlevel import PyVisaLibrary

PINS: tuple[tuple[Any, str], ...] = (
    (sessions.Session, "_session_classes"),
    (sessions.Session, "get_attribute"),
    (sessions.Session, "after_parsing"),
    (tcpip.TCPIPSocketSession, "_connect"),
    (tcpip.TCPIPSocketSession, "after_parsing"),
    (PyVisaLibrary, "_register"),
)
"""Where pyvisa-py must have which name for the session below to work."""

_RECEIVE_MAX = 64 * 1024
"""A larger recv() costs time and brings nothing (measured)."""

_OPEN_TIMEOUT_S = 10.0
_IDLE_S, _PROBE_S, _PROBES = 15, 5, 3
_UNACKNOWLEDGED_MS = 15_000


class SocketSession(tcpip.TCPIPSocketSession):  # type: ignore[misc, unused-ignore]
    """VISA raw socket: total monotonic deadlines for read and write, a closed peer seen at once.

    With the termination character and `suppress_end_enabled` both off a read returns what has arrived, as soon as
    anything has.
    """

    interface: Any

    def _connect(self) -> StatusCode:
        """Connect, or raise the OSError that says why not."""
        timeout_s = self.open_timeout / 1000 if self.open_timeout else _OPEN_TIMEOUT_S
        address = (self.parsed.host_address, int(self.parsed.port))
        self.interface = socket.create_connection(address, timeout=timeout_s)
        self.interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._watch_the_peer(self.interface)
        return StatusCode.success

    @staticmethod
    def _watch_the_peer(sock: socket.socket) -> None:
        """Notice a peer that vanished without a word; the options beyond the first are not on every system."""
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        for name, value in (
            ("TCP_KEEPIDLE", _IDLE_S),
            ("TCP_KEEPINTVL", _PROBE_S),
            ("TCP_KEEPCNT", _PROBES),
            ("TCP_USER_TIMEOUT", _UNACKNOWLEDGED_MS),
        ):
            if hasattr(socket, name):
                sock.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)

    def read(self, count: int) -> tuple[bytes, StatusCode]:
        """viRead: at most `count` bytes, up to the termination character, or what has arrived (see the class)."""
        deadline_s = self._deadline()
        while True:
            found = self._take(count)
            if found is not None:
                return found
            try:
                received = self._within(deadline_s).recv(_RECEIVE_MAX)
            except (TimeoutError, BlockingIOError):
                head = bytes(self._pending_buffer[:count])
                del self._pending_buffer[:count]
                return head, StatusCode.error_timeout
            except OSError:
                return b"", StatusCode.error_connection_lost
            if not received:
                return b"", StatusCode.error_connection_lost
            self._pending_buffer.extend(received)

    def write(self, data: bytes) -> tuple[int, StatusCode]:
        """viWrite: all of it before the deadline, or an error."""
        try:
            # sendall() keeps its timeout for the whole of the data, by the monotonic clock.
            self._within(self._deadline()).sendall(data)
        except (TimeoutError, BlockingIOError):
            return 0, StatusCode.error_timeout
        except OSError:
            return 0, StatusCode.error_connection_lost
        return len(data), StatusCode.success

    def shut(self) -> None:
        """End a blocked read or write from any thread. Raises OSError where the socket is gone already."""
        interface = self.interface
        if interface is not None:
            interface.shutdown(socket.SHUT_RDWR)

    def clear(self) -> StatusCode:
        """A raw socket has no device clear."""
        return StatusCode.error_nonsupported_operation

    def flush(self, mask: BufferOperation) -> StatusCode:
        """Drop what was received, without any I/O; writes are not buffered."""
        if mask & (
            BufferOperation.discard_read_buffer
            | BufferOperation.discard_read_buffer_no_io
            | BufferOperation.discard_receive_buffer
            | BufferOperation.discard_receive_buffer2
        ):
            self._pending_buffer.clear()
        return StatusCode.success

    def close(self) -> StatusCode:
        """A second call does nothing."""
        if self.interface is not None:
            self.interface.close()
            self.interface = None
        return StatusCode.success

    def _deadline(self) -> float | None:
        return None if self.timeout is None else time.monotonic() + self.timeout

    def _within(self, deadline_s: float | None) -> socket.socket:
        """The socket, set to wait no longer than until the deadline; past it, not at all."""
        if self.interface is None:
            raise OSError("closed")
        sock: socket.socket = self.interface
        sock.settimeout(None if deadline_s is None else max(deadline_s - time.monotonic(), 0.0))
        return sock

    def _take(self, count: int) -> tuple[bytes, StatusCode] | None:
        """What ends a read and stands in the buffer already; None: need more."""
        buffer = self._pending_buffer
        status = StatusCode.success_max_count_read
        size = min(len(buffer), count)
        if self._attribute(ResourceAttribute.termchar_enabled):
            found = buffer.find(self._attribute(ResourceAttribute.termchar), 0, count)
            if found >= 0:
                size, status = found + 1, StatusCode.success_termination_character_read
        elif 0 < len(buffer) <= count and not self._attribute(ResourceAttribute.suppress_end_enabled):
            status = StatusCode.success
        if status == StatusCode.success_max_count_read and size < count:
            return None
        taken = bytes(buffer[:size])
        del buffer[:size]
        return taken, status

    def _attribute(self, attribute: ResourceAttribute) -> Any:
        return self.get_attribute(attribute)[0]


def register() -> None:
    """Make pyvisa-py use this session for raw sockets. Raises AttributeError naming what this pyvisa-py lacks."""
    for owner, name in PINS:
        if not hasattr(owner, name):
            version = pyvisa_py.__version__
            raise AttributeError(f"pyvisa-py {version} has no {owner.__name__}.{name}; needed is >=0.8.1,<0.9")
    key = (InterfaceType.tcpip, "SOCKET")
    # Written into the table, since Session.register() logs a warning for each class that it replaces.
    SocketSession.session_type = key
    sessions.Session._session_classes[key] = SocketSession
