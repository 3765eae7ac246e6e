"""The plain socket carrier: line devices that stand on a TCP port as they are. Nothing but the standard library."""

from __future__ import annotations

import socket
import time
from contextlib import suppress

from drivers.carrier import opened_link, told, translate_os_error
from drivers.errors import LinkError
from drivers.link import Link
from drivers.wire_log import Tap, untapped

SCHEME = "socket://"

_RECEIVE_MAX = 64 * 1024


def open_socket_link(
    resource: str, *, timeout_s: float = 2.0, open_timeout_s: float = 3.0, tap: Tap = untapped
) -> Link:
    """Open a line on a TCP port, `socket://host:port`. `timeout_s` is the link's own default deadline; `tap` is told
    every message.

    Raises LinkTimeoutError or LinkClosedError where nobody listens, LinkError for a resource that is no such port.
    """

    def connect() -> SocketCarrier:
        return _connect(resource, open_timeout_s)

    return opened_link(resource, connect, timeout_s=timeout_s, blocks=False, tap=tap)


class SocketCarrier:
    """One open connection."""

    def __init__(self, opened: socket.socket) -> None:
        self._opened = opened

    def translate(self, exc: Exception) -> type[LinkError] | None:
        return translate_os_error(exc)

    def pending(self) -> bytes:
        self._opened.settimeout(0.0)
        try:
            return self._received()
        except BlockingIOError:
            return b""

    def write(self, data: bytes, deadline_s: float) -> None:
        self._allow_until(deadline_s)
        self._opened.sendall(data)

    def read(self, deadline_s: float) -> tuple[bytes, bool]:
        self._allow_until(deadline_s)
        return self._received(), False

    def shut(self) -> None:
        self._opened.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self._opened.close()

    def _received(self) -> bytes:
        data = self._opened.recv(_RECEIVE_MAX)
        if not data:
            raise ConnectionError("closed by the peer")
        return data

    def _allow_until(self, deadline_s: float) -> None:
        left_s = deadline_s - time.monotonic()
        if left_s <= 0.0:
            raise TimeoutError
        self._opened.settimeout(left_s)


def _connect(resource: str, open_timeout_s: float) -> SocketCarrier:
    host, _, port = resource.removeprefix(SCHEME).rpartition(":")
    if not (resource.startswith(SCHEME) and host and port.isascii() and port.isdigit()):
        raise LinkError(f"must be {SCHEME}host:port", resource=resource)
    try:
        opened = socket.create_connection((host.strip("[]"), int(port)), timeout=open_timeout_s)
    except (OSError, OverflowError) as exc:
        ours = translate_os_error(exc) or LinkError
        raise ours(f"not opened: {told(exc)}", resource=resource) from exc
    with suppress(OSError):
        opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return SocketCarrier(opened)
