"""Whatever the disk does at whichever write, what was committed is kept, and the run goes on once the disk is well."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from dataclasses import replace
from itertools import count
from pathlib import Path
from typing import Any, Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from results.errors import StorageError
from results.record import manifest
from results.record.happening import Happening
from results.record.run_folder import RunFolder
from results.record.wholeness import wholeness
from tests.results.record.runs import STARTED, filled_run, new_run, observation, same, trial

TRIALS = 3
FAULTS = (errno.ENOSPC, errno.EIO, errno.EROFS, errno.ESTALE, errno.EDQUOT, errno.ENOENT, errno.EACCES)
CALLS = ("write", "fsync", "ftruncate", "replace", "open", "unlink")
"""All of a run's ways to the disk but reading, and what the library of the table of traces writes by itself."""

Mode = Literal["once", "half a write, then no more"]


def at_once(handle: int) -> None:
    """What a disk does that is never without power: these tests ask what is written, not when."""


class Disk:
    """Fails at the n-th call, once or from then on; `hit` tells whether the run came so far."""

    def __init__(self, at: int, mode: Mode, number: int) -> None:
        self.hit = False
        self._calls = 0
        self._at = at
        self._mode = mode
        self._error = OSError(number, os.strerror(number))

    def fails(self) -> bool:
        self._calls += 1
        failing = self._calls == self._at or (self._calls > self._at and self._mode != "once")
        self.hit |= failing
        return failing

    def instead_of(self, name: str, real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*arguments: Any, **named: Any) -> Any:
            first = not self.hit
            if name == "open" and not arguments[1] & (os.O_WRONLY | os.O_RDWR) and Path(arguments[0]).is_file():
                return real(*arguments, **named)  # to read
            if not self.fails():
                return real(*arguments, **named)
            if name == "write" and first and self._mode == "half a write, then no more":
                handle, data = arguments
                return real(handle, bytes(data)[: len(data) // 2])
            raise self._error

        return call


def carry_on(folder: RunFolder, committed: list[int]) -> None:
    """From wherever a run stands to its seal; `committed` grows by each trial that is made."""
    done = folder.done()
    for sequence in range(1, TRIALS + 1):
        if sequence not in done:
            folder.append(trial(sequence), observation(sequence))
            committed.append(sequence)
    folder.tell(Happening("resumed", STARTED.isoformat(), "resumed (1)"))
    folder.update_record(replace(folder.record, finished_utc=STARTED.isoformat()))
    folder.seal()


def short_run(parent: Path, committed: list[int]) -> None:
    carry_on(new_run(parent), committed)


def assert_right(folder: RunFolder, committed: list[int]) -> None:
    """All that was committed is there, and whatever is there is right."""
    found = folder.observations()
    assert {made.sequence for made, _ in found} >= set(committed)
    assert all(same(seen, observation(made.sequence)) for made, seen in found)


def assert_whole(path: Path) -> None:
    folder = RunFolder.open(path)
    assert_right(folder, list(range(1, TRIALS + 1)))
    assert folder.problems() == []
    assert wholeness(path).verdict == "all as sealed"


@pytest.mark.parametrize("mode", ["once", "half a write, then no more"])
def test_a_disk_that_fails_at_any_write_of_a_run_costs_nothing_that_was_committed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, mode: Mode
) -> None:
    """Every single call of a short run fails in turn, each with another of the errors that disks and drives give."""
    folders = 0
    for at in count(1):
        parent = tmp_path / f"{mode[:4]}{at}"
        parent.mkdir()
        committed: list[int] = []
        disk = Disk(at, mode, FAULTS[at % len(FAULTS)])
        with monkeypatch.context() as patch:
            for name in CALLS:
                real = at_once if name == "fsync" else getattr(os, name)
                patch.setattr(os, name, disk.instead_of(name, real))
            try:
                short_run(parent, committed)
            except StorageError as exc:
                assert "\n" not in str(exc)  # noqa: PT017
        if not disk.hit:
            assert at > 50
            break
        paths = [path for path in parent.iterdir() if (path / "run.json").exists()]
        assert bool(paths) >= bool(committed)
        for path in paths:
            folders += 1
            folder = RunFolder.open(path)
            assert_right(folder, committed)
            if not folder.sealed:
                carry_on(folder, [])
            folder.seal()
            assert_whole(path)
    assert folders > 25, "folders that were there to go on with"


def test_after_leftovers_that_could_not_be_cut_off_the_same_folder_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Used to refuse every trial from then on: changed by somebody else."""
    folder = filled_run(tmp_path, 2)
    disk = Disk(2, "half a write, then no more", errno.ENOSPC)
    with monkeypatch.context() as patch:
        for name in ("write", "ftruncate"):
            patch.setattr(os, name, disk.instead_of(name, getattr(os, name)))
        with pytest.raises(StorageError, match=r"journal\.jsonl: cannot add \d+ bytes at \d+: No space left on device"):
            folder.append(trial(3), observation(3))
    assert not (folder.path / "journal.jsonl").read_bytes().endswith(b"\n")
    folder.append(trial(3), observation(3))
    carry_on(folder, [])
    assert_whole(folder.path)


@pytest.mark.parametrize("step", ["with the table in place", "before the manifest", "after the manifest"])
def test_a_kill_at_any_step_of_sealing_is_made_good_by_sealing_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    write = manifest.write

    def killed(*arguments: Any, **named: Any) -> None:
        if step == "after the manifest":
            write(*arguments, **named)
        raise KeyboardInterrupt

    where = "traces_table.read" if step == "with the table in place" else "manifest.write"
    folder = filled_run(tmp_path, TRIALS)
    with monkeypatch.context() as patch:
        patch.setattr(f"results.record.{where}", killed)
        with pytest.raises(KeyboardInterrupt):
            folder.seal()
    again = RunFolder.open(folder.path)
    assert_right(again, list(range(1, TRIALS + 1)))
    assert again.done() == {1, 2, 3}
    assert again.sealed is (step == "after the manifest")
    again.seal()
    assert_whole(folder.path)
    assert not (folder.path / "samples.raw").exists()


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    journal_cut=st.floats(0.0, 1.0),
    raw_cut=st.floats(0.0, 1.0),
    journal_zeros=st.booleans(),
    raw_zeros=st.booleans(),
)
def test_after_power_is_lost_with_tails_cut_or_zeroed_a_run_goes_on_to_the_same_end(
    tmp_path_factory: pytest.TempPathFactory,
    journal_cut: float,
    raw_cut: float,
    journal_zeros: bool,
    raw_zeros: bool,
) -> None:
    """Worse than a disk that keeps its promises: the tails of both files are lost independently of each other."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", at_once)
        path = filled_run(tmp_path_factory.mktemp("power"), TRIALS).path
    ends: dict[str, list[int]] = {"samples.raw": [], "journal.jsonl": []}
    for line in (path / "journal.jsonl").read_bytes().splitlines(keepends=True):
        before = ends["journal.jsonl"][-1] if ends["journal.jsonl"] else 0
        ends["journal.jsonl"].append(before + len(line))
    entries = RunFolder.open(path)._journal().entries
    ends["samples.raw"] = [entry.samples.offset + entry.samples.length for entry in entries]
    kept = {}
    for name, share, zeros in (("journal.jsonl", journal_cut, journal_zeros), ("samples.raw", raw_cut, raw_zeros)):
        data = (path / name).read_bytes()
        kept[name] = round(share * len(data))
        tail = bytes(len(data) - kept[name]) if zeros else b""
        (path / name).write_bytes(data[: kept[name]] + tail)
    untouched = [
        sequence for sequence in range(1, TRIALS + 1) if all(ends[name][sequence - 1] <= kept[name] for name in ends)
    ]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", at_once)
        goes_on(RunFolder.open(path), untouched)


def goes_on(folder: RunFolder, untouched: list[int]) -> None:
    """What was committed and is untouched is there; the rest is made again."""
    found = {made.sequence: seen for made, seen in folder.observations()}
    assert set(untouched) <= folder.done()
    assert all(same(seen, observation(number)) for number, seen in found.items() if seen.outcome == "measured")
    assert folder.done() == {number for number, seen in found.items() if seen.outcome == "measured"}
    carry_on(folder, [])
    again = RunFolder.open(folder.path)
    assert_right(again, list(range(1, TRIALS + 1)))
    assert again.sealed
    # Samples of a first try that were lost stay lost; a half line is no damage, it was never committed.
    assert not any(problem.startswith("journal.jsonl") for problem in again.problems())


def test_new_samples_never_lie_where_a_line_says_that_lost_ones_are(tmp_path: Path) -> None:
    """The file of samples was cut short, its journal not: used to be filled up with those of the next trial."""
    path = filled_run(tmp_path, TRIALS).path
    entries = RunFolder.open(path)._journal().entries
    with (path / "samples.raw").open("r+b") as file:
        file.truncate(entries[2].samples.offset + 8)
    folder = RunFolder.open(path)
    assert folder.done() == {1, 2}
    folder.append(trial(3), observation(3))
    made_again = folder._journal().entries[-1]
    assert made_again.samples.offset == entries[2].samples.offset + entries[2].samples.length
    assert_right(RunFolder.open(path), [1, 2, 3])
