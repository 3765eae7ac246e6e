"""A run that was logged is made again from its log alone: the same samples, the same fault at the same message."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from drivers.dialect import TEMPLATES
from drivers.serial_link import open_serial_link
from drivers.visa_link import open_visa_link
from harness.demo import simulated_bench
from harness.run import RunResult
from results.record.run_folder import RunFolder
from results.record.trace import Trace
from results.record.wire_files import read_wire_log
from results.record.wire_line import WireLine
from tests.harness.faulty_wire import Fault, FaultyWire
from tests.harness.replay.replayed import Replayed, replayed
from tests.harness.whole_bench import LATCHES, SOUND, bench_text, board_text, plan_text, run_plan, simulated

PINS = {"D1": SOUND, "D2": LATCHES}
NAMES = tuple(PINS)
RETEST = '[retest]\nfirst_wait = "0.1 s"\nlongest_wait = "0.2 s"'
EMPTY = Trace(np.empty(0), np.empty(0))


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    with simulated(tmp_path_factory.mktemp("simulated"), board_text(PINS)) as resources:
        yield resources


@pytest.fixture
def resources(served: dict[str, str]) -> Iterator[dict[str, str]]:
    """The bench, its relays open again afterwards."""
    yield served
    relays = open_serial_link(served["relay_board"])
    relays.ask("OPEN ALL")
    relays.close()


@pytest.fixture(scope="module")
def sound(served: dict[str, str], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a run in which nothing went wrong."""
    plan = plan_text(NAMES, trials="[retest]\nfailures = 0")  # what ends a replay ends it at once
    made = run_plan(tmp_path_factory.mktemp("sound"), plan, bench_text(served, NAMES))
    assert made.error is None
    assert made.folder is not None
    return made.folder.path


def again(tmp_path: Path, replay: Replayed) -> RunResult:
    return run_plan(tmp_path / "again", replay.plan, replay.bench, path=tmp_path / "files" / "bench.toml")


def messages(folder: Path) -> list[WireLine]:
    return [line for session in read_wire_log(folder).sessions for line in session.lines]


def conversation(folder: Path) -> dict[str, list[tuple[str, bytes, str]]]:
    """All that went over the wire of each instrument, in order.

    Instruments are made safe side by side: nothing holds between them. A clock that is served has a link of its own.
    """
    said: dict[str, list[tuple[str, bytes, str]]] = {}
    for line in messages(folder):
        if line.role != "clock":
            said.setdefault(line.role, []).append((line.what, line.data, address_free(line.told)))
    return said


def address_free(error: object) -> str:
    """Without addresses, and without how long a recovery took."""
    text = re.sub(r"TCPIP::127.0.0.1::\d+::SOCKET|socket://127.0.0.1:\d+|/dev/pts/\d+", "WIRE", str(error))
    return re.sub(r"within [\d.]+ s, at last", "at last", text)


def test_a_sound_run_gives_the_same_samples_bit_for_bit(sound: Path, tmp_path: Path) -> None:
    with replayed(sound, tmp_path / "files") as replay:
        made = again(tmp_path, replay)
    assert replay.status == 0
    last = messages(sound)[-1].number
    assert replay.told == [f"stuckpin: as logged, to the end at message {last}"]
    assert made.error is None
    assert made.not_verified == ()
    assert made.folder is not None
    before, after = RunFolder.open(sound).observations(), made.folder.observations()
    assert [trial for trial, _ in before] == [trial for trial, _ in after]
    for (_, one), (_, other) in zip(before, after, strict=True):
        assert np.array_equal(one.trace.voltage_v, other.trace.voltage_v)
        assert np.array_equal(one.trace.time_s, other.trace.time_s)
        # All else too: levels, times, reads, notes.
        assert replace(one, trace=EMPTY) == replace(other, trace=EMPTY)
    assert conversation(made.folder.path) == conversation(sound)


@pytest.mark.parametrize(
    ("role", "at", "nth", "fault", "path", "lasting"),
    [
        ("meter", r"^\*IDN", 1, "closed", "relay", False),
        ("meter", r"^INIT", 2, "garbage", "relay", False),
        ("meter", r"^TRAC:DATA", 1, "half", "source", False),
        ("board", r"^read D2", 2, "closed", "relay", False),
        ("source", r"OUTP:STAT\?", 4, "reset", "source", False),
        ("meter", r"^READ\?", 10, "closed", "relay", True),
    ],
)
def test_a_fault_comes_back_as_the_same_error_at_the_same_message(
    role: str,
    at: str,
    nth: int,
    fault: Fault,
    path: str,
    lasting: bool,
    resources: dict[str, str],
    tmp_path: Path,
) -> None:
    """And what the run then did: opened anew, made the trial again, or gave up after the last of its attempts."""
    with FaultyWire(resources[role], at=at, nth=nth, fault=fault, lasting=lasting) as wire:
        first = run_plan(
            tmp_path, plan_text(NAMES, path=path, trials=RETEST), bench_text({**resources, role: wire.resource}, NAMES)
        )
    folder = next((tmp_path / "runs").glob("*_*"))
    assert any(what in ("failed", "revoked") for what, _, _ in conversation(folder)[role])
    with replayed(folder, tmp_path / "files") as replay:
        second = again(tmp_path, replay)
    assert (replay.status, replay.differs) == (0, ""), replay.told
    assert address_free(second.error) == address_free(first.error)
    assert conversation(next((tmp_path / "again" / "runs").glob("*_*"))) == conversation(folder)


def test_a_changed_driver_is_told_by_the_first_message_that_differs(
    sound: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("harness.safety.GIVE_UP_S", 0.2)
    monkeypatch.setitem(TEMPLATES["meter"], "start", "INIT:IMM")
    with replayed(sound, tmp_path / "files") as replay:
        made = again(tmp_path, replay)
    assert made.error is not None
    number = next(line.number for line in messages(sound) if line.data.startswith(b"INIT"))
    assert replay.status == 1
    assert replay.differs == f"meter: message {number}: the log has 'INIT'; 'INIT:IMM' came"


def test_a_run_that_was_killed_is_replayed_as_far_as_its_log_goes(
    sound: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("harness.safety.GIVE_UP_S", 0.2)
    killed = tmp_path / "killed"
    shutil.copytree(sound, killed)
    log = killed / "wire-0001.jsonl"
    log.write_bytes(log.read_bytes()[: log.stat().st_size // 2])
    last = messages(killed)[-1].number
    with replayed(killed, tmp_path / "files") as replay:
        made = again(tmp_path, replay)
    assert made.error is not None
    assert (replay.status, replay.differs) == (0, "")
    assert replay.told[0].startswith(f"stuckpin: gone from the log: wire-0001.jsonl: cut off after message {last} at ")
    assert any("the log ends at message" in line for line in replay.told)


def test_one_driver_alone_goes_on_from_any_message(sound: Path, tmp_path: Path) -> None:
    """What a long run has left of its log still serves a test of the driver that was at fault."""
    asked = next(line for line in messages(sound) if line.data.startswith(b"TRAC:DATA?"))
    block = next(line for line in messages(sound) if line.number > asked.number and line.what == "received").data
    with replayed(sound, tmp_path / "files", "--from", str(asked.number)) as replay:
        link = open_visa_link(replay.resources["meter"])
        assert link.ask_block("TRAC:DATA?") == block[2 + int(block[1:2]) : -1]
        link.close()
    assert replay.status == 1
    assert replay.differs.endswith("the connection was closed")


def test_a_run_of_a_bench_that_serves_its_own_time_is_replayed_too(tmp_path: Path) -> None:
    board = tmp_path / "board.toml"
    board.write_text(board_text({"D1": SOUND}), encoding="utf-8")
    with simulated_bench(board, stepped=True) as resources:
        bench = bench_text(resources, ("D1",)).replace("[clock]", f'[clock]\nresource = "{resources["clock"]}"')
        first = run_plan(tmp_path, plan_text(("D1",)), bench)
    assert first.error is None
    assert first.folder is not None
    with replayed(first.folder.path, tmp_path / "files") as replay:
        second = again(tmp_path, replay)
    assert (replay.status, second.error) == (0, None)
    assert second.folder is not None
    assert conversation(second.folder.path) == conversation(first.folder.path)
    times = [
        [line.data for line in messages(folder) if line.role == "clock"]
        for folder in (first.folder.path, second.folder.path)
    ]
    assert times[0] == times[1]
