"""Runs that ended early on the simulated bench, whatever ended them, and went on: nothing lost, nothing made twice."""

from __future__ import annotations

import errno
import os
import re
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest

from drivers.errors import InstrumentError
from harness import cli
from harness.bench_file import bench_from_text
from harness.events import Event, TrialFinished
from harness.plan import plan_from_text
from harness.procedure_file import load_procedure
from harness.resuming import resumption
from harness.run import RunResult, carry_out
from harness.signals import StopRequest
from results.analysis.analysis import analyse_folder
from results.errors import StorageError
from results.record.run_folder import RunFolder
from tests.harness.test_run import closed_relays
from tests.harness.whole_bench import (
    LATCHES,
    SOUND,
    bench_text,
    board_text,
    found,
    nobody,
    plan_text,
    run_plan,
    simulated,
    verdicts,
)

PINS = {"D1": SOUND, "D2": LATCHES}
NAMES = tuple(PINS)
PLAN = plan_text(NAMES, resistors='["none", "8.2 kΩ"]')
TRIALS = 4


@pytest.fixture(scope="module")
def resources(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    with simulated(tmp_path_factory.mktemp("simulated"), board_text(PINS)) as served:
        yield served


@pytest.fixture
def lab(resources: dict[str, str], tmp_path: Path) -> Path:
    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    (tmp_path / "bench.toml").write_text(bench_text(resources, NAMES), encoding="utf-8")
    return tmp_path


class Doing(list[Event]):
    """Does something as soon as so many trials are finished."""

    def __init__(self, finished: int, what: Callable[[], object]) -> None:
        super().__init__()
        self._left = finished
        self._what = what

    def append(self, event: Event) -> None:
        super().append(event)
        if isinstance(event, TrialFinished):
            self._left -= 1
            if self._left == 0:
                self._what()


def run(lab: Path, events: list[Event] | None = None) -> RunResult:
    plan, bench = plan_from_text(PLAN, lab / "plan.toml"), (lab / "bench.toml").read_text(encoding="utf-8")
    return carry_out(
        plan,
        bench_from_text(bench, lab / "bench.toml"),
        load_procedure("press_release", ()),
        parent=lab / "runs",
        listen=([] if events is None else events).append,
        stop=StopRequest(),
        operator=nobody(),
    )


def resume(folder: RunFolder, events: list[Event] | None = None) -> RunResult:
    whole = resumption(folder)
    return carry_out(
        whole.plan,
        whole.file,
        whole.procedure,
        parent=folder.path.parent,
        listen=([] if events is None else events).append,
        stop=StopRequest(),
        operator=nobody(),
        resumed=folder,
        resumed_notes=whole.notes,
    )


def left_behind(lab: Path) -> RunFolder:
    (path,) = (lab / "runs").glob("*_T-1")
    return RunFolder.open(path)


def command(
    words: Sequence[object], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> tuple[int, list[str]]:
    """Exit status and lines of a command that has nothing to complain of."""
    monkeypatch.setattr(sys, "argv", ["stuckpin", *map(str, words)])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    captured = capsys.readouterr()
    assert captured.err == ""
    return int(ended.value.code or 0), captured.out.splitlines()


def die() -> None:
    raise KeyboardInterrupt("as if the program had ended here")


def test_a_run_that_died_goes_on_and_comes_to_what_an_undisturbed_one_comes_to(
    lab: Path, resources: dict[str, str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    undisturbed = found(run_plan(tmp_path_factory.mktemp("undisturbed"), PLAN, bench_text(resources, NAMES)))
    died_after = int(np.random.default_rng(20260304).integers(1, TRIALS))
    with pytest.raises(KeyboardInterrupt):
        run(lab, Doing(died_after, die))
    folder = left_behind(lab)
    before = (folder.path / "journal.jsonl").read_bytes().splitlines(keepends=True)
    assert len(before) == died_after
    assert closed_relays(resources) == ("(@)", "NONE")

    events: list[Event] = []
    result = resume(folder, events)
    finding = found(result)
    assert sum(isinstance(event, TrialFinished) for event in events) == TRIALS - died_after
    assert (folder.path / "journal.jsonl").read_bytes().startswith(b"".join(before))
    assert [row.trial for row in finding.trials] == [row.trial for row in undisturbed.trials]
    assert [row.verdict for row in finding.trials] == [row.verdict for row in undisturbed.trials]
    for row, other in zip(finding.trials, undisturbed.trials, strict=True):
        assert row.settled is not None
        assert other.settled is not None
        # Two runs over real sockets settle within tens of microvolts; that of one bench clock is another test's.
        assert row.settled.value == pytest.approx(other.settled.value, abs=2e-4)
    assert verdicts(finding) == verdicts(undisturbed)
    (happened,) = finding.happenings
    assert happened.kind == "resumed"
    assert happened.text.startswith(
        f"resumed (1): {died_after} of {TRIALS} trials were made; nothing says why it ended"
    )
    assert any(happened.text in note for note in finding.record.notes)
    assert RunFolder.open(folder.path).problems() == []


class FullAfter:
    """A disk with room for so many trials and nothing after them."""

    def __init__(self, trials: int) -> None:
        self._left = trials
        self._write = os.write

    def __call__(self, handle: int, data: bytes) -> int:
        name = Path(f"/proc/self/fd/{handle}").readlink()
        if "runs" in name.parts:
            self._left -= name.name == "samples.raw" and len(data) > 0
            if self._left < 0:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return self._write(handle, data)


@pytest.mark.skipif(sys.platform != "linux", reason="which file a handle is, /proc tells")
def test_a_full_disk_ends_a_run_safe_with_what_was_made_and_it_goes_on_once_there_is_room(
    lab: Path, resources: dict[str, str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(lab)
    with monkeypatch.context() as patch:
        patch.setattr(os, "write", FullAfter(2))
        status, lines = command(("run", "plan.toml", "--bench", "bench.toml", "--plain", "--no-pdf"), patch, capsys)
    assert status == 3
    folder = left_behind(lab)
    (ended,) = (line for line in lines if line.startswith("ended early: "))
    assert re.search(r"samples\.raw: cannot add \d+ bytes at \d+: No space left on device$", ended)
    (unreported,) = (line for line in lines if line.startswith("not reported: "))
    assert unreported.endswith("trials.csv: cannot be written: No space left on device")
    assert any(line.startswith("bench safe: every pin let go, every output off") for line in lines)
    assert closed_relays(resources) == ("(@)", "NONE")
    assert folder.problems() == []
    assert len(folder.observations()) == 2
    finding = found(resume(folder))
    assert [row.verdict for row in finding.trials].count("released") == 3
    assert RunFolder.open(folder.path).problems() == []


def test_a_drive_that_vanishes_ends_a_run_safe_and_it_goes_on_when_the_drive_is_back(
    lab: Path, resources: dict[str, str]
) -> None:
    result = run(lab, Doing(2, lambda: (lab / "runs").rename(lab / "gone")))
    assert isinstance(result.error, StorageError)
    assert re.search(r"samples\.raw: cannot add \d+ bytes at \d+: No such file or directory$", str(result.error))
    assert result.not_verified == ()
    assert closed_relays(resources) == ("(@)", "NONE")
    (lab / "gone").rename(lab / "runs")
    folder = left_behind(lab)
    assert len(folder.observations()) == 2
    found(resume(folder))


def test_another_bench_is_refused_and_the_folder_stays_as_it_is(lab: Path) -> None:
    with pytest.raises(KeyboardInterrupt):
        run(lab, Doing(1, die))
    folder = left_behind(lab)
    text = (
        (folder.path / "run.json").read_text(encoding="utf-8").replace("Voltmeter 61,SIM-0001", "Voltmeter 61,SIM-0009")
    )
    (folder.path / "run.json").write_text(text, encoding="utf-8")
    before = {path.name: path.read_bytes() for path in folder.path.iterdir()}
    result = resume(RunFolder.open(folder.path))
    assert isinstance(result.error, InstrumentError)
    assert str(result.error).startswith("meter TCPIP::")
    assert "another instrument than the run began with" in str(result.error)
    assert (result.folder, result.not_verified) == (None, ())
    assert {path.name: path.read_bytes() for path in folder.path.iterdir()} == before


def test_the_command_resumes_names_the_reason_and_seals_without_a_bench_where_all_is_made(
    lab: Path, resources: dict[str, str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    stop = StopRequest()
    events = Doing(3, lambda: stop.ask("test"))
    carry_out(
        plan_from_text(PLAN, lab / "plan.toml"),
        bench_from_text((lab / "bench.toml").read_text(encoding="utf-8"), lab / "bench.toml"),
        load_procedure("press_release", ()),
        parent=lab / "runs",
        listen=events.append,
        stop=stop,
        operator=nobody(),
    )
    path = left_behind(lab).path
    with monkeypatch.context() as patch:
        # The disk has room for the last trial, and none for the seal.
        patch.setattr(RunFolder, "seal", lambda self: (_ for _ in ()).throw(StorageError(f"{self.path}: full")))
        words = ("resume", path, "--plain", "--no-pdf", "--unit", "T-1", "--operator", "A. Tester")
        status, lines = command(words, patch, capsys)
    assert status == 3
    assert lines[0].startswith("Test board T-1: 4 trials on 2 pins, 3 of them made before; evidence in ")
    assert [line.split()[0] for line in lines if "/4 " in line] == ["4/4"]
    assert f"ended early: {path}: full" in lines
    for resource in ("meter", "switch"):
        (lab / "bench.toml").write_text(
            (lab / "bench.toml")
            .read_text(encoding="utf-8")
            .replace(resources[resource], "TCPIP::127.0.0.1::1::SOCKET"),
            encoding="utf-8",
        )
    status, lines = command(("resume", path, "--no-pdf"), monkeypatch, capsys)
    assert status == 1
    assert RunFolder.open(path).sealed
    finding = analyse_folder(path)
    assert [one.kind for one in finding.happenings] == ["ended early", "resumed", "ended early"]
    assert "it had ended early: stopped on request (test)" in finding.happenings[1].text
    assert finding.happenings[1].text.endswith("by A. Tester; unit known by --unit")
