"""A wire log's instruments, served again beside a test: `with replayed(folder, tmp_path) as replay:`."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

READY = "ready "
END_S = 10.0
"""Real seconds for the replay to end by itself once its instruments are not used any more."""


@dataclass
class Replayed:
    """A replay that is served. `resources`: role -> resource. `bench` and `plan`: texts with these put in.

    After the block: `status` (0: everything was as logged, 1: something differed) and what was `told`, line by line.
    """

    resources: dict[str, str]
    bench: str
    plan: str
    status: int = -1
    told: list[str] = field(default_factory=list)

    @property
    def differs(self) -> str:
        """The first message that differs; empty where none did."""
        mark = "the first message that differs: "
        return next((line.partition(mark)[2] for line in self.told if mark in line), "")


@contextmanager
def replayed(folder: Path, files: Path, *arguments: str) -> Iterator[Replayed]:
    """Serve the wire log of `folder` as a program of its own; plan and bench file are written into `files`."""
    command = [sys.executable, "-m", "harness.cli", "replay", str(folder), "--files", str(files)]
    program = subprocess.Popen(
        [*command, "--until-stdin-ends", *arguments],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert program.stdin is not None
    assert program.stdout is not None
    assert program.stderr is not None
    try:
        line = program.stdout.readline()
        assert line.startswith(READY), (line, program.stderr.read())
        plan = files / "plan.toml"
        replay = Replayed(
            json.loads(line.removeprefix(READY)),
            (files / "bench.toml").read_text(encoding="utf-8"),
            plan.read_text(encoding="utf-8") if plan.exists() else "",
        )
        yield replay
        with suppress(subprocess.TimeoutExpired):
            program.wait(timeout=END_S)
    finally:
        with suppress(OSError):
            program.stdin.close()
        try:
            program.wait(timeout=END_S)
        finally:
            program.kill()
            told = program.stderr.read()
            program.stdout.close()
            program.stderr.close()
    replay.status = program.returncode
    replay.told = told.splitlines()
