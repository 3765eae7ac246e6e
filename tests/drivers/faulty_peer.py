"""Small TCP instruments that misbehave on purpose, each in a thread of the test."""

from __future__ import annotations

import socket
import struct
import threading
from collections.abc import Callable
from contextlib import suppress
from types import TracebackType


class Wire:
    """The peer's end of one connection. `number` counts connections from 1; `go` is set by the test."""

    def __init__(self, connection: socket.socket, number: int, go: threading.Event) -> None:
        self.connection = connection
        self.number = number
        self.go = go
        self._file = connection.makefile("rb")

    def line(self) -> str:
        """The next command; raises EOFError when the other side has closed."""
        data = self._file.readline()
        if not data.endswith(b"\n"):
            raise EOFError
        return data.decode("latin-1").rstrip("\r\n")

    def say(self, data: bytes) -> None:
        self.connection.sendall(data)

    def reset(self) -> None:
        """Close by RST in place of FIN."""
        self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self._file.close()
        self.connection.close()


Serve = Callable[[Wire], None]


class FaultyPeer:
    """A server on the loopback; `serve` handles one connection after another."""

    def __init__(self, serve: Serve) -> None:
        self.go = threading.Event()
        self.connections = 0
        self._serve = serve
        self._listener = socket.socket()
        # A small buffer, so that a deaf peer pushes back soon.
        self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        self._listener.bind(("127.0.0.1", 0))
        self._listener.listen(8)
        self.port = int(self._listener.getsockname()[1])
        self._thread = threading.Thread(target=self._run, daemon=True)

    @property
    def visa(self) -> str:
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    @property
    def url(self) -> str:
        return f"socket://127.0.0.1:{self.port}"

    def __enter__(self) -> FaultyPeer:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.go.set()
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join(5)
        assert not self._thread.is_alive(), "the peer did not end: the link under test was left open"

    def _run(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            self.connections += 1
            with connection, suppress(OSError, EOFError, ValueError):
                self._serve(Wire(connection, self.connections, self.go))


def refused_port() -> int:
    """A port on which nobody listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def answering(reply: Callable[[str], bytes]) -> Serve:
    """Answer every command; an empty reply says nothing."""

    def serve(wire: Wire) -> None:
        while True:
            wire.say(reply(wire.line()))

    return serve


def deaf(wire: Wire) -> None:
    """Accept, and never read nor write."""
    wire.go.wait(10)


def mute(wire: Wire) -> None:
    """Read every command and answer none."""
    while True:
        wire.line()


def close_at_once(wire: Wire) -> None:
    """Close the connection without a word."""
    # makefile() keeps the socket open otherwise.
    wire.connection.shutdown(socket.SHUT_RDWR)


def reset_when_asked(wire: Wire) -> None:
    """RST in place of a reply."""
    wire.line()
    wire.reset()


def late(wire: Wire) -> None:
    """On the first connection the first reply comes when the test says `go`; later connections answer at once."""
    while True:
        command = wire.line()
        if wire.number == 1:
            wire.go.wait(10)
            wire.say(b"OLD\n")
        else:
            wire.say(f"answer to {command}\n".encode())


def half(wire: Wire) -> None:
    """Half a number, and the other half, which parses as a number too, when the test says `go`."""
    wire.line()
    wire.say(b"+1.2345")
    wire.go.wait(10)
    wire.say(b"67E-03\n")
    wire.line()


def half_then_close(wire: Wire) -> None:
    """Half a number, and the end of the connection."""
    wire.line()
    wire.say(b"+1.2345")
    wire.connection.shutdown(socket.SHUT_RDWR)


def dribble(wire: Wire) -> None:
    """One digit after another, and never a line end."""
    wire.line()
    while not wire.go.wait(0.002):
        wire.say(b"1")


def flood(wire: Wire) -> None:
    """Digits without end, faster than anybody reads, and never a line end."""
    wire.line()
    while True:
        wire.say(b"1" * 4096)


def two_replies(wire: Wire) -> None:
    """Two lines for every question, in one piece."""
    while True:
        wire.line()
        wire.say(b"1\n2\n")
