"""A run folder keeps what was committed, from the first trial to the sealed evidence, and changes nothing after."""

from __future__ import annotations

import errno
import hashlib
import os
import sys
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest

from results.errors import RecordError
from results.record import traces_table
from results.record.happening import Happening
from results.record.new_folder import safe_name
from results.record.observation import Observation
from results.record.run_folder import RunFolder
from results.record.run_json import from_json
from results.record.trace import Trace
from tests.results.record.runs import (
    BENCH_TEXT,
    PLAN_TEXT,
    STARTED,
    filled_run,
    new_run,
    observation,
    run_record,
    same,
    trial,
)

NAME = "20260304T050607Z_FH-2417-001"


def assert_holds(folder: RunFolder, sequences: list[int]) -> None:
    """The folder gives back these trials, in this order, each as it was made."""
    found = folder.observations()
    assert [made.sequence for made, _ in found] == sequences
    assert all(made == trial(made.sequence) and same(seen, observation(made.sequence)) for made, seen in found)


def test_a_new_folder_holds_the_files_as_used(tmp_path: Path) -> None:
    folder = new_run(tmp_path / "runs")
    assert folder.path == tmp_path / "runs" / NAME
    assert (folder.path / "plan.toml").read_bytes() == PLAN_TEXT.encode()
    assert (folder.path / "bench.toml").read_bytes() == BENCH_TEXT.encode()
    assert from_json((folder.path / "run.json").read_text(encoding="utf-8")) == replace(run_record(), run=NAME)
    assert folder.record.run == NAME
    assert not folder.sealed
    assert folder.observations() == []


def test_an_existing_folder_is_never_used_again(tmp_path: Path) -> None:
    names = [new_run(tmp_path).path.name for _ in range(3)]
    assert names == [NAME, f"{NAME}_2", f"{NAME}_3"]


def test_the_name_is_in_utc(tmp_path: Path) -> None:
    local = STARTED.astimezone(timezone(timedelta(hours=5, minutes=30)))
    assert RunFolder.create(tmp_path, "FH-2417-001", run_record(), "", "", local).path.name == NAME
    with pytest.raises(RecordError, match="started: a time without a time zone: 2026-03-04T05:06:07"):
        RunFolder.create(tmp_path, "FH-2417-001", run_record(), "", "", datetime(2026, 3, 4, 5, 6, 7))  # noqa: DTZ001


@pytest.mark.parametrize(
    ("unit", "name"),
    [
        ("FH-2417-001", "FH-2417-001"),
        ("../../etc/passwd", "etc-passwd"),
        ("..\\C:\\x", "C-x"),
        ("a/b\0c\nd", "a-b-c-d"),
        ("..", "unit"),
        ("", "unit"),
        ("unit 7 ", "unit-7"),
        ("Prüfling.", "Prüfling"),
        ("Ω" * 200, "Ω" * 40),
    ],
)
def test_no_name_of_a_unit_leads_out_of_the_folder(tmp_path: Path, unit: str, name: str) -> None:
    assert safe_name(unit) == name
    folder = RunFolder.create(tmp_path, unit, run_record(), "", "", STARTED)
    assert folder.path.parent == tmp_path
    assert folder.path.is_dir()


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "runs").write_text("a file", encoding="utf-8")
    with pytest.raises(RecordError, match="runs: cannot make a run folder: "):
        new_run(tmp_path / "runs")


def test_a_trial_is_there_as_soon_as_append_returns(tmp_path: Path) -> None:
    folder = new_run(tmp_path)
    for sequence in range(1, 7):
        folder.append(trial(sequence), observation(sequence))
        assert_holds(RunFolder.open(folder.path), list(range(1, sequence + 1)))


def test_samples_are_on_the_disk_before_the_line_and_the_line_before_append_returns(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = new_run(tmp_path)
    seen: list[str] = []
    write, fsync = os.write, os.fsync
    names = {(folder.path / name).stat().st_ino: name for name in ("samples.raw", "journal.jsonl")}

    def name_of(handle: int) -> str:
        return names[os.fstat(handle).st_ino]

    def watched_write(handle: int, data: bytes) -> int:
        seen.append(f"write {name_of(handle)}")
        return write(handle, data)

    def watched_fsync(handle: int) -> None:
        fsync(handle)
        seen.append(f"fsync {name_of(handle)}")

    monkeypatch.setattr(os, "write", watched_write)
    monkeypatch.setattr(os, "fsync", watched_fsync)
    folder.append(trial(1), observation(1))
    assert seen == ["write samples.raw", "fsync samples.raw", "write journal.jsonl", "fsync journal.jsonl"]


def test_a_run_goes_on_where_it_was_left(tmp_path: Path) -> None:
    path = filled_run(tmp_path, 3).path
    again = RunFolder.open(path)
    again.append(trial(4), observation(4))
    assert_holds(again, [1, 2, 3, 4])
    assert again.problems() == []


def test_a_measured_trial_is_not_made_twice(tmp_path: Path) -> None:
    path = filled_run(tmp_path, 2).path
    with pytest.raises(RecordError, match=r"journal\.jsonl: trial 2 \(D2 reset default 8\.2 kΩ #2\): measured already"):
        RunFolder.open(path).append(trial(2), observation(2))
    assert_holds(RunFolder.open(path), [1, 2])


def test_a_trial_without_evidence_may_be_made_again_and_the_later_one_counts(tmp_path: Path) -> None:
    folder = new_run(tmp_path)
    empty = Trace(np.empty(0), np.empty(0))
    folder.append(trial(1), Observation(empty, outcome="failed", notes=("the meter did not answer",)))
    folder.append(trial(2), observation(2))
    folder.append(trial(1), observation(1))
    assert_holds(folder, [2, 1])
    folder.seal()
    assert_holds(RunFolder.open(folder.path), [2, 1])


def test_what_happened_is_kept_beside_the_trials_and_survives_the_seal(tmp_path: Path) -> None:
    folder = new_run(tmp_path)
    folder.append(trial(1), observation(1))
    resumed = Happening("resumed", "2026-03-04T06:00:00+00:00", "went on after a power cut", 2)
    RunFolder.open(folder.path).tell(resumed)
    RunFolder.open(folder.path).append(trial(2), observation(2))
    RunFolder.open(folder.path).seal()
    sealed = RunFolder.open(folder.path)
    assert sealed.happenings() == (resumed,)
    assert_holds(sealed, [1, 2])
    with pytest.raises(RecordError, match="sealed: nothing can be added"):
        sealed.tell(resumed)


def test_what_failed_is_not_done(tmp_path: Path) -> None:
    folder = new_run(tmp_path)
    for sequence, outcome in ((1, "measured"), (2, "failed"), (3, "no contact")):
        folder.append(trial(sequence), replace(observation(sequence), outcome=outcome))
    assert folder.done() == {1, 3}


def test_run_json_changes_only_before_the_seal(tmp_path: Path) -> None:
    folder = filled_run(tmp_path, 1)
    folder.update_record(replace(folder.record, operator="somebody"))
    assert RunFolder.open(folder.path).record.operator == "somebody"
    folder.seal()
    with pytest.raises(RecordError, match=r"sealed: run\.json cannot be changed"):
        folder.update_record(run_record())
    with pytest.raises(RecordError, match="sealed: no trial can be added"):
        folder.append(trial(2), observation(2))
    assert RunFolder.open(folder.path).record.operator == "somebody"


def test_a_sealed_run_holds_the_evidence_and_no_raw_samples(tmp_path: Path) -> None:
    folder = filled_run(tmp_path)
    folder.seal()
    assert sorted(path.name for path in folder.path.iterdir()) == [
        "bench.toml",
        "journal.jsonl",
        "manifest.sha256",
        "plan.toml",
        "run.json",
        "traces.parquet",
    ]
    reopened = RunFolder.open(folder.path)
    assert reopened.sealed
    assert_holds(reopened, [1, 2, 3, 4, 5, 6])
    assert reopened.problems() == []


def test_a_second_seal_changes_nothing(tmp_path: Path) -> None:
    folder = filled_run(tmp_path)
    folder.seal()
    before = {path.name: path.read_bytes() for path in folder.path.iterdir()}
    RunFolder.open(folder.path).seal()
    assert {path.name: path.read_bytes() for path in folder.path.iterdir()} == before


def test_sealing_goes_on_after_a_crash_at_any_step(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Power fails after the table is in place, after the manifest is, and before either."""
    for step in ("results.record.run_folder.put_in_place", "results.record.manifest.write", "pathlib.Path.unlink"):
        folder = filled_run(tmp_path)

        def power_fails(*arguments: object, **options: object) -> None:
            raise KeyboardInterrupt

        with monkeypatch.context() as patch:
            patch.setattr(step, power_fails)
            with pytest.raises(KeyboardInterrupt):
                folder.seal()
        reopened = RunFolder.open(folder.path)
        assert_holds(reopened, [1, 2, 3, 4, 5, 6])
        reopened.seal()
        assert_holds(reopened, [1, 2, 3, 4, 5, 6])
        assert reopened.problems() == []
        assert not (folder.path / "samples.raw").exists()


def test_raw_samples_stay_until_the_table_reads_back_equal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = filled_run(tmp_path)
    read = traces_table.read

    def one_sample_off(*arguments: object) -> list[Trace]:
        traces = read(*arguments)  # type: ignore[arg-type]
        volts = traces[4].voltage_v.copy()
        volts[7] = np.nextafter(volts[7], 10.0)
        return [*traces[:4], replace(traces[4], voltage_v=volts), *traces[5:]]

    monkeypatch.setattr(traces_table, "read", one_sample_off)
    with pytest.raises(RecordError, match=r"traces\.parquet: trial 5: not read back as written; samples\.raw is kept"):
        folder.seal()
    assert not folder.sealed
    assert_holds(folder, [1, 2, 3, 4, 5, 6])


@pytest.mark.skipif(sys.platform == "win32", reason="a limit on the size of a file stands in for a full disk")
def test_a_full_disk_loses_nothing_and_the_run_goes_on_when_there_is_room(tmp_path: Path) -> None:
    import resource

    folder = filled_run(tmp_path, 3)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    size = (folder.path / "samples.raw").stat().st_size
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (size + 100, hard))
        with pytest.raises(RecordError, match=rf"samples\.raw: cannot add 640 bytes at {size}: File too large"):
            folder.append(trial(4), observation(4))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert (folder.path / "samples.raw").stat().st_size == size
    assert_holds(RunFolder.open(folder.path), [1, 2, 3])
    folder.append(trial(4), observation(4))
    folder.seal()
    assert_holds(RunFolder.open(folder.path), [1, 2, 3, 4])


def test_a_disk_that_fills_up_between_samples_and_line_commits_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = filled_run(tmp_path, 3)
    before = {name: (folder.path / name).read_bytes() for name in ("samples.raw", "journal.jsonl")}
    write = os.write

    def full_for_lines(handle: int, data: bytes) -> int:
        if bytes(data).startswith(b'{"crc32"'):
            raise OSError(errno.ENOSPC, "No space left on device")
        return write(handle, data)

    with monkeypatch.context() as patch:
        patch.setattr(os, "write", full_for_lines)
        with pytest.raises(RecordError, match=r"journal\.jsonl: cannot add \d+ bytes at \d+: No space left on device"):
            folder.append(trial(4), observation(4))
    assert {name: (folder.path / name).read_bytes() for name in before} == before
    folder.append(trial(4), observation(4))
    assert_holds(folder, [1, 2, 3, 4])


def test_a_disk_too_full_to_seal_leaves_the_run_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = filled_run(tmp_path)

    def full(handle: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        with pytest.raises(RecordError, match=r"traces\.parquet: cannot be written: No space left on device"):
            folder.seal()
    assert not folder.sealed
    assert not (folder.path / "traces.parquet.part").exists()
    folder.seal()
    assert_holds(RunFolder.open(folder.path), [1, 2, 3, 4, 5, 6])


def test_opening_for_reading_changes_no_byte(tmp_path: Path) -> None:
    """Somebody may look at a run that is still going on: its half-written tail is not ours to cut."""
    folder = filled_run(tmp_path, 3)
    for name in ("samples.raw", "journal.jsonl"):
        with (folder.path / name).open("ab") as file:
            file.write(b"half a pie")
    before = {path.name: hashlib.sha256(path.read_bytes()).digest() for path in folder.path.iterdir()}
    reader = RunFolder.open(folder.path)
    assert_holds(reader, [1, 2, 3])
    assert reader.problems() == []
    assert {path.name: hashlib.sha256(path.read_bytes()).digest() for path in folder.path.iterdir()} == before


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
@pytest.mark.parametrize("name", ["run.json", "journal.jsonl", "samples.raw"])
def test_a_pipe_or_a_link_among_the_evidence_is_refused(tmp_path: Path, name: str) -> None:
    """A pipe was waited for without an end; a link led what a run that goes on adds to any file of the user's."""
    folder = filled_run(tmp_path, 2)
    path, elsewhere = folder.path / name, tmp_path / "elsewhere"
    path.rename(elsewhere)
    for plant, rule in (
        (lambda: path.symlink_to(elsewhere), "is a link, which may lead out of the folder"),
        (lambda: os.mkfifo(path), "is not a regular file"),
    ):
        plant()
        with pytest.raises(RecordError) as caught:
            RunFolder.open(folder.path).append(trial(3), observation(3))
        assert str(caught.value) in (f"{path}: cannot be read: {rule}", f"{path}: cannot be opened: {rule}")
        with pytest.raises(RecordError, match=rule):
            RunFolder.open(folder.path).observations()
        path.unlink()


def test_what_is_no_run_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"run\.json: missing: not a run folder"):
        RunFolder.open(tmp_path)
    (tmp_path / "run.json").write_bytes(b"\xff{}")
    with pytest.raises(RecordError, match=r"run\.json: byte 0: not UTF-8"):
        RunFolder.open(tmp_path)
    (tmp_path / "run.json").write_bytes(b"{}")
    with pytest.raises(RecordError, match=r"run\.json: run: Field required"):
        RunFolder.open(tmp_path)


def test_a_missing_journal_is_named(tmp_path: Path) -> None:
    folder = filled_run(tmp_path, 1)
    (folder.path / "journal.jsonl").unlink()
    with pytest.raises(RecordError, match=r"journal\.jsonl: missing"):
        RunFolder.open(folder.path).observations()
