"""Serves a script on loopback ports, in one thread: a port a role, and one for the bench's clock.

Serial lines are served as TCP ports too ("socket://…"): the same link and the same driver, and only so can a port be
missing for a while, as the log may have it. Messages go as fast as they are asked for; only what took real time by its
failure (a deadline, a wait before the next attempt) takes it again.
"""

from __future__ import annotations

import contextlib
import select
import selectors
import socket
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from harness.replay.player import Answer, Difference, Player
from harness.replay.script import Script
from harness.replay.times import Times
from harness.wire_record import CLOCK_ROLE

LINE_ROLES = ("relay_board", "board", CLOCK_ROLE)
"""Whose links are serial lines; every other role speaks over a VISA socket."""

LOOK_S = 0.02
"""Real seconds between looks at the stop request, and at what is to listen again."""

LINGER_S = 1.5
"""After a difference: so long nobody must be connected before the replay ends."""

PATIENCE_S = 5.0
"""Real seconds to wait for the other instruments to come as far as the log has them."""

SEND_S = 5.0
"""Real seconds for a reply that nobody reads."""

_MESSAGE_MAX = 1024 * 1024
"""A message longer than this without an end is taken as one."""


@dataclass
class _Wire:
    """One connection, and what has come of its next message."""

    socket: socket.socket
    buffer: bytes = b""


@dataclass
class _Port:
    """One role's port: bound as long as the replay lasts, listening unless the log has it refuse."""

    role: str
    player: Player | None
    number: int = 0
    listener: socket.socket | None = None
    listening: bool = False
    wires: list[_Wire] = field(default_factory=list)


class Replay:
    """Serves a script until everything is as logged to its end, or the far end has gone after a difference."""

    def __init__(self, script: Script, *, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self.players = {role: Player(role, steps) for role, steps in script.roles.items()}
        self._times = Times(script.clock)
        self._differences: list[Difference] = []
        self._selector = selectors.DefaultSelector()
        self._ports: dict[str, _Port] = {}
        self._real_less_log_s: float | None = None
        self._alone_since_s = self._monotonic()

    def open(self) -> dict[str, str]:
        """Bind and listen; returns role -> resource, as a bench file writes it. The clock is one of them."""
        for role in (*self.players, CLOCK_ROLE):
            port = self._ports[role] = _Port(role, self.players.get(role))
            self._bind(port)
        self._listen_as_logged()
        return {role: _resource(role, port.number) for role, port in self._ports.items()}

    def close(self) -> None:
        """Close everything; a second call does nothing."""
        for port in self._ports.values():
            for wire in list(port.wires):
                self._drop(port, wire)
            if port.listener is not None:
                port.listener.close()
        self._ports.clear()
        self._selector.close()

    def serve(self, stop: Callable[[], bool]) -> None:
        """Serve until the end, or until `stop` says so."""
        while not stop() and not self._over():
            ready = [key.data for key, _ in self._selector.select(LOOK_S)]
            # Wires first: who closes and connects anew is seen to do it in that order.
            for port, wire in sorted(ready, key=lambda one: one[1] is None):
                if wire is None:
                    self._accept(port)
                elif wire in port.wires:
                    self._read(port, wire)
            self._listen_as_logged()

    @property
    def differences(self) -> list[Difference]:
        """Where roles went another way than the log, in the order in which it came."""
        return list(self._differences)

    def _over(self) -> bool:
        if any(port.wires for port in self._ports.values()):
            self._alone_since_s = self._monotonic()
            return False
        if self._differences:
            return self._monotonic() - self._alone_since_s > LINGER_S
        return all(player.done for player in self.players.values())

    def _bind(self, port: _Port) -> None:
        """Take the port, without listening: whoever comes is refused."""
        listener = socket.socket()
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("127.0.0.1", port.number))
        listener.setblocking(False)
        port.number = int(listener.getsockname()[1])
        port.listener, port.listening = listener, False

    def _listen_as_logged(self) -> None:
        for port in self._ports.values():
            wanted = self._is_open(port)
            if wanted and not port.listening:
                assert port.listener is not None
                port.listener.listen()
                port.listening = True
                self._selector.register(port.listener, selectors.EVENT_READ, (port, None))
            elif not wanted and port.listening:
                assert port.listener is not None
                self._selector.unregister(port.listener)
                port.listener.close()
                self._bind(port)

    def _is_open(self, port: _Port) -> bool:
        player = port.player
        if player is None:
            return True
        if player.difference is not None:
            return False
        if player.refuses is None:
            return True
        if not self._has_waited(player):
            return False
        player.let_in()
        return True

    def _has_waited(self, player: Player) -> bool:
        """Whether an instrument that was not to be reached is to be reached again.

        Not before the others have come as far as the log has them, unless they do not (they may go another way). Where
        none of them was spoken to since the last refusal, half-way in time to the attempt that was not refused.
        """
        if player.opening is None or self._real_less_log_s is None:
            return False
        refused, opened = player.opening
        late_s = self._monotonic() - self._real_less_log_s - (refused.time_s + opened.time_s) / 2.0
        others = [other for other in self.players.values() if other is not player]
        if any(other.is_before(opened.number) for other in others):
            return late_s >= PATIENCE_S
        return late_s >= 0.0 or any(other.number > refused.number for other in others)

    def _accept(self, port: _Port) -> None:
        assert port.listener is not None
        try:
            connection, _ = port.listener.accept()
        except OSError:
            return  # gone again already
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection.settimeout(SEND_S)
        # Who was there before has left first, though it may be seen later.
        for before in list(port.wires):
            while before in port.wires and select.select([before.socket], [], [], 0)[0]:
                self._read(port, before)
        wire = _Wire(connection)
        port.wires.append(wire)
        self._selector.register(connection, selectors.EVENT_READ, (port, wire))
        if port.player is not None:
            self._do(port, wire, port.player.connected())

    def _read(self, port: _Port, wire: _Wire) -> None:
        try:
            data = wire.socket.recv(65_536)
        except OSError:
            data = b""
        if not data:
            self._drop(port, wire)
            if port.player is not None and port.player.difference is None:
                self._do(port, wire, port.player.left())
            return
        wire.buffer += data
        while wire in port.wires and (b"\n" in wire.buffer or len(wire.buffer) > _MESSAGE_MAX):
            message, newline, wire.buffer = wire.buffer.partition(b"\n")
            self._do(port, wire, self._answer(port, message + newline))

    def _answer(self, port: _Port, message: bytes) -> Answer:
        if port.player is None:
            return Answer((self._times.answer(message),))
        return port.player.message(message)

    def _do(self, port: _Port, wire: _Wire, answer: Answer) -> None:
        if answer.number:
            self._real_less_log_s = self._monotonic() - answer.time_s
            self._times.come_to(answer.number)
        if port.player is not None and port.player.difference is not None:
            self._differences.append(port.player.difference)
            for other in list(port.wires):
                self._drop(port, other)
        # What is refused next is refused before the far end can know that it has to come again.
        self._listen_as_logged()
        if wire in port.wires:
            with contextlib.suppress(OSError):
                _send(wire.socket, answer.parts)
        if answer.close:
            self._drop(port, wire)

    def _drop(self, port: _Port, wire: _Wire) -> None:
        if wire in port.wires:
            port.wires.remove(wire)
            self._selector.unregister(wire.socket)
            with contextlib.suppress(OSError):
                wire.socket.shutdown(socket.SHUT_RDWR)
            wire.socket.close()


def _send(wire: socket.socket, parts: tuple[bytes, ...]) -> None:
    """Send what comes of itself, too, so that it is found after the reply and not with it.

    A byte of urgent data parts them: the far end's system ends a read there, and takes the byte out (RFC 9293, 3.8.5:
    a mark in the stream of data).
    """
    for part in parts[:-1]:
        wire.sendall(part)
        wire.send(b"!", socket.MSG_OOB)
    for part in parts[-1:]:
        wire.sendall(part)


def _resource(role: str, number: int) -> str:
    return f"socket://127.0.0.1:{number}" if role in LINE_ROLES else f"TCPIP::127.0.0.1::{number}::SOCKET"
