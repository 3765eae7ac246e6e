"""What links tell is numbered and kept, whatever happens to the run or to the disk."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from drivers.wire_log import WireEvent
from harness import wire_record
from harness.bench_file import bench_from_text
from harness.events import Event, Prompt
from harness.wire_record import WireRecord
from results.record.run_folder import RunFolder
from results.record.wire_files import WireFiles, read_wire_log
from tests.harness.faulty_wire import FaultyWire
from tests.harness.whole_bench import SOUND, bench_text, board_text, plan_text, run_plan, simulated

BENCH = bench_text(
    {"meter": "TCPIP::h::1::SOCKET", "source": "TCPIP::h::2::SOCKET", "switch": "TCPIP::h::3::SOCKET"}
    | {"relay_board": "/dev/r", "board": "/dev/b"},
    ("D1",),
)


def recorded(told: list[str] | None = None) -> WireRecord:
    heard = [] if told is None else told
    return WireRecord(bench_from_text(BENCH), heard.append)


def say(record: WireRecord, text: str, role: str = "meter") -> None:
    record.tap(role)(WireEvent(time.monotonic(), "sent", text.encode()))


def kept(folder: Path) -> list[tuple[int, int, bytes]]:
    """Session, number and bytes of each message."""
    return [(s.header.session, line.number, line.data) for s in read_wire_log(folder).sessions for line in s.lines]


def test_what_was_said_before_there_is_a_folder_is_kept_until_there_is_one(tmp_path: Path) -> None:
    record = recorded()
    say(record, "one")
    say(record, "two", "switch")
    record.identities = {"meter": "Invented Instruments,V6,9,1.0"}
    record.bench_time = lambda: 12.5
    record.write_into(tmp_path, "the run")
    say(record, "three")
    record.close()
    say(record, "four")
    [session] = read_wire_log(tmp_path).sessions
    assert [(line.number, line.role, line.data, line.bench_s) for line in session.lines] == [
        (1, "meter", b"one", None),
        (2, "switch", b"two", None),
        (3, "meter", b"three", 12.5),
    ]
    header = session.header
    assert (header.first, header.run, header.speed) == (1, "the run", 10.0)
    assert header.resources["relay_board"] == "/dev/r"
    assert header.identities == record.identities


def test_a_resumed_run_has_later_numbers_and_a_session_of_its_own(tmp_path: Path) -> None:
    for texts in (("a", "b", "c"), ("d", "e")):
        record = recorded()
        say(record, texts[0])
        record.write_into(tmp_path, "the run")
        for text in texts[1:]:
            say(record, text)
        record.close()
    assert kept(tmp_path) == [(1, 1, b"a"), (1, 2, b"b"), (1, 3, b"c"), (2, 4, b"d"), (2, 5, b"e")]
    assert read_wire_log(tmp_path).gone == ()


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="nothing kills so here")
def test_every_message_survives_the_kill_of_the_program(tmp_path: Path) -> None:
    code = (
        "import os, signal, sys, time\n"
        "from pathlib import Path\n"
        "from tests.harness.test_wire_record import recorded, say\n"
        "record = recorded()\n"
        "record.write_into(Path(sys.argv[1]), 'the run')\n"
        "for number in range(50):\n"
        "    say(record, f'message {number}')\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    ended = subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=False)
    assert ended.returncode == -signal.SIGKILL
    assert [data for _, _, data in kept(tmp_path)] == [f"message {number}".encode() for number in range(50)]


def test_memory_is_bounded_while_there_is_no_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(wire_record, "WAITING_BYTES", 1000)
    record = recorded()
    for _ in range(50):
        say(record, "x" * 100)
    record.write_into(tmp_path, "the run")
    assert [number for _, number, _ in kept(tmp_path)] == [48, 49, 50]
    assert read_wire_log(tmp_path).gone[0].startswith("messages 1 to 47: from the beginning to ")


def test_a_full_disk_ends_the_log_and_is_told_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[str] = []
    record = recorded(told)
    record.write_into(tmp_path, "the run")
    say(record, "one")

    def full(self: WireFiles, line: bytes) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(WireFiles, "append", full)
        say(record, "two")
    say(record, "three")
    assert told == [record.problem] == ["the wire log ends at message 2: No space left on device"]
    assert kept(tmp_path) == [(1, 1, b"one")]


def test_a_log_beside_no_run_holds_the_files_that_a_replay_needs(tmp_path: Path) -> None:
    record = recorded()
    assert record.write_apart(tmp_path, "T-1", "plan") is None
    say(record, "one")
    folder = record.write_apart(tmp_path, "T-1", "plan")
    assert folder is not None
    assert folder.name.endswith("_T-1_wire_log")
    assert sorted(path.name for path in folder.iterdir()) == ["bench.toml", "plan.toml", "wire-0001.jsonl"]
    assert kept(folder) == [(1, 1, b"one")]


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> object:
    with simulated(tmp_path_factory.mktemp("simulated"), board_text({"D1": SOUND})) as resources:
        yield resources


def test_a_run_logs_every_wire_and_its_seal_covers_the_log(served: dict[str, str], tmp_path: Path) -> None:
    result = run_plan(tmp_path, plan_text(("D1",)), bench_text(served, ("D1",)))
    assert result.error is None
    assert result.folder is not None
    folder = result.folder.path
    log = read_wire_log(folder)
    assert log.gone == ()
    [session] = log.sessions
    assert {line.role for line in session.lines} == {"meter", "source", "switch", "relay_board", "board", "clock"}
    assert session.header.resources["meter"] == served["meter"]
    for role in session.header.resources:
        lines = [line for line in session.lines if line.role == role]
        assert (lines[0].what, lines[-1].what) == ("opened", "closed")
        identity = next(line.data for line in lines if line.what == "received").decode().strip()
        assert session.header.identities[role] == identity
    readings = [line for line in session.lines if line.role == "meter" and line.data.startswith(b"#")]
    assert max(len(line.data) for line in readings) > 8 * 500
    assert "wire-0001.jsonl" in (folder / "manifest.sha256").read_text(encoding="utf-8")
    with (folder / "wire-0001.jsonl").open("ab") as file:
        file.write(b"x")
    [problem] = RunFolder.open(folder).problems()
    assert problem.startswith("wire-0001.jsonl: changed since it was sealed")


def test_a_run_that_never_began_leaves_its_log_beside_the_runs(served: dict[str, str], tmp_path: Path) -> None:
    events: list[Event] = []
    with FaultyWire(served["meter"], at=r"^\*IDN", fault="closed", lasting=False) as wire:
        bench = bench_text({**served, "meter": wire.resource}, ("D1",))
        result = run_plan(tmp_path, plan_text(("D1",)), bench, events=events)
    assert result.folder is None
    [folder] = (tmp_path / "runs").glob("*_wire_log")
    [said] = [event.text for event in events if isinstance(event, Prompt)]
    assert said == f"what went over the wires until then: {folder}"
    failed = [line for line in read_wire_log(folder).sessions[0].lines if line.what == "failed"]
    assert [(line.role, line.fault) for line in failed] == [("meter", "gone")]


def test_a_log_that_cannot_be_written_costs_the_run_nothing(
    served: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, calls = WireFiles.append, iter(range(10**6))

    def full_later(self: WireFiles, line: bytes) -> None:
        if next(calls) > 200:
            raise OSError(28, "No space left on device")
        real(self, line)

    monkeypatch.setattr(WireFiles, "append", full_later)
    events: list[Event] = []
    result = run_plan(tmp_path, plan_text(("D1",)), bench_text(served, ("D1",)), events=events)
    assert result.error is None
    assert result.folder is not None
    assert result.folder.sealed
    [said] = [event.text for event in events if isinstance(event, Prompt)]
    assert said.startswith("the wire log ends at message ")
    assert said in result.folder.record.notes
