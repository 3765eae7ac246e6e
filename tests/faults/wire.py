"""One wire that goes wrong: a proxy in front of an instrument's own port, with faults that are set off by a message."""

from __future__ import annotations

import heapq
import itertools
import math
import select
import socket
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import TracebackType

from tests.faults.armed import Armed
from tests.faults.ends import Far, Near, SocketNear, TerminalNear
from tests.faults.exchange import Exchange, Talk, Turns

LOOK_S = 0.05
FLOOD = b"1" * 65_536


class Wire:
    """A port in front of one instrument's own; use as a context manager. All is well until an armed fault is due.

    `order` gives an order at the simulated bench's hand port, `step_clock` sets the wall clock. One thread serves
    everything.
    """

    def __init__(
        self,
        role: str,
        upstream: str,
        folder: Path,
        order: Callable[[str], None],
        step_clock: Callable[[float], None] = lambda seconds: None,
    ) -> None:
        self.role = role
        self.order = order
        self.step_clock = step_clock
        self.commands: list[str] = []
        self.armed: tuple[Armed, ...] = ()
        self._upstream = upstream
        self._stop = threading.Event()
        self._talks: list[Talk] = []
        self._later: list[tuple[float, int, Callable[[], None]]] = []
        self._count = itertools.count()
        self._turns_away: Turns = ""
        self._fillers: list[socket.socket] = []
        self._listener: socket.socket | None = None
        self._port = 0
        self._path = folder / f"tty-{role}"
        if self.is_serial:
            self._plug_in()
        else:
            self._listen()
        self._thread = threading.Thread(target=self._serve, name=f"wire of {role}", daemon=True)

    @property
    def is_serial(self) -> bool:
        return not self._upstream.startswith("TCPIP")

    @property
    def resource(self) -> str:
        """The address to put into the bench file."""
        return str(self._path) if self.is_serial else f"TCPIP::127.0.0.1::{self._port}::SOCKET"

    def __enter__(self) -> Wire:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop.set()
        self._thread.join(timeout=10)
        for talk in list(self._talks):
            self.end(talk, False)
        self._stop_listening()

    def say(self, talk: Talk, data: bytes, after_s: float) -> None:
        def now() -> None:
            if talk.is_open:
                with suppress(OSError):
                    talk.near.write(data)

        if after_s:
            self._at(after_s, now)
        else:
            now()

    def end(self, talk: Talk, reset: bool) -> None:
        if talk.is_open:
            talk.is_open = False
            self._talks.remove(talk)
            talk.far.close()
            talk.near.close(reset)

    def turn_away(self, seconds: float, how: Turns) -> None:
        self._turns_away = how
        if how != "closed":
            self._stop_listening()
        if how == "unanswered":
            self._listen(backlog=0)
            self._fill_backlog()
        if seconds < math.inf:
            self._at(seconds, self._welcome)

    def vanish(self, talk: Talk, seconds: float) -> None:
        self.end(talk, False)
        if seconds < math.inf:
            self._at(seconds, self._plug_in)

    def behind(self, *messages: str) -> None:
        far = Far(self._upstream)
        try:
            for message in messages:
                far.write(message.encode() + b"\n")
            if not self.is_serial:
                # Answered once it has carried out what came before; only then may the harness go on.
                far.write(b"*OPC?\n")
                far.read()
        finally:
            far.close()

    def _at(self, after_s: float, act: Callable[[], None]) -> None:
        heapq.heappush(self._later, (time.monotonic() + after_s, next(self._count), act))

    def _plug_in(self) -> None:
        self._talks.append(Talk(TerminalNear(self._path), Far(self._upstream)))

    def _listen(self, backlog: int = 8) -> None:
        listener = socket.socket()
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("127.0.0.1", self._port))
        listener.listen(backlog)
        self._listener, self._port = listener, int(listener.getsockname()[1])

    def _stop_listening(self) -> None:
        for filler in self._fillers:
            filler.close()
        self._fillers.clear()
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    def _fill_backlog(self) -> None:
        """Connections that nobody accepts: with the queue full the kernel answers no more of them."""
        for _ in range(4):
            filler = socket.socket()
            filler.setblocking(False)
            filler.connect_ex(("127.0.0.1", self._port))
            self._fillers.append(filler)

    def _welcome(self) -> None:
        if self._turns_away != "closed":
            self._stop_listening()
            self._listen()
        self._turns_away = ""

    def _serve(self) -> None:
        while not self._stop.is_set():
            self._do_what_is_due()
            watched: list[Near | Far | socket.socket] = [end for talk in self._talks for end in (talk.near, talk.far)]
            if self._listener is not None and self._turns_away != "unanswered":
                watched.append(self._listener)
            floods = any(talk.floods_until_s for talk in self._talks)
            ready = select.select(watched, [], [], 0.001 if floods else self._patience_s())[0]
            if self._listener in ready:
                self._accept()
            for talk in list(self._talks):
                self._look(talk, ready)

    def _patience_s(self) -> float:
        return max(0.0, min(LOOK_S, self._later[0][0] - time.monotonic())) if self._later else LOOK_S

    def _do_what_is_due(self) -> None:
        while self._later and self._later[0][0] <= time.monotonic():
            heapq.heappop(self._later)[2]()

    def _accept(self) -> None:
        assert self._listener is not None
        connection, _ = self._listener.accept()
        if self._turns_away:
            connection.close()
            return
        try:
            self._talks.append(Talk(SocketNear(connection), Far(self._upstream)))
        except OSError:
            connection.close()

    def _look(self, talk: Talk, ready: list[Near | Far | socket.socket]) -> None:
        try:
            if talk.floods_until_s:
                talk.near.write_some(FLOOD)
                if time.monotonic() > talk.floods_until_s:
                    talk.floods_until_s = 0.0
            if talk.is_open and talk.near in ready:
                self._from_harness(talk, talk.near.read())
            if talk.is_open and talk.far in ready:
                self._from_instrument(talk, talk.far.read())
        except OSError:
            self.end(talk, False)

    def _from_harness(self, talk: Talk, data: bytes) -> None:
        if not data:
            self.end(talk, False)
            return
        talk.text += data
        while talk.is_open and b"\n" in talk.text:
            command, talk.text = talk.text.split(b"\n", 1)
            self._command(talk, command)

    def _command(self, talk: Talk, command: bytes) -> None:
        self.commands.append(command.decode("latin-1"))
        talk.command = command
        if talk.owed:
            owed, talk.owed = talk.owed, b""
            self.say(talk, owed, 0.0)
        for armed in self.armed:
            armed.looks_at(len(self.commands), command)
        if talk.is_lost:
            return
        if not self._bitten(talk, command, None):
            talk.far.write(command + b"\n")

    def _from_instrument(self, talk: Talk, data: bytes) -> None:
        if not data:
            self.end(talk, False)
            return
        for reply in talk.replies.feed(data):
            if talk.is_open and not talk.is_lost and not self._bitten(talk, talk.command, reply):
                self.say(talk, reply, 0.0)

    def _bitten(self, talk: Talk, command: bytes, reply: bytes | None) -> bool:
        """Let the first armed fault that takes hold do what it does."""
        for armed in self.armed:
            if armed.takes(command, reply):
                armed.fault.act(Exchange(self, talk, armed, command, reply))
                return True
        return False
