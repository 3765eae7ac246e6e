"""A wire that goes wrong ends the run in one line that names it; the pin is let go, and what was made is kept."""

from __future__ import annotations

import re
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.serial_link import open_serial_link
from harness.errors import BENCH_FAILED, exit_status
from harness.events import Event, Prompt
from harness.run import RunResult
from results.record.run_folder import RunFolder
from tests.harness.faulty_wire import Fault, FaultyWire
from tests.harness.whole_bench import LATCHES, SOUND, bench_text, board_text, plan_text, run_plan, simulated

PINS = {"D1": SOUND, "D2": LATCHES}
NAMES = tuple(PINS)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    with simulated(tmp_path_factory.mktemp("simulated"), board_text(PINS)) as resources:
        yield resources


@pytest.fixture
def resources(served: dict[str, str]) -> Iterator[dict[str, str]]:
    """The bench, put in order again afterwards over sound wires."""
    yield served
    scpi(served, "switch", "ROUT:OPEN:ALL;:ROUT:CLOS:STAT?")
    scpi(served, "source", "OUTP:STAT OFF;:OUTP:STAT?")
    relays(served, "OPEN ALL")


def scpi(resources: dict[str, str], role: str, message: str) -> str:
    _, host, port, _ = resources[role].split("::")
    with socket.create_connection((host, int(port)), timeout=5) as wire:
        wire.sendall(message.encode() + b"\n")
        return wire.recv(100).decode().strip()


def relays(resources: dict[str, str], command: str) -> str:
    board = open_serial_link(resources["relay_board"])
    try:
        return board.ask(command)
    finally:
        board.close()


def state(resources: dict[str, str]) -> tuple[str, str, str]:
    """Closed channels of switch and relay board, the source's output and off mode, over wires of our own."""
    switch = scpi(resources, "switch", "ROUT:CLOS:STAT?")
    return switch, relays(resources, "CLOSED?"), scpi(resources, "source", "OUTP:STAT?;:OUTP:SMOD?")


SAFE = ("(@)", "NONE", "0;HIMP")


def run_with(
    tmp_path: Path, resources: dict[str, str], role: str, wire: FaultyWire, path: str, events: list[Event] | None = None
) -> RunResult:
    bench = bench_text({**resources, role: wire.resource}, NAMES)
    return run_plan(tmp_path, plan_text(NAMES, path=path), bench, events=events)


@pytest.mark.parametrize(
    ("role", "at", "nth", "fault", "path", "kept", "told"),
    [
        ("meter", r"^\*IDN", 1, "reset", "relay", None, r"the connection is gone .*; command '\*IDN\?'"),
        ("meter", r"^READ\?", 10, "closed", "relay", 2, r"the connection is gone .*; command 'READ\?'"),
        ("meter", r"^INIT", 2, "garbage", "relay", 2, r"not an integer; command '\*ESR\?'; received b'.*#\?!"),
        ("meter", r"^TRAC:DATA", 1, "half", "source", 1, r"no reply within 1\..*; command 'TRAC:DATA\?'; received b'#"),
        ("switch", r"^ROUT:OPEN \(", 1, "closed", "relay", 1, r"connection is gone .*; command 'ROUT:CLOS\? \(@101\)'"),
        ("relay_board", r"^CLOSE 1$", 2, "garbage", "relay", 1, r"a command must be answered by OK; command 'CLOSE 1'"),
        # The release: the second try on the way out used to hide the first error behind "the link is dirty".
        ("relay_board", r"^OPEN 1$", 2, "deaf", "relay", 1, r"no reply within 2 s; command 'OPEN 1'$"),
        ("source", r"^OUTP:STAT ON", 4, "closed", "source", 2, r"the connection is gone .*; command 'OUTP:STAT\?'"),
        ("board", r"^read D2", 2, "closed", "relay", 2, r"the connection is gone .*; command 'read D2'"),
    ],
)  # fmt: skip
def test_a_wire_that_fails_for_a_moment(
    role: str,
    at: str,
    nth: int,
    fault: Fault,
    path: str,
    kept: int | None,
    told: str,
    resources: dict[str, str],
    tmp_path: Path,
) -> None:
    """`kept`: how many trials stand in the journal, the one that failed included; None: the run has not begun."""
    with FaultyWire(resources[role], at=at, nth=nth, fault=fault, lasting=False) as wire:
        result = run_with(tmp_path, resources, role, wire, path)
    assert result.error is not None
    assert exit_status(result.error) == BENCH_FAILED
    assert str(result.error).startswith(f"{role} {wire.resource}: ")
    assert re.search(told, str(result.error)), str(result.error)
    assert result.not_verified == ()
    assert state(resources) == SAFE
    if kept is None:
        assert result.folder is None
    else:
        assert result.folder is not None
        opened = RunFolder.open(result.folder.path)
        assert (len(opened.observations()), opened.problems()) == (kept, [])


def test_a_dead_meter_keeps_nothing_pressed(resources: dict[str, str], tmp_path: Path) -> None:
    with FaultyWire(resources["meter"], at=r"^READ\?", nth=5, fault="closed") as wire:
        result = run_with(tmp_path, resources, "meter", wire, "source")
    assert result.error is not None
    assert result.not_verified == ()
    assert state(resources) == SAFE


def test_what_neither_run_nor_guard_can_prove_is_said(
    resources: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The relay board answers nonsense from the release on: the pin stays pressed, and the person is told at once."""
    monkeypatch.setattr("harness.safety.GIVE_UP_S", 0.2)
    events: list[Event] = []
    with FaultyWire(resources["relay_board"], at=r"^OPEN 1$", nth=2, fault="closed") as wire:
        result = run_with(tmp_path, resources, "relay_board", wire, "relay", events)
    assert "command 'OPEN 1'" in str(result.error)
    (problem,) = result.not_verified
    assert problem.startswith(f"relay_board: relays not proven open: {wire.resource}: not opened")
    (prompt,) = [event.text for event in events if isinstance(event, Prompt)]
    assert prompt.startswith("not proven safe (relay_board: relays not proven open: ")
    assert prompt.endswith("the guard tries on for up to 10 s; take the rail away from the unit if you can")
    # The rest is safe, and the one thing that is not is the one that was named.
    assert state(resources) == ("(@)", "1", "0;HIMP")
    assert result.folder is not None
    notes = RunFolder.open(result.folder.path).record.notes
    assert any(note.startswith("not verified to be safe at the end: relay_board") for note in notes)


def test_what_could_not_be_proven_while_opening_is_said_too(
    resources: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Used to be lost where the run ended before its folder was made."""
    monkeypatch.setattr("harness.safety.GIVE_UP_S", 0.2)
    with FaultyWire(resources["relay_board"], at=r"^IDN\?", fault="closed") as wire:
        result = run_with(tmp_path, resources, "relay_board", wire, "relay")
    assert result.folder is None
    assert "command 'IDN?'" in str(result.error)
    (problem,) = result.not_verified
    assert problem.startswith("relay_board: relays not proven open: ")
