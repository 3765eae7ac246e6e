"""A package of the user's that hides one of ours is named in one line, not found out by a traceback."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

import harness
from harness import ROOMS, hidden_rooms

HOUSE = Path(harness.__file__).parent.parent


def test_our_own_rooms_hide_nothing() -> None:
    assert hidden_rooms(HOUSE) == []


def test_rooms_from_elsewhere_are_named(tmp_path: Path) -> None:
    lines = hidden_rooms(tmp_path)
    assert len(lines) == len(ROOMS)
    own, other = tmp_path / "results" / "__init__.py", HOUSE / "results" / "__init__.py"
    assert lines[-1] == f"stuckpin: package results: {other} hides {own}; give stuckpin an environment of its own"


def run(tmp_path: Path, code: str, name: str = "script.py") -> subprocess.CompletedProcess[str]:
    """Run a script beside which a package `results` of the user's own stands, ahead of ours on the path."""
    theirs = tmp_path / "results"
    theirs.mkdir()
    (theirs / "__init__.py").write_text("", encoding="utf-8")
    script = tmp_path / name
    script.write_text(code, encoding="utf-8")
    environment = {**os.environ, "PYTHONPATH": str(HOUSE), "PYTHONDONTWRITEBYTECODE": "1"}
    return subprocess.run([sys.executable, str(script)], env=environment, capture_output=True, text=True, check=False)


def expected_line(tmp_path: Path) -> str:
    theirs, ours = tmp_path / "results" / "__init__.py", HOUSE / "results" / "__init__.py"
    return f"stuckpin: package results: {theirs} hides {ours}; give stuckpin an environment of its own"


def test_the_command_ends_with_the_line_and_status_2(tmp_path: Path) -> None:
    ended = run(tmp_path, "import harness", name="stuckpin")
    assert (ended.returncode, ended.stdout, ended.stderr) == (2, "", expected_line(tmp_path) + "\n")


def test_whoever_imports_gets_an_import_error(tmp_path: Path) -> None:
    ended = run(tmp_path, "try:\n    import harness\nexcept ImportError as exc:\n    print(exc)")
    assert (ended.returncode, ended.stdout, ended.stderr) == (0, expected_line(tmp_path) + "\n", "")


def test_a_folder_that_is_no_package_hides_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "results").mkdir()
    monkeypatch.syspath_prepend(str(tmp_path))
    assert hidden_rooms(HOUSE) == []
