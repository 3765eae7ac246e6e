"""What is gone from a log is said first; without its beginning a run is not replayed; the exit status says the rest."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from harness.replay.command import carry_out_replay
from results.errors import RecordError
from results.record.wire_files import Session
from results.record.wire_line import header_line, line_of
from tests.harness.replay.logged import Said, session_of

SAID: tuple[Said, ...] = (
    ("meter", "opened", b""),
    ("meter", "sent", b"A?\n"),
    ("meter", "received", b"1\n"),
    ("meter", "closed", b""),
)
BEGUN = "session 1 (begun 2027-01-01T00:00:00.000+00:00)"


def written(folder: Path, *sessions: Session, without: Sequence[int] = ()) -> Path:
    for number, session in enumerate(sessions, start=1):
        lines = [line_of(line) for line in session.lines if line.number not in without]
        (folder / f"wire-{number:04d}.jsonl").write_bytes(header_line(session.header) + b"".join(lines))
    return folder


def replay(run: Path, first: int | None = None) -> tuple[int, list[str], dict[str, str]]:
    """Status, what was told, and the resources of a replay that is stopped at once."""
    told: list[str] = []
    resources: dict[str, str] = {}
    status = carry_out_replay(
        run, files=None, first=first, announce=resources.update, tell=told.append, stop=lambda: True
    )
    return status, told, resources


def test_a_log_is_served_from_its_beginning(tmp_path: Path) -> None:
    status, told, resources = replay(written(tmp_path, session_of(*SAID)))
    assert (status, told) == (0, ["as logged, up to message 0 of 4; not asked for to the end: meter"])
    assert set(resources) == {"meter", "clock"}


def test_what_is_gone_is_said_and_the_rest_is_served_up_to_there(tmp_path: Path) -> None:
    status, told, _ = replay(written(tmp_path, session_of(*SAID), without=[3]))
    assert status == 0
    assert told[0] == f"gone from the log: messages 3 to 3: from 0.200 s of {BEGUN} to 0.400 s of {BEGUN}"
    assert told[1] == "served up to message 2: what comes after it is gone"


def test_without_its_beginning_a_run_is_not_replayed_but_its_rest_is_where_asked_for(tmp_path: Path) -> None:
    run = written(tmp_path, session_of(*SAID), without=[1, 2])
    with pytest.raises(RecordError) as refused:
        replay(run)
    assert str(refused.value) == (
        f"{run}: the beginning of the wire log is gone, messages 1 to 2: a run cannot be replayed without it; --from 3 "
        "serves the rest to code that begins there"
    )
    assert replay(run, 3)[0] == 0


def test_a_resumed_run_has_sessions_of_which_one_is_served(tmp_path: Path) -> None:
    run = written(tmp_path, session_of(*SAID), session_of(*SAID, first=5, session=2))
    assert replay(run)[1][0] == "not served: session 2, messages 5 to 8; --from 5"
    _, told, _ = replay(run, 5)
    assert told[0] == "not served: session 1, messages 1 to 4; --from 1"
    assert told[1] == "as logged, up to message 0 of 8; not asked for to the end: meter"
    with pytest.raises(RecordError, match="the wire log ends at message 8: --from 9 is beyond it"):
        replay(run, 9)


def test_no_wire_log_is_said_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="no wire log that can be read"):
        replay(tmp_path)
    with pytest.raises(RecordError, match="cannot be read: No such file or directory"):
        replay(tmp_path / "nowhere")


def test_a_log_of_a_stranger_opens_no_more_ports_than_a_bench_has(tmp_path: Path) -> None:
    run = written(tmp_path, session_of(*((f"role {number}", "opened", b"") for number in range(17))))
    with pytest.raises(RecordError, match="the wire log names 17 instruments, no more than 16"):
        replay(run)
