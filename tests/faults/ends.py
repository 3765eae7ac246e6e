"""The two ends of a wire that goes wrong: the instrument's own port, and the port that the harness opens."""

from __future__ import annotations

import os
import re
import select
import socket
import struct
import tty
from contextlib import suppress
from pathlib import Path

CHUNK = 65_536


class Far:
    """A connection to an instrument's own port: `TCPIP::host::port::SOCKET`, `socket://host:port`, or the path of a
    serial line."""

    def __init__(self, resource: str) -> None:
        self._socket: socket.socket | None = None
        self._line = -1
        found = re.fullmatch(r"TCPIP::(.+)::(\d+)::SOCKET|socket://(.+):(\d+)", resource)
        if found:
            host, port = found[1] or found[3], int(found[2] or found[4])
            self._socket = socket.create_connection((host, port), timeout=5.0)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        else:
            self._line = os.open(resource, os.O_RDWR | os.O_NOCTTY)

    def fileno(self) -> int:
        return self._line if self._socket is None else self._socket.fileno()

    def read(self) -> bytes:
        """What has arrived; empty where the instrument has closed."""
        return os.read(self._line, CHUNK) if self._socket is None else self._socket.recv(CHUNK)

    def write(self, data: bytes) -> None:
        if self._socket is None:
            os.write(self._line, data)
        else:
            self._socket.sendall(data)

    def close(self) -> None:
        if self._socket is None:
            os.close(self._line)
        else:
            self._socket.close()


class SocketNear:
    """The connection that the harness has opened."""

    def __init__(self, connection: socket.socket) -> None:
        self._socket = connection
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def fileno(self) -> int:
        return self._socket.fileno()

    def read(self) -> bytes:
        return self._socket.recv(CHUNK)

    def write(self, data: bytes) -> None:
        self._socket.sendall(data)

    def write_some(self, data: bytes) -> None:
        """As much as the harness takes just now."""
        if select.select([], [self._socket], [], 0)[1]:
            self._socket.send(data)

    def close(self, reset: bool = False) -> None:
        if reset:
            # RST in place of FIN.
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self._socket.close()


class TerminalNear:
    """A pseudo-terminal under a name that stays, as a serial port has one by its identity: `path` is a link to it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._master, self._line = os.openpty()
        tty.setraw(self._line)
        os.set_blocking(self._master, False)
        path.unlink(missing_ok=True)
        path.symlink_to(os.ttyname(self._line))

    def fileno(self) -> int:
        return self._master

    def read(self) -> bytes:
        return os.read(self._master, CHUNK)

    def write(self, data: bytes) -> None:
        # As on a real line, what nobody reads is lost once the buffer is full.
        with suppress(BlockingIOError):
            os.write(self._master, data)

    write_some = write

    def close(self, reset: bool = False) -> None:
        """The port disappears: its name, too."""
        self.path.unlink(missing_ok=True)
        os.close(self._master)
        os.close(self._line)


Near = SocketNear | TerminalNear


class Replies:
    """Bytes of an instrument into whole replies: lines, and definite-length blocks with their line end."""

    def __init__(self) -> None:
        self._data = b""

    def feed(self, data: bytes) -> list[bytes]:
        """The replies that are complete by now, each with its terminator."""
        self._data += data
        found = []
        while (size := self._size()) is not None:
            found.append(self._data[:size])
            self._data = self._data[size:]
        return found

    def _size(self) -> int | None:
        data = self._data
        if data[:1] == b"#":
            if len(data) < 2 or len(data) < 2 + int(data[1:2]):
                return None
            whole = 2 + int(data[1:2]) + int(data[2 : 2 + int(data[1:2])]) + 1
            return whole if len(data) >= whole else None
        end = data.find(b"\n")
        return None if end < 0 else end + 1
