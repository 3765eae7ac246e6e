"""One logged instrument, played again: bytes in, bytes out, and the first message that differs. No I/O.

Nothing is ever invented: what is not in the log gets no answer, and the instrument is not served any more.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice

from harness.replay.script import Ended, Exchanged, Hung, Opened, Refused, Step, Unasked

LOOKED_AT = 4
"""Among so many steps there is one that is a message or an opening, or none comes soon."""

SHOWN = 120
"""Bytes of a message that are shown where it differs."""


@dataclass(frozen=True)
class Difference:
    """Where a driver went another way than the log: role, number of the message, and both sides as they are told."""

    role: str
    number: int
    logged: str
    came: str

    def __str__(self) -> str:
        return f"{self.role}: message {self.number}: the log has {self.logged}; {self.came}"


@dataclass(frozen=True)
class Answer:
    """What is to be done now: `parts` are sent one by one, so that the far end reads them one by one; then the
    connection is closed, or not. `number` and `time_s`: of the step, as logged; 0 where it is none."""

    parts: tuple[bytes, ...] = ()
    close: bool = False
    number: int = 0
    time_s: float = 0.0


class Player:
    """Steps of one role. `difference` is where the far end went another way, `beyond` how it went on after the end."""

    def __init__(self, role: str, steps: Sequence[Step]) -> None:
        self.role = role
        self.difference: Difference | None = None
        self.beyond = ""
        self._steps = deque(steps)
        self._last = 0

    @property
    def done(self) -> bool:
        """Nothing is left that the far end could be asked; or it went another way."""
        return self.difference is not None or not any(isinstance(step, Exchanged | Opened) for step in self._steps)

    @property
    def number(self) -> int:
        """Of the last message that was as logged."""
        return self._last

    @property
    def refuses(self) -> Refused | None:
        """The refusal that comes next, whatever closing of links comes before it."""
        step = next((step for step in self._steps if not isinstance(step, Ended)), None)
        return step if isinstance(step, Refused) else None

    @property
    def opening(self) -> tuple[Refused, Opened] | None:
        """Where refusals come next: the last of them, and the opening after it; None: none comes."""
        last: Refused | None = None
        for step in self._steps:
            if isinstance(step, Refused):
                last = step
            elif last is not None:
                return (last, step) if isinstance(step, Opened) else None
        return None

    def is_before(self, number: int) -> bool:
        """Whether a message before this one is still to come."""
        return self.difference is None and any(
            isinstance(step, Exchanged | Opened) and step.number < number for step in islice(self._steps, LOOKED_AT)
        )

    def let_in(self) -> None:
        """What was to be refused has been."""
        while self._steps and isinstance(self._steps[0], Ended | Refused):
            self._steps.popleft()

    def connected(self) -> Answer:
        """Somebody connects."""
        self._skip_ended()
        step = self._next()
        if isinstance(step, Opened):
            self._take()
            return self._and_unasked(Answer(number=step.number, time_s=step.time_s))
        if step is None:
            return self._more("a connection")
        return self._differs(step, "a new connection came")

    def message(self, data: bytes) -> Answer:
        """One message came, with its LF."""
        step = self._next()
        if isinstance(step, Exchanged) and step.message == data:
            self._take()
            parts = (step.reply,) if step.reply else ()
            closed = step.after == "close"
            return self._and_unasked(Answer(parts, closed, step.number, step.time_s))
        if step is None:
            return self._more(f"{shown(data)} came")
        return self._differs(step, f"{shown(data)} came")

    def left(self) -> Answer:
        """The far end closed its connection."""
        self._skip_ended()
        step = self._next()
        if step is None or isinstance(step, Opened | Refused):
            return Answer(close=True)
        return self._differs(step, "the connection was closed")

    def _and_unasked(self, answer: Answer) -> Answer:
        """With what the instrument then did of itself."""
        parts, close = answer.parts, answer.close
        while not close and isinstance(step := self._next(), Unasked | Hung):
            self._take()
            if isinstance(step, Unasked):
                parts = (*parts, step.data)
            else:
                close = True
        return Answer(parts, close, answer.number, answer.time_s)

    def _next(self) -> Step | None:
        return self._steps[0] if self._steps else None

    def _take(self) -> None:
        self._last = self._steps.popleft().number

    def _skip_ended(self) -> None:
        while self._steps and isinstance(self._steps[0], Ended):
            self._take()

    def _more(self, came: str) -> Answer:
        """Beyond the end of what there is: a run that was killed would have gone on, and its guard came after it."""
        if not self.beyond:
            self.beyond = f"{self.role}: the log ends at message {self._last}; {came}"
        return Answer(close=True)

    def _differs(self, step: Step, came: str) -> Answer:
        if self.difference is None:
            self.difference = Difference(self.role, step.number, logged(step), came)
        return Answer(close=True)


def logged(step: Step) -> str:
    """A step, as it is told."""
    match step:
        case Opened():
            return "the link opened"
        case Refused():
            return "an attempt to open that failed"
        case Exchanged(message=message):
            return shown(message)
        case Unasked(data=data, message=message):
            return f"{shown(data)} that nobody had asked for before {shown(message)}"
        case Hung(message=message):
            return f"a link that the instrument had closed before {shown(message)}"
        case Ended():
            return "the link closed"


def shown(data: bytes) -> str:
    """A message for a person: as a literal, so that nothing in it steers a terminal, and cut where it is long."""
    text = repr(data[:SHOWN].removesuffix(b"\n"))[1:]
    return text if len(data) <= SHOWN else f"{text}… ({len(data)} bytes)"
