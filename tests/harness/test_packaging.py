"""The built wheel holds the four rooms, what they need beside code, and nothing else."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest
from hatchling.builders.wheel import WheelBuilder

import harness

HOUSE = Path(harness.__file__).parent.parent
ROOMS = ("drivers", "harness", "procedures", "results")
BESIDE_CODE = {
    "harness/fernhill/bench.toml",
    "harness/fernhill/board.toml",
    "harness/fernhill/plan.toml",
    "results/report/report.typ",
}


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> zipfile.ZipFile:
    """Built as a front end would, without an environment of its own: nothing is fetched."""
    folder = tmp_path_factory.mktemp("wheel")
    [made] = WheelBuilder(str(HOUSE)).build(directory=str(folder), versions=["standard"])
    return zipfile.ZipFile(made)


def test_the_wheel_holds_the_four_rooms_and_what_they_read(wheel: zipfile.ZipFile) -> None:
    packed = {name for name in wheel.namelist() if ".dist-info/" not in name}
    code = {str(path.relative_to(HOUSE).as_posix()) for room in ROOMS for path in (HOUSE / room).rglob("*.py")}
    assert len(code) > 100
    assert packed == code | BESIDE_CODE


def test_the_wheel_says_its_licence_and_its_command(wheel: zipfile.ZipFile) -> None:
    about = {
        name.split(".dist-info/")[1]: wheel.read(name).decode() for name in wheel.namelist() if ".dist-info/" in name
    }
    assert about["licenses/LICENSE"] == (HOUSE / "LICENSE").read_text(encoding="utf-8")
    assert "stuckpin = harness.entry:main" in about["entry_points.txt"]
    assert "License-Expression: MIT" in about["METADATA"]
