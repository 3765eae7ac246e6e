"""The states of a bench and the moves between them, as one table. A fault is left only by being made safe."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Literal

from drivers.errors import BenchError, InstrumentError, LinkError, WiringError

State = Literal[
    "unprepared",
    "safe",
    "idle",
    "selected",
    "pressed",
    "pressed and logging",
    "released",
    "released and logging",
    "grounded",
    "grounded and logging",
    "fault",
]
"""`unprepared`: opened, nothing known. `safe`: proven to energise nothing. `idle`: prepared, no pin on the bus.
`selected`: one pin on the bus. `pressed`: and pressed. `released`: still on the bus, and nothing presses it.
`grounded`: joined to ground as well, by the contact of a changeover switch at rest.
`fault`: something did not do as it was told, so that nothing is known."""

Move = Literal[
    "prepare",
    "select",
    "deselect",
    "fit",
    "add",
    "discharge",
    "measure rail",
    "set rail",
    "hold",
    "read",
    "press",
    "force",
    "release",
    "ground",
    "part",
    "start log",
    "read log",
    "read the bus alone",
]

_ON_THE_BUS: Mapping[Move, State] = {
    "select": "selected",
    "deselect": "idle",
    "press": "pressed",
    "start log": "released and logging",
}

MOVES: Mapping[State, Mapping[Move, State]] = {
    "unprepared": {"prepare": "idle"},
    "safe": {"prepare": "idle"},
    "idle": {
        "prepare": "idle",
        "select": "selected",
        "deselect": "idle",
        "fit": "idle",
        "add": "idle",
        "measure rail": "idle",
        "set rail": "idle",
        "hold": "idle",
        "read": "idle",
    },
    "selected": {
        **_ON_THE_BUS,
        "fit": "selected",
        "add": "selected",
        "discharge": "selected",
        "measure rail": "selected",
        "read": "selected",
        "ground": "grounded",
        "read the bus alone": "selected",
    },
    "pressed": {"read": "pressed", "force": "pressed", "start log": "pressed and logging", "release": "released"},
    # While the meter logs, a single reading would abort the log; and no other contact may move in the trace but those
    # that press the pin, let it go, ground it and part it again: what they do to the node is what the log is for.
    "pressed and logging": {"release": "released and logging", "read log": "pressed"},
    "released": {
        **_ON_THE_BUS,
        "fit": "released",
        "add": "released",
        "discharge": "released",
        "measure rail": "released",
        "read": "released",
        "ground": "grounded",
        "read the bus alone": "released",
        "read log": "released",
    },
    "released and logging": {
        "read log": "released",
        "press": "pressed and logging",
        "ground": "grounded and logging",
    },
    # What is grounded is never pressed: break before make.
    "grounded": {"read": "grounded", "start log": "grounded and logging", "part": "released", "read log": "grounded"},
    "grounded and logging": {"part": "released and logging", "read log": "grounded"},
    "fault": {},
}
"""State, then move, then the state that follows. Making safe is legal in every state and leads to `safe` or `fault`."""


class BenchState:
    """Where a bench is. Starts `unprepared`."""

    def __init__(self) -> None:
        self.current: State = "unprepared"
        self._during: Move | None = None

    def require(self, move: Move) -> State:
        """The state that follows this move. Raises BenchError if the move is not legal now; nothing changes."""
        if self._during is not None:
            raise BenchError(f"bench: cannot {move} while it has not ended to {self._during}")
        legal = MOVES[self.current]
        if move not in legal:
            allowed = ", ".join(legal) if legal else "nothing but being made safe"
            raise BenchError(f"bench: cannot {move} while {self.current}; allowed: {allowed}")
        return legal[move]

    @contextmanager
    def moving(self, move: Move, *, whatever: bool = False) -> Iterator[None]:
        """Around the work of one move: the state follows where it succeeds. Raises BenchError if it is not legal now,
        nor is any while another one is under way.

        `whatever` is for letting go on the way out, which is done in any state and leaves a state alone that it is no
        move of. A failure that leaves contacts or instruments unknown is a fault: a broken link, an instrument's
        error, wiring that disobeys, a defect in the program. A refused limit, an overload or a stop is none.
        """
        after = MOVES[self.current].get(move, self.current) if whatever else self.require(move)
        before, self._during = self._during, move
        try:
            yield
        except BenchError as exc:
            if isinstance(exc, (LinkError, InstrumentError, WiringError)):
                self.current = "fault"
            raise
        except BaseException:
            self.current = "fault"
            raise
        finally:
            self._during = before
        self.current = after

    @property
    def during(self) -> Move | None:
        """The move that is under way."""
        return self._during

    def made_safe(self, proven: bool) -> None:
        """After every safe step was tried: `safe` where each was proven, else `fault`."""
        self._during = None
        self.current = "safe" if proven else "fault"
