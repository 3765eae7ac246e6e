"""The manifest finds every file that is not as it was when the run was sealed."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
from pathlib import Path

import pytest

from results.errors import RecordError
from results.record import manifest


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in manifest.EVIDENCE:
        (tmp_path / name).write_bytes(f"the bytes of {name}\n".encode())
    manifest.write(tmp_path)
    return tmp_path


def test_lines_are_those_of_sha256sum(folder: Path) -> None:
    expected = hashlib.sha256(b"the bytes of plan.toml\n").hexdigest()
    lines = (folder / "manifest.sha256").read_text(encoding="utf-8").splitlines()
    assert lines[0] == f"{expected}  plan.toml"
    assert [line.split("  ")[1] for line in lines] == list(manifest.EVIDENCE)


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="no sha256sum on this system")
def test_sha256sum_itself_accepts_the_manifest(folder: Path) -> None:
    command = ["sha256sum", "--check", "--strict", "--quiet", "manifest.sha256"]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (0, "")


def test_an_unchanged_folder_has_no_problem(folder: Path) -> None:
    assert manifest.verify(folder) == []


def test_a_changed_byte_is_named_by_file(folder: Path) -> None:
    (folder / "run.json").write_bytes(b"the bytes of run.jsoN\n")
    (problem,) = manifest.verify(folder)
    assert problem.startswith("run.json: changed since it was sealed: SHA-256 ")


def test_a_missing_file_and_a_missing_line_are_named(folder: Path) -> None:
    (folder / "traces.parquet").unlink()
    text = (folder / "manifest.sha256").read_text(encoding="utf-8").splitlines(keepends=True)
    (folder / "manifest.sha256").write_text("".join(text[1:]), encoding="utf-8")
    assert manifest.verify(folder) == ["manifest.sha256: plan.toml: not listed", "traces.parquet: missing"]


def test_a_line_that_leads_elsewhere_is_no_line(folder: Path) -> None:
    with (folder / "manifest.sha256").open("a", encoding="utf-8") as file:
        file.write(f"{'0' * 64}  ../../etc/passwd\nnonsense\n")
    expected = "not a SHA-256 and a file of this folder"
    assert [problem.split(": ")[1:3] for problem in manifest.verify(folder)] == [
        ["line 6", expected],
        ["line 7", expected],
    ]


def test_a_run_that_was_never_sealed_says_so(tmp_path: Path) -> None:
    assert manifest.verify(tmp_path) == ["manifest.sha256: missing: the run was never sealed"]


def test_a_file_that_is_not_there_cannot_be_sealed(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"plan\.toml: cannot be read: No such file or directory"):
        manifest.write(tmp_path)
    assert not (tmp_path / "manifest.sha256").exists()
