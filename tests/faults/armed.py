"""A fault, and what sets it off: the message from which on it takes hold of what it can act on."""

from __future__ import annotations

import math
import re
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from tests.faults.exchange import Exchange

ActsOn = Literal["command", "reply", "block", "number", "identity"]
"""What a fault takes hold of: a command on its way to the instrument, any reply, or a reply of one kind."""

_NUMBERS = re.compile(rb"[+-]?[0-9.]+(E[+-]?[0-9]+)?(,[+-]?[0-9.]+(E[+-]?[0-9]+)?)*\n")


@dataclass(frozen=True)
class Fault:
    """One way to go wrong. `act` does it, in place of what the wire would do by itself.

    `rules`: numbers of the link rules (rules.py) that it tries. `wires`: which kinds of wire can have it. `once`: it
    makes no sense that it lasts. `clears`: it is no fault to the harness, which must end with the right number.
    """

    name: str
    rules: tuple[int, ...]
    acts_on: ActsOn
    act: Callable[[Exchange], None]
    wires: tuple[str, ...] = ("socket", "serial")
    roles: tuple[str, ...] = ()
    once: bool = False
    clears: bool = False


@dataclass
class Armed:
    """A fault that is set off by the `at`-th command on its wire (from 1), or by the first one that matches `at`.

    It takes hold of the first thing from there on that it can act on, once (`lasts_s` 0), or of everything for so many
    seconds.
    """

    fault: Fault
    at: int | str
    lasts_s: float = 0.0
    bites: int = 0
    _began_s: float = field(default=math.nan, repr=False)
    _due: bool = field(default=False, repr=False)

    def looks_at(self, number: int, command: bytes) -> None:
        """A command passes."""
        if isinstance(self.at, int):
            self._due = self._due or number >= self.at
        else:
            self._due = self._due or re.search(self.at.encode(), command) is not None

    def takes(self, command: bytes, reply: bytes | None) -> bool:
        """Whether it takes hold of this command (`reply` None) or reply now; counts its bites."""
        if not self._due or not _fits(self.fault.acts_on, command, reply):
            return False
        if self.bites:
            if self.fault.once or time.monotonic() > self._began_s + self.lasts_s:
                return False
        else:
            self._began_s = time.monotonic()
        self.bites += 1
        return True


def _fits(acts_on: ActsOn, command: bytes, reply: bytes | None) -> bool:
    if reply is None:
        return acts_on == "command"
    return {
        "command": False,
        "reply": True,
        "block": reply.startswith(b"#"),
        "number": _NUMBERS.fullmatch(reply) is not None,
        "identity": command.upper() in (b"*IDN?", b"IDN?", b"ID"),
    }[acts_on]
