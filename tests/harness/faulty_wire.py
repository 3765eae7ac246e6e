"""A wire between run and simulated bench that goes wrong at a stated command."""

from __future__ import annotations

import os
import re
import select
import socket
import struct
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, field
from types import TracebackType
from typing import Literal

Fault = Literal["closed", "reset", "deaf", "late", "half", "garbage"]

LATE_S = 3.0
"""Later than the deadline of any question to a fast instrument."""
GARBAGE = b"\xff\xfe#?!\n"


@dataclass
class FaultyWire:
    """A TCP port in front of one instrument's own port (TCP or serial). All well until a command matches `at`.

    `fault`: `closed` and `reset` end the connection; `deaf` swallows commands; `late` answers after LATE_S; `half`
    sends the first half of each answer; `garbage` answers with other bytes. `lasting`: it stays so, on new connections
    too (which are refused where it was `closed` or `reset`); else one exchange or connection is hit. A command is
    handed on to the instrument before the fault shows if `carried_out`. `nth`: at which match it begins.
    """

    upstream: str
    at: str = ""
    fault: Fault = "deaf"
    lasting: bool = True
    carried_out: bool = False
    nth: int = 1
    commands: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.broken = False
        self._seen = 0
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self._open = True
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    @property
    def resource(self) -> str:
        """The address to put into the bench file."""
        if self.upstream.startswith("TCPIP"):
            return f"TCPIP::127.0.0.1::{self.port}::SOCKET"
        return f"socket://127.0.0.1:{self.port}"

    def __enter__(self) -> FaultyWire:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._open = False
        self._refuse()
        for thread in self._threads:
            thread.join(timeout=5)

    def _refuse(self) -> None:
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()

    def _accept(self) -> None:
        while self._open:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            near.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            thread = threading.Thread(target=self._serve, args=(near,), daemon=True)
            self._threads.append(thread)
            thread.start()

    def _serve(self, near: socket.socket) -> None:
        far = _Upstream(self.upstream)
        text = b""
        try:
            while self._open:
                ready = select.select([near.fileno(), far.fileno()], [], [], 0.1)[0]
                if near.fileno() in ready:
                    data = near.recv(65536)
                    if not data:
                        return
                    text += data
                    while b"\n" in text:
                        line, text = text.split(b"\n", 1)
                        if not self._pass_on(line, near, far):
                            return
                if far.fileno() in ready:
                    data = far.read()
                    if not data:
                        return
                    self._answer(data, near)
        except OSError:
            return
        finally:
            near.close()
            far.close()

    def _pass_on(self, line: bytes, near: socket.socket, far: _Upstream) -> bool:
        """Hand a command on, or go wrong; False: the connection is over."""
        command = line.decode("latin-1")
        self.commands.append(command)
        if self.at and re.search(self.at, command):
            self._seen += 1
            if self._seen == self.nth:
                self.broken = True
        if not self.broken or self.carried_out or self.fault in ("late", "half", "garbage"):
            far.write(line + b"\n")
        if self.broken and self.fault == "deaf":
            self.broken = self.lasting
        if not self.broken or self.fault not in ("closed", "reset"):
            return True
        if self.fault == "reset":
            near.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        if self.lasting:
            self._refuse()
        else:
            self.broken = False
        return False

    def _answer(self, data: bytes, near: socket.socket) -> None:
        if not self.broken:
            near.sendall(data)
            return
        if self.fault == "late":
            time.sleep(LATE_S)
            near.sendall(data)
        elif self.fault == "half":
            near.sendall(data[: max(1, len(data) // 2)])
        elif self.fault == "garbage":
            near.sendall(GARBAGE)
        self.broken = self.lasting


class _Upstream:
    """The instrument's own port."""

    def __init__(self, resource: str) -> None:
        self._socket: socket.socket | None = None
        if resource.startswith("TCPIP"):
            _, host, port, _ = resource.split("::")
            self._socket = socket.create_connection((host, int(port)))
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        else:
            self._line = os.open(resource, os.O_RDWR | os.O_NOCTTY)

    def fileno(self) -> int:
        return self._line if self._socket is None else self._socket.fileno()

    def read(self) -> bytes:
        return os.read(self._line, 65536) if self._socket is None else self._socket.recv(65536)

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
