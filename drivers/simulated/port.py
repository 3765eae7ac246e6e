"""Sockets and pseudo-terminals of the simulated bench: bytes to messages to instruments, and the waiting between.

One thread a connection. The world is touched only under its lock, and the lock is given back while a reply has to wait.
Loopback only.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
from collections import deque
from collections.abc import Callable, Generator
from functools import partial
from types import TracebackType
from typing import NamedTuple, Protocol, TypeVar

from drivers.simulated.board_file import Clients
from drivers.simulated.clock import Clock
from drivers.simulated.command import MessageSplitter, asks
from drivers.simulated.instrument import Instrument
from drivers.simulated.scpi_error import ScpiError
from drivers.simulated.world import World

CHUNK = 65_536
LOOK_S = 0.02
"""Real seconds between looks at the stop request and at a wait that another connection may end."""
LONGEST_LINE = 4096
Reply = TypeVar("Reply")


class InterruptedByPeer(Exception):  # noqa: N818 (an event of the message exchange, no error of this program)
    """A new message came while a reply was still awaited."""


class Wire(Protocol):
    """Bytes to and from one peer."""

    def fileno(self) -> int: ...

    def read(self) -> bytes:
        """What has arrived; empty where the peer has gone."""
        ...

    def write(self, data: bytes) -> None: ...


class SocketWire:
    def __init__(self, connection: socket.socket) -> None:
        self._socket = connection
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def fileno(self) -> int:
        return self._socket.fileno()

    def read(self) -> bytes:
        return self._socket.recv(CHUNK)

    def write(self, data: bytes) -> None:
        self._socket.sendall(data)


class TerminalWire:
    """The instrument's end of a pseudo-terminal."""

    def __init__(self, master: int) -> None:
        self._master = master

    def fileno(self) -> int:
        return self._master

    def read(self) -> bytes:
        return os.read(self._master, CHUNK)

    def write(self, data: bytes) -> None:
        # As on a real line, what nobody reads is lost once the buffer is full; it must not stop the device.
        with contextlib.suppress(BlockingIOError):
            os.write(self._master, data)


class Arrival(NamedTuple):
    """Bytes, and the bench time at which they arrived: a command takes effect then, however busy the bench is."""

    data: bytes
    time_s: float


class Connection:
    """One peer's session: waits for bytes, and carries out generators that wait for bench time."""

    def __init__(self, wire: Wire, world: World, clock: Clock, stop: threading.Event) -> None:
        self.wire = wire
        self.world = world
        self.clock = clock
        self.stop = stop

    def receive(self, timeout_s: float) -> Arrival | None:
        """Bytes; None where none came in time. Raises EOFError when the peer has gone or the bench stops."""
        readable = select.select([self.wire], [], [], timeout_s)[0]
        time_s = self.clock.now()
        if self.stop.is_set():
            raise EOFError
        if not readable:
            return None
        data = self.wire.read()
        if not data:
            raise EOFError
        return Arrival(data, time_s)

    def complete(
        self,
        steps: Generator[float, None, Reply],
        time_s: float,
        arrived: Callable[[Arrival], None],
        give_up: Callable[[], bool] = lambda: False,
    ) -> Reply:
        """Run a generator, from bench time `time_s` on, to its end and return its value.

        What arrives meanwhile is given to `arrived`. Raises InterruptedByPeer where it has to wait and `give_up` says
        so.
        """
        while True:
            try:
                with self.world.lock:
                    self.world.move_to(time_s)
                    until_s = next(steps)
            except StopIteration as end:
                value: Reply = end.value
                return value
            if not give_up():
                self.clock.pass_until(until_s)
                if arrival := self.receive(min(LOOK_S, self.clock.real_seconds_until(until_s))):
                    arrived(arrival)
            if give_up():
                steps.close()
                raise InterruptedByPeer
            time_s = self.clock.now()


Session = Callable[[Connection], None]


def scpi_session(instrument: Instrument) -> Session:
    """Program messages in, replies out. One that comes while a reply is awaited interrupts it (IEEE 488.2 6.3.2.3)."""

    def session(connection: Connection) -> None:
        splitter = MessageSplitter()
        waiting: deque[tuple[bytes | ScpiError, float]] = deque()

        def arrived(arrival: Arrival) -> None:
            waiting.extend((message, arrival.time_s) for message in splitter.feed(arrival.data))

        while True:
            if not waiting:
                if (arrival := connection.receive(LOOK_S)) is not None:
                    arrived(arrival)
                continue
            message, time_s = waiting.popleft()
            if isinstance(message, ScpiError):
                with connection.world.lock:
                    instrument.status.record(message)
                continue
            text = message.decode("latin-1")
            try:
                more = partial(bool, waiting if asks(text) else ())
                reply = connection.complete(instrument.run(text), time_s, arrived, more)
            except InterruptedByPeer:
                with connection.world.lock:
                    instrument.interrupted()
                continue
            if reply is not None:
                connection.wire.write(reply)

    return session


class LineDevice(Protocol):
    def run(self, line: str) -> Generator[float, None, str | None]: ...


def line_session(device: LineDevice) -> Session:
    """Lines in, one line out for each, where the device answers; an empty line is passed over."""

    def session(connection: Connection) -> None:
        buffer, time_s = b"", 0.0

        def arrived(arrival: Arrival) -> None:
            nonlocal buffer, time_s
            buffer, time_s = buffer + arrival.data, arrival.time_s

        while True:
            line, newline, rest = buffer.partition(b"\n")
            if not newline:
                buffer = buffer[-LONGEST_LINE:]
                if (arrival := connection.receive(LOOK_S)) is not None:
                    arrived(arrival)
                continue
            buffer = rest
            text = line.decode("latin-1").strip()
            if text:
                answer = connection.complete(device.run(text), time_s, arrived)
                if answer is not None:
                    connection.wire.write(f"{answer}\n".encode("latin-1"))

    return session


class Ports:
    """All that listens; closing it ends every session."""

    def __init__(self, world: World, clock: Clock, *, pty: bool) -> None:
        self._world = world
        self._clock = clock
        self._pty = pty and hasattr(os, "openpty")
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []
        self._connected: dict[socket.socket, Session] = {}
        self._open = contextlib.ExitStack()
        self._failure: BaseException | None = None

    def __enter__(self) -> Ports:
        return self

    def __exit__(self, kind: type[BaseException] | None, exc: BaseException | None, tb: TracebackType | None) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join(1.0)
        self._open.close()

    def check(self) -> None:
        """Raise what ended a session for another reason than its peer going away: a fault of the simulation itself."""
        if self._failure is not None:
            raise self._failure

    def drop(self, session: Session) -> None:
        """Break every TCP connection of this session, as an instrument does that restarts; new ones are welcome."""
        for connection, served in list(self._connected.items()):
            if served is session:
                # The peer may have closed it just now.
                with contextlib.suppress(OSError):
                    connection.shutdown(socket.SHUT_RDWR)

    def tcp(self, session: Session, clients: Clients = "many") -> int:
        """Serve on a free loopback port, so many connections at a time; returns its number."""
        listener = self._open.enter_context(socket.create_server(("127.0.0.1", 0)))
        self._start(self._accept, listener, session, clients)
        return int(listener.getsockname()[1])

    def serial(self, session: Session) -> str:
        """Serve on a pseudo-terminal, or on TCP where there are none; returns the port as the bench file writes it."""
        try:
            if not self._pty:
                raise OSError
            master, line = os.openpty()
        except OSError:
            return f"socket://127.0.0.1:{self.tcp(session)}"
        import tty  # not on every system

        self._open.callback(os.close, master)
        # The far end stays open here: otherwise reading fails whenever no peer has it open.
        self._open.callback(os.close, line)
        tty.setraw(line)
        os.set_blocking(master, False)
        self._start(self._session, TerminalWire(master), session)
        return os.ttyname(line)

    def _start(self, target: Callable[..., None], *arguments: object) -> threading.Thread:
        self._threads = [thread for thread in self._threads if thread.is_alive()]
        thread = threading.Thread(target=target, args=arguments, daemon=True)
        self._threads.append(thread)
        thread.start()
        return thread

    def _accept(self, listener: socket.socket, session: Session, clients: Clients) -> None:
        serving: threading.Thread | None = None
        while not self._stop.is_set():
            if clients == "one, others wait" and serving is not None and serving.is_alive():
                # Whoever connects meanwhile is connected by the system, and not answered.
                serving.join(LOOK_S)
            elif select.select([listener], [], [], LOOK_S)[0]:
                connection, _ = listener.accept()
                if clients == "one, others are refused" and serving is not None and serving.is_alive():
                    connection.close()
                else:
                    serving = self._start(self._serve_connection, connection, session)

    def _serve_connection(self, connection: socket.socket, session: Session) -> None:
        self._connected[connection] = session
        with connection:
            try:
                self._session(SocketWire(connection), session)
            finally:
                del self._connected[connection]

    def _session(self, wire: Wire, session: Session) -> None:
        try:
            session(Connection(wire, self._world, self._clock, self._stop))
        except (EOFError, ConnectionError):
            pass
        except Exception as exc:  # noqa: BLE001 (raised again in the main thread by check)
            self._failure = exc
