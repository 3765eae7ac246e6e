"""Whatever a crash or a bad disk does to a run folder, nothing committed is lost and nothing wrong is read."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from results.errors import RecordError
from results.record.run_folder import RunFolder
from tests.results.record.runs import filled_run, observation, same, trial

TRIALS = 6
CASES = 300


@pytest.fixture(autouse=True)
def scratch_need_not_last(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is on the disk after a crash is written down here by hand; waiting for a real disk would prove nothing."""
    monkeypatch.setattr(os, "fsync", lambda handle: None)


class Disk:
    """A run whose two growing files can be put back to any moment of its making."""

    def __init__(self, folder: Path, scratch: Path) -> None:
        self._folder = folder
        self._scratch = scratch
        self.raw = (folder / "samples.raw").read_bytes()
        self.lines = (folder / "journal.jsonl").read_bytes().splitlines(keepends=True)

    def with_files(self, raw: bytes, journal: bytes) -> RunFolder:
        shutil.rmtree(self._scratch, ignore_errors=True)
        shutil.copytree(self._folder, self._scratch)
        (self._scratch / "samples.raw").write_bytes(raw)
        (self._scratch / "journal.jsonl").write_bytes(journal)
        return RunFolder.open(self._scratch)


def sample_bytes(sequence: int) -> int:
    return 40 * 8 * (3 if sequence % 3 == 0 else 2)


def sample_starts() -> list[int]:
    return [sum(sample_bytes(s) for s in range(1, sequence)) for sequence in range(1, TRIALS + 2)]


@pytest.fixture(scope="module")
def disk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Disk]:
    parent = tmp_path_factory.mktemp("damage")
    yield Disk(filled_run(parent, TRIALS).path, parent / "scratch")
    shutil.rmtree(parent, ignore_errors=True)


@dataclass(frozen=True)
class Crash:
    """What is on the disk when all goes dark while one piece is being written: samples, or the line that commits."""

    committed: int
    raw: bytes
    journal: bytes
    in_line: bool


def crashes(disk: Disk, seed: int) -> Iterator[Crash]:
    rng = np.random.default_rng(seed)
    starts = sample_starts()
    for _ in range(CASES):
        committed = int(rng.integers(0, TRIALS))
        journal = b"".join(disk.lines[:committed])
        if rng.integers(0, 2):
            piece = disk.lines[committed]
            written = piece[: int(rng.integers(0, len(piece)))]
            yield Crash(committed, disk.raw[: starts[committed + 1]], journal + written, in_line=True)
        else:
            end = int(rng.integers(starts[committed], starts[committed + 1] + 1))
            yield Crash(committed, disk.raw[:end], journal, in_line=False)


def assert_resumes(disk: Disk, folder: RunFolder, committed: int, seal: bool) -> None:
    """All committed trials are there; the rest can be made; sealed or not, all of them are as they were made."""
    found = folder.observations()
    assert [made.sequence for made, _ in found] == list(range(1, committed + 1))
    assert all(same(seen, observation(made.sequence)) for made, seen in found)
    for sequence in range(committed + 1, TRIALS + 1):
        folder.append(trial(sequence), observation(sequence))
    # Not a byte tells the resumed run from one that was never disturbed.
    assert (folder.path / "samples.raw").read_bytes() == disk.raw
    assert (folder.path / "journal.jsonl").read_bytes() == b"".join(disk.lines)
    if seal:
        folder.seal()
    finished = RunFolder.open(folder.path)
    assert finished.problems() == []
    assert [made for made, _ in finished.observations()] == [trial(sequence) for sequence in range(1, TRIALS + 1)]
    assert all(same(seen, observation(made.sequence)) for made, seen in finished.observations())


def test_a_crash_at_any_byte_loses_nothing_that_was_committed(disk: Disk) -> None:
    for case, crash in enumerate(crashes(disk, seed=1)):
        assert_resumes(disk, disk.with_files(crash.raw, crash.journal), crash.committed, seal=case % 10 == 0)


def test_a_tail_of_zeros_after_a_crash_is_never_taken_for_data(disk: Disk) -> None:
    """File systems may give a file its new length before its new bytes: what was being written then ends in zeros."""
    rng = np.random.default_rng(2)
    for case, crash in enumerate(crashes(disk, seed=2)):
        zeros = bytes(int(rng.integers(1, 5000)))
        raw = crash.raw if crash.in_line else crash.raw + zeros
        journal = crash.journal + zeros if crash.in_line else crash.journal
        assert_resumes(disk, disk.with_files(raw, journal), crash.committed, seal=case % 10 == 0)


def assert_only_trial_lost(folder: RunFolder, lost: int) -> None:
    """Every other trial is as it was made; the lost one is absent or `failed` with an empty trace, and is named."""
    found = {made.sequence: seen for made, seen in folder.observations()}
    assert found.keys() | {lost} == set(range(1, TRIALS + 1))
    for sequence, seen in found.items():
        if sequence == lost:
            assert seen.outcome == "failed"
            assert len(seen.trace) == 0
            assert seen.notes[-1] == f"samples of trial {lost} are damaged: checksum does not match"
        else:
            assert same(seen, observation(sequence))


def flipped(data: bytes, bit: int) -> bytes:
    damaged = bytearray(data)
    damaged[bit // 8] ^= 1 << (bit % 8)
    return bytes(damaged)


def test_a_flipped_bit_among_the_samples_costs_that_trial_alone_and_it_can_be_made_again(disk: Disk) -> None:
    rng = np.random.default_rng(3)
    starts = sample_starts()
    for case in range(CASES):
        bit = int(rng.integers(0, 8 * len(disk.raw)))
        lost = int(np.searchsorted(starts, bit // 8, side="right"))
        damaged = flipped(disk.raw, bit)
        if np.array_equal(np.frombuffer(damaged), np.frombuffer(disk.raw), equal_nan=True):
            continue  # an overload has many bit patterns: it is one still
        folder = disk.with_files(damaged, b"".join(disk.lines))
        assert_only_trial_lost(folder, lost)
        label = trial(lost).label
        assert folder.problems() == [f"trial {lost} ({label}): samples are damaged: checksum does not match"]
        if case % 10 == 0:
            folder.append(trial(lost), observation(lost))
            folder.seal()
            again = RunFolder.open(folder.path).observations()
            assert sorted(made.sequence for made, _ in again) == list(range(1, TRIALS + 1))
            assert all(same(seen, observation(made.sequence)) for made, seen in again)


def test_a_flipped_bit_in_the_journal_costs_that_trial_alone(disk: Disk) -> None:
    rng = np.random.default_rng(4)
    journal = b"".join(disk.lines)
    ends = np.cumsum([len(line) for line in disk.lines])
    bits = [*rng.integers(0, 8 * len(journal), CASES), *(8 * (end - 1) + bit for end in ends for bit in range(8))]
    for case, bit in enumerate(map(int, bits)):
        lost = int(np.searchsorted(ends, bit // 8, side="right")) + 1
        folder = disk.with_files(disk.raw, flipped(journal, bit))
        assert_only_trial_lost(folder, lost)
        last_newline = bit // 8 == len(journal) - 1  # without it, the line looks as if it was never committed
        if not last_newline:
            assert folder.problems()[0].startswith(f"journal.jsonl: line {lost}: checksum does not match")
        folder.append(trial(lost), observation(lost))
        if not last_newline:
            assert (folder.path / "samples.raw").read_bytes()[: len(disk.raw)] == disk.raw
        if case % 10 == 0:
            folder.seal()
            assert (folder.path / "samples.raw").exists() is not last_newline
            again = RunFolder.open(folder.path).observations()
            assert sorted(made.sequence for made, _ in again) == list(range(1, TRIALS + 1))
            assert all(same(seen, observation(made.sequence)) for made, seen in again)


def test_samples_behind_a_damaged_last_line_are_not_overwritten(disk: Disk) -> None:
    """The line may be lost, but what it committed is kept for whoever wants to dig it out."""
    journal = b"".join(disk.lines)
    folder = disk.with_files(disk.raw, flipped(journal, 8 * (len(journal) - 40)))
    folder.append(trial(TRIALS + 1), observation(TRIALS + 1))
    assert (folder.path / "samples.raw").read_bytes()[: len(disk.raw)] == disk.raw
    assert [made.sequence for made, _ in folder.observations()] == [1, 2, 3, 4, 5, TRIALS + 1]


def test_zeros_and_cuts_over_committed_bytes_are_never_read_as_data(disk: Disk) -> None:
    """No crash does this, a bad disk does: what is still read is right, and lost samples are said to be."""
    rng = np.random.default_rng(5)
    journal = b"".join(disk.lines)
    for _ in range(CASES):
        at = int(rng.integers(0, len(disk.raw)))
        tail = bytes(len(disk.raw) - at) if rng.integers(0, 2) else b""
        folder = disk.with_files(disk.raw[:at] + tail, journal)
        intact = [sequence for sequence in range(1, TRIALS + 1) if sample_starts()[sequence] <= at]
        found = folder.observations()
        measured = [made.sequence for made, seen in found if seen.outcome == "measured"]
        assert measured[: len(intact)] == intact
        # Zeros over bytes that were zero already (the first time stamp, the tail of a number) change nothing.
        assert all(same(seen, observation(made.sequence)) for made, seen in found if seen.outcome == "measured")
        assert len(folder.problems()) == TRIALS - len(measured)


def test_a_flipped_bit_in_a_sealed_run_is_found_and_never_read_as_data(disk: Disk) -> None:
    rng = np.random.default_rng(6)
    folder = disk.with_files(disk.raw, b"".join(disk.lines))
    folder.seal()
    sound = {path.name: path.read_bytes() for path in folder.path.iterdir() if path.name != "manifest.sha256"}
    refused = 0
    for _ in range(CASES):
        name = list(sound)[int(rng.integers(0, len(sound)))] if rng.integers(0, 2) else "traces.parquet"
        bit = int(rng.integers(0, 8 * len(sound[name])))
        (folder.path / name).write_bytes(flipped(sound[name], bit))
        try:
            damaged = RunFolder.open(folder.path)
            assert damaged.problems()[-1].startswith(f"{name}: changed since it was sealed: SHA-256 ")
            found = damaged.observations()
        except RecordError as exc:
            refused += 1
            assert "\n" not in str(exc)  # noqa: PT017
        else:
            assert all(same(seen, observation(made.sequence)) for made, seen in found if seen.outcome == "measured")
        (folder.path / name).write_bytes(sound[name])
    assert refused > 0
    assert RunFolder.open(folder.path).problems() == []
