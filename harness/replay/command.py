"""`stuckpin replay`: what is there of a wire log, served; and what came of it."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from harness.replay.files import write_replay_files
from harness.replay.script import Script, script_of
from harness.replay.serving import Replay
from results.errors import RecordError
from results.record.wire_files import Session, read_wire_log

AS_LOGGED, DIFFERS = 0, 1

INSTRUMENTS_MAX = 16
"""More than any bench has: a log may come from a stranger."""

GONE_SHOWN = 20
"""Lines on what is gone that are shown."""


def carry_out_replay(
    run: Path,
    *,
    files: Path | None,
    first: int | None,
    announce: Callable[[dict[str, str]], None],
    tell: Callable[[str], None],
    stop: Callable[[], bool],
) -> int:
    """Serve the logged instruments of a folder until all is as logged to the end, or has gone another way, or `stop`.

    `first`: from this message on; None: from the beginning. `files`: where plan and bench file are written.
    `announce` is given role -> resource once everything listens; `tell` is told what is gone from the log, and at the
    end the first message that differs.

    Returns 0 where everything that came was as logged, 1 where something differed. Raises RecordError where there is no
    wire log, or not what was asked for.
    """
    log = read_wire_log(run)
    for line in log.gone[:GONE_SHOWN]:
        tell(f"gone from the log: {line}")
    if len(log.gone) > GONE_SHOWN:
        tell(f"gone from the log: {len(log.gone) - GONE_SHOWN} more")
    session = _session(run, log.sessions, first)
    script = script_of(session, first or 0)
    for other in log.sessions:
        if other is not session and other.lines:
            tell(
                f"not served: session {other.header.session}, messages {_range(other)}; --from {other.lines[0].number}"
            )
    if script.last < session.lines[-1].number:
        tell(f"served up to message {script.last}: what comes after it is gone")
    if len(script.roles) > INSTRUMENTS_MAX:
        raise RecordError(f"{run}: the wire log names {len(script.roles)} instruments, no more than {INSTRUMENTS_MAX}")
    with closing(Replay(script)) as replay:
        resources = replay.open()
        if files is not None:
            write_replay_files(run, files, resources)
        announce(resources)
        replay.serve(stop)
        return _outcome(replay, script, tell)


def _session(run: Path, sessions: tuple[Session, ...], first: int | None) -> Session:
    filled = [session for session in sessions if session.lines]
    if not filled:
        raise RecordError(f"{run}: no wire log that can be read")
    if first is None:
        session = filled[0]
        if session.header.session != 1 or session.lines[0].number != 1:
            at = session.lines[0].number
            raise RecordError(
                f"{run}: the beginning of the wire log is gone, messages 1 to {at - 1}: a run cannot be replayed "
                f"without it; --from {at} serves the rest to code that begins there"
            )
        return session
    found = next((session for session in filled if session.lines[-1].number >= first), None)
    if found is None:
        raise RecordError(
            f"{run}: the wire log ends at message {filled[-1].lines[-1].number}: --from {first} is beyond it"
        )
    return found


def _range(session: Session) -> str:
    return f"{session.lines[0].number} to {session.lines[-1].number}"


def _outcome(replay: Replay, script: Script, tell: Callable[[str], None]) -> int:
    if replay.differences:
        first, *later = replay.differences
        tell(f"the first message that differs: {first}")
        for one in later:
            tell(f"after that: {one}")
        return DIFFERS
    players = replay.players
    for player in players.values():
        if player.beyond:
            tell(player.beyond)
    left = [role for role, player in players.items() if not player.done]
    if left:
        reached = max(player.number for player in players.values())
        tell(f"as logged, up to message {reached} of {script.last}; not asked for to the end: {', '.join(left)}")
    else:
        tell(f"as logged, to the end at message {script.last}")
    return AS_LOGGED
