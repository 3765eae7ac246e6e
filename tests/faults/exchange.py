"""One connection through a wire, and what a fault may do about the command or the reply that it has taken hold of."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Literal, Protocol

from tests.faults.armed import Armed
from tests.faults.ends import Far, Near, Replies

Turns = Literal["", "closed", "refused", "unanswered"]
"""What becomes of new connections: they are welcome, or closed at once, refused, not answered at all."""


class Talk:
    """One connection of the harness through the wire to the instrument."""

    def __init__(self, near: Near, far: Far) -> None:
        self.near = near
        self.far = far
        self.text = b""
        self.command = b""
        self.replies = Replies()
        self.owed = b""
        self.floods_until_s = 0.0
        self.is_lost = False
        self.is_open = True


class Wire(Protocol):
    """What a fault may ask of the wire itself."""

    role: str
    order: Callable[[str], None]
    step_clock: Callable[[float], None]

    def say(self, talk: Talk, data: bytes, after_s: float) -> None: ...

    def end(self, talk: Talk, reset: bool) -> None: ...

    def turn_away(self, seconds: float, how: Turns) -> None: ...

    def vanish(self, talk: Talk, seconds: float) -> None: ...

    def behind(self, *messages: str) -> None: ...


class Exchange:
    """What a fault may do about the command, or the reply, that it has taken hold of."""

    def __init__(self, wire: Wire, talk: Talk, armed: Armed, command: bytes, reply: bytes | None) -> None:
        self.command = command
        self.reply = b"" if reply is None else reply
        self.lasts_s = armed.lasts_s
        self.role = wire.role
        self._is_command = reply is None
        self._wire = wire
        self._talk = talk

    def say(self, data: bytes, after_s: float = 0.0) -> None:
        """Bytes to the harness, now or later."""
        self._wire.say(self._talk, data, after_s)

    def say_before_the_next(self, data: bytes) -> None:
        """Bytes to the harness as soon as it has sent its next command."""
        self._talk.owed += data

    def go_on(self) -> None:
        """What the wire would have done: hand on the command, or the reply."""
        if self._is_command:
            self._talk.far.write(self.command + b"\n")
        else:
            self.say(self.reply)

    def hand_on(self, command: bytes) -> None:
        """This command to the instrument, in place of the true one."""
        self._talk.far.write(command + b"\n")

    def lose(self) -> None:
        """The connection stands for both ends, and nothing passes any more: somebody between them forgot it."""
        self._talk.is_lost = True

    def end(self, *, reset: bool = False) -> None:
        """The connection is over."""
        self._wire.end(self._talk, reset)

    def turn_away(self, seconds: float, how: Turns) -> None:
        """New connections are closed at once, refused, or not answered at all, for so many seconds."""
        self._wire.turn_away(seconds, how)

    def vanish(self, seconds: float) -> None:
        """The serial port is gone for so many seconds, and then there again under its name."""
        self._wire.vanish(self._talk, seconds)

    def flood(self, seconds: float) -> None:
        """Digits without end, faster than anybody reads."""
        self._talk.floods_until_s = time.monotonic() + seconds

    def restart(self, *, dropped: bool = False) -> None:
        """The instrument's power goes and comes back."""
        self._wire.order(f"RESTART {self._wire.role}{' dropped' if dropped else ''}")

    def step_clock(self, seconds: float) -> None:
        """Somebody sets the wall clock of the computer."""
        self._wire.step_clock(seconds)

    def behind(self, *messages: str) -> None:
        """Messages to the instrument from somebody else, over a connection of their own; they ask nothing."""
        self._wire.behind(*messages)
