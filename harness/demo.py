"""The Fernhill run against the simulated bench, which is started as its own program, as a lab would stand there."""

from __future__ import annotations

import contextlib
import json
import re
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from importlib.resources import as_file, files
from pathlib import Path

from drivers.errors import BenchError
from harness.errors import UserFileError

FERNHILL = files("harness") / "fernhill"
READY = "ready "


@contextmanager
def simulated_bench(board: Path, speed: float | None = None, *, stepped: bool = False) -> Iterator[dict[str, str]]:
    """The simulated bench as a program beside this one; yields role -> resource. It ends with the block.

    Raises BenchError if it does not come up; its own words are in the message.
    """
    command = [sys.executable, "-m", "harness.cli", "simulate", str(board), "--until-stdin-ends"]
    if speed is not None:
        command += ["--speed", f"{speed:g}"]
    if stepped:
        command.append("--stepped")
    # A session of its own: a Ctrl-C is for the run, which still needs its bench to make it safe.
    program = subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, start_new_session=True
    )
    assert program.stdin is not None
    assert program.stdout is not None
    try:
        line = program.stdout.readline()
        if not line.startswith(READY):
            raise BenchError(f"the simulated bench did not come up: {line.strip()!r}")
        yield json.loads(line.removeprefix(READY))
    finally:
        with contextlib.suppress(OSError):
            program.stdin.close()
        try:
            program.wait(timeout=10)
        except subprocess.TimeoutExpired:
            program.kill()
            program.wait()
        program.stdout.close()


def write_demo_files(
    folder: Path, resources: Mapping[str, str], speed: float | None = None, *, stepped: bool = False
) -> tuple[Path, Path]:
    """Plan and bench file of the Fernhill run, the simulated bench's resources put in; returns their paths.

    `speed` as the bench was started with, None for the board file's. `stepped`: its own clock is asked for the time.
    Raises UserFileError where they cannot be written.
    """
    plan, bench = folder / "plan.toml", folder / "bench.toml"
    text = (FERNHILL / "bench.toml").read_text(encoding="utf-8")
    for role, resource in resources.items():
        text = text.replace(f"@{role}@", resource)
    if stepped:
        text = re.sub(r"(?m)^speed = .*", f'resource = "{resources["clock"]}"', text)
    elif speed is not None:
        text = re.sub(r"(?m)^speed = \S+", f"speed = {speed:g}", text)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        plan.write_text((FERNHILL / "plan.toml").read_text(encoding="utf-8"), encoding="utf-8")
        bench.write_text(text, encoding="utf-8")
    except OSError as exc:
        raise UserFileError(folder, "", f"cannot be written: {exc.strerror}") from exc
    return plan, bench


@contextmanager
def fernhill_board() -> Iterator[Path]:
    """The hidden truth of the demo's board as a file, wherever the package is installed."""
    with as_file(FERNHILL / "board.toml") as path:
        yield path
