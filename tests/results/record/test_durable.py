"""A file is put in place whole, and a piece that could not be written leaves nothing behind."""

from __future__ import annotations

import errno
import os
import sys
from pathlib import Path

import pytest

from results.errors import RecordError
from results.record.durable import GrowingFile, write_derived, write_whole


def test_a_file_is_replaced_whole(tmp_path: Path) -> None:
    path = tmp_path / "run.json"
    write_whole(path, b"old")
    write_whole(path, b"new")
    assert path.read_bytes() == b"new"
    assert [p.name for p in tmp_path.iterdir()] == ["run.json"]


def test_a_failed_replacement_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "run.json"
    write_whole(path, b"old")

    def full(handle: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(RecordError, match=r"run\.json: cannot write 3 bytes: No space left on device"):
        write_whole(path, b"new")
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["run.json"]


@pytest.mark.skipif(sys.platform == "win32", reason="links need a privilege there")
def test_nothing_is_written_through_a_link_that_somebody_planted(tmp_path: Path) -> None:
    """report.pdf.part in a run folder of a stranger used to lead what was written to any file of the user's."""
    victim, path = tmp_path / "victim", tmp_path / "x.json"
    victim.write_text("precious")
    for write in (write_whole, write_derived):
        for name in ("x.json", "x.json.part"):
            (tmp_path / name).unlink(missing_ok=True)
            (tmp_path / name).symlink_to(victim)
        write(path, b"new")
        assert (path.read_bytes(), path.is_symlink()) == (b"new", False)
    (tmp_path / "grows").symlink_to(victim)
    with pytest.raises(RecordError, match="grows: cannot be opened: is a link, which may lead out of the folder"):
        GrowingFile(tmp_path / "grows")
    assert victim.read_text() == "precious"


def test_a_folder_in_place_of_the_part_is_one_clear_line(tmp_path: Path) -> None:
    (tmp_path / "x.json.part").mkdir()
    with pytest.raises(RecordError, match=r"x.json: cannot write 3 bytes: "):
        write_whole(tmp_path / "x.json", b"new")


def test_pieces_follow_each_other(tmp_path: Path) -> None:
    path = tmp_path / "samples.raw"
    path.write_bytes(b"")
    file = GrowingFile(path)
    assert [file.append(b"abc"), file.append(b""), file.append(b"de")] == [0, 3, 3]
    assert path.read_bytes() == b"abcde"


def test_a_short_write_is_gone_on_with(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "samples.raw"
    path.write_bytes(b"")
    write = os.write
    monkeypatch.setattr(os, "write", lambda handle, data: write(handle, bytes(data)[:2]))
    GrowingFile(path).append(b"abcdefg")
    assert path.read_bytes() == b"abcdefg"


def test_after_a_failed_fsync_nothing_of_the_piece_is_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "samples.raw"
    path.write_bytes(b"abc")
    file = GrowingFile(path)

    def fail(handle: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", fail)
        with pytest.raises(RecordError, match=r"samples\.raw: cannot add 2 bytes at 3: Input/output error"):
            file.append(b"de")
    assert path.read_bytes() == b"abc"
    assert file.append(b"fg") == 3
    assert path.read_bytes() == b"abcfg"


def test_two_writers_are_noticed(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    path.write_bytes(b"")
    one, other = GrowingFile(path), GrowingFile(path)
    one.append(b"abc")
    with pytest.raises(RecordError, match=r"journal\.jsonl: changed by somebody else: 3 bytes, expected 0"):
        other.append(b"de")


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"samples\.raw: cannot be opened: No such file or directory"):
        GrowingFile(tmp_path / "samples.raw")
