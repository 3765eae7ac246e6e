"""What each logged instrument has to do, in order: the lines of a wire log as steps. No I/O."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from harness.wire_record import CLOCK_ROLE
from results.record.wire_files import Session
from results.record.wire_line import WireLine

After = Literal["open", "close"]
"""What becomes of the connection after an answer."""


@dataclass(frozen=True)
class Opened:
    """The link was opened."""

    number: int
    time_s: float


@dataclass(frozen=True)
class Refused:
    """An attempt to open failed."""

    number: int
    time_s: float
    told: str


@dataclass(frozen=True)
class Exchanged:
    """A message, and what came: a whole reply, a part of one, or nothing. `after` "close": the peer closed then."""

    number: int
    time_s: float
    message: bytes
    reply: bytes = b""
    after: After = "open"


@dataclass(frozen=True)
class Unasked:
    """Bytes that came of themselves, and kept `message` from being sent."""

    number: int
    time_s: float
    message: bytes
    data: bytes


@dataclass(frozen=True)
class Hung:
    """The peer closed of itself, and kept `message` from being sent."""

    number: int
    time_s: float
    message: bytes


@dataclass(frozen=True)
class Ended:
    """The link was closed, or given up, from our side."""

    number: int
    time_s: float


Step = Opened | Refused | Exchanged | Unasked | Hung | Ended


@dataclass(frozen=True)
class Timed:
    """What the bench's clock was asked, and its answer (None: it never came, because a stop was asked for)."""

    number: int
    time_s: float
    request: str
    answer_s: float | None


@dataclass(frozen=True)
class Script:
    """All that a session holds: steps by role, and the clock's. `last`: number of the last message that is there;
    `whole`: whether every role's steps end with its link closed, as those of a run that came to its end."""

    roles: dict[str, tuple[Step, ...]]
    clock: tuple[Timed, ...]
    last: int
    whole: bool


def script_of(session: Session, first: int = 0) -> Script:
    """The script of a session, from message `first` on, up to the first message that is gone.

    Where it begins in the middle, each link is taken as open.
    """
    lines = list(unbroken([line for line in session.lines if line.number >= first]))
    by_role: dict[str, list[WireLine]] = {role: [] for role in session.header.resources}
    for line in lines:
        by_role.setdefault(line.role, []).append(line)
    clock = tuple(_timed(by_role.pop(CLOCK_ROLE, [])))
    roles = {role: tuple(_steps(mine)) for role, mine in by_role.items()}
    whole = all(not steps or isinstance(steps[-1], Ended | Refused) for steps in roles.values())
    return Script(roles, clock, lines[-1].number if lines else 0, whole)


def unbroken(lines: Sequence[WireLine]) -> Iterator[WireLine]:
    """Lines up to the first number that is missing, or whose message was not kept whole."""
    expected = lines[0].number if lines else 0
    for line in lines:
        if line.number != expected or line.left_out:
            return
        yield line
        expected += 1


def _steps(lines: Sequence[WireLine]) -> Iterator[Step]:
    """The steps of one role."""
    if lines and lines[0].what != "opened" and not _is_refusal(None, lines[0]):
        yield Opened(lines[0].number, lines[0].time_s)
    before: WireLine | None = None
    for line, after in zip(lines, [*lines[1:], None], strict=True):
        match line.what:
            case "opened":
                yield Opened(line.number, line.time_s)
            case "sent":
                yield _exchanged(line, after)
            case "unsent" if after is not None and after.what == "failed":
                yield from _unsent(line, after)
            case "failed" if _is_refusal(before, line):
                yield Refused(line.number, line.time_s, line.told)
            case "revoked" | "closed":
                yield Ended(line.number, line.time_s)
        before = line


def _is_refusal(before: WireLine | None, line: WireLine) -> bool:
    """A failure that follows no message is one of opening; nothing else has none."""
    return line.what == "failed" and (before is None or before.what not in ("sent", "unsent"))


def _exchanged(line: WireLine, after: WireLine | None) -> Exchanged:
    if after is None or after.what not in ("received", "failed"):
        return Exchanged(line.number, line.time_s, line.data)
    closed = after.what == "failed" and after.fault in ("gone", "other")
    reply = after.data
    if after.what == "received" and not reply.endswith(b"\n"):
        # A bus that marks the end of a message by itself (END) needs no LF; a socket does.
        reply += b"\n"
    return Exchanged(line.number, line.time_s, line.data, reply, "close" if closed else "open")


def _unsent(line: WireLine, after: WireLine) -> Iterator[Step]:
    """A link that had failed before refuses by itself: nothing of that is seen at the far end."""
    if after.fault == "grammar":
        yield Unasked(line.number, line.time_s, line.data, after.data)
    elif after.fault in ("gone", "other"):
        yield Hung(line.number, line.time_s, line.data)


def _timed(lines: Iterable[WireLine]) -> Iterator[Timed]:
    asked: WireLine | None = None
    for line in lines:
        if line.what == "sent":
            asked = line
        elif asked is not None and line.what in ("received", "failed"):
            answer_s = _seconds(line.data) if line.what == "received" else None
            yield Timed(asked.number, asked.time_s, asked.data.decode("latin-1").strip(), answer_s)
            asked = None


def _seconds(data: bytes) -> float | None:
    try:
        return float(data.decode("latin-1"))
    except ValueError:
        return None
