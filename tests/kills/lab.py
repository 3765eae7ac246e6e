"""A lab for each story: a simulated bench as a program, files, and programs that are killed in front of it."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.kills.tried import Tried

SAFE_WITHIN_S = 2.0
"""Real seconds after a kill within which the bench must be safe: asked of the simulated instruments themselves."""

GUARD_S = 40.0
"""Real seconds that the guard may take to end; it gives an instrument up after ten."""

RUN_S = 600.0
"""Real seconds that one program may take, on a busy computer."""


@dataclass(frozen=True)
class Kill:
    """One kill. `energised`: what was on when it came. `safe_after_s`: None where the bench was not safe in time, or
    did not stay so until the guard had ended."""

    after_s: float
    energised: tuple[str, ...]
    safe_after_s: float | None


@dataclass(frozen=True)
class Ended:
    """A program that came to its end."""

    status: int
    took_s: float
    said: str


@dataclass(frozen=True)
class Lab:
    """A bench that stands ready, and a folder for what is done on it."""

    folder: Path
    resources: Mapping[str, str]

    def begin(self) -> list[str]:
        """The command that begins a run."""
        plan, bench, runs = (str(self.folder / name) for name in ("plan.toml", "bench.toml", "runs"))
        return ["run", plan, "--bench", bench, "--runs", runs, "--plain", "--no-pdf"]

    def go_on(self, run: Path) -> list[str]:
        """The command that goes on with one: resumes it, or, where all that is missing is the report, makes that."""
        if (run / "manifest.sha256").exists():
            return ["report", str(run), "--no-pdf"]
        return ["resume", str(run), "--unit", "T-1", "--plain", "--no-pdf"]

    def run(self) -> Path | None:
        """The run folder, where there is one yet."""
        found = sorted((self.folder / "runs").glob("*_T-1*")) if (self.folder / "runs").exists() else []
        whole = [path for path in found if (path / "run.json").exists()]  # written last of a new folder
        return whole[-1] if whole else None

    def energised(self) -> tuple[str, ...]:
        """What is closed or on, by the simulated instruments' own word."""
        on = [f"switch {_asked(self.resources['switch'], 'ROUT:CLOS:STAT?')}"]
        on.append(f"relay_board {_asked(self.resources['relay_board'], 'CLOSED?')}")
        on.append(f"source {_asked(self.resources['source'], 'OUTP:STAT?')}")
        if "supply" in self.resources:
            on.append(f"supply {_asked(self.resources['supply'], 'OUTP:STAT?')}")
        return tuple(one for one in on if one not in ("switch (@)", "relay_board NONE", "source 0", "supply 0"))

    def carried_out(self, arguments: Sequence[str], kill_after_s: float | None = None) -> Kill | Ended:
        """Carry a command of the program out as a process of its own; kill it after so long, if it has not ended."""
        began_s = time.monotonic()
        program = subprocess.Popen(
            [sys.executable, "-m", "harness.cli", *arguments],
            cwd=self.folder,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
        # The guard has the same standard error: its end is the end of what is said there.
        said: list[bytes] = []
        assert program.stdout is not None
        listener = threading.Thread(target=lambda: said.append(program.stdout.read()))  # type: ignore[union-attr]
        listener.start()
        try:
            status = program.wait(RUN_S if kill_after_s is None else kill_after_s)
        except subprocess.TimeoutExpired:
            kill = self._kill(program.pid, listener, time.monotonic() - began_s)
            program.wait()
            program.stdout.close()
            return kill
        took_s = time.monotonic() - began_s
        listener.join(GUARD_S)
        program.stdout.close()
        return Ended(status, took_s, b"".join(said).decode("utf-8", "replace"))

    def _kill(self, pid: int, guard: threading.Thread, after_s: float) -> Kill:
        energised = self.energised()
        killed_s = time.monotonic()
        os.kill(pid, signal.SIGKILL)
        while self.energised() and time.monotonic() - killed_s < SAFE_WITHIN_S:
            time.sleep(0.01)
        safe_after_s = time.monotonic() - killed_s
        guard.join(GUARD_S)
        safe = safe_after_s < SAFE_WITHIN_S and not guard.is_alive() and not self.energised()
        return Kill(after_s, energised, safe_after_s if safe else None)


@contextmanager
def lab(folder: Path, tried: Tried) -> Iterator[Lab]:
    """A fresh bench, and the files in front of it."""
    folder.mkdir(parents=True)
    (folder / "board.toml").write_text(tried.board(), encoding="utf-8")
    command = [sys.executable, "-m", "harness.cli", "simulate", "board.toml", "--until-stdin-ends", "--no-pty"]
    command += ["--stepped"] if tried.speed is None else ["--speed", f"{tried.speed:g}"]
    with subprocess.Popen(command, cwd=folder, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as bench:
        assert bench.stdin is not None
        assert bench.stdout is not None
        try:
            ready = bench.stdout.readline()
            assert ready.startswith("ready "), ready
            resources: dict[str, str] = json.loads(ready.removeprefix("ready "))
            (folder / "plan.toml").write_text(tried.plan, encoding="utf-8")
            (folder / "bench.toml").write_text(tried.bench(resources), encoding="utf-8")
            yield Lab(folder, resources)
        finally:
            bench.stdin.close()
            bench.wait(30)


def _asked(resource: str, question: str) -> str:
    """What a simulated instrument answers on a connection of its own."""
    scpi = resource.split("::")
    host, port = (scpi[1], scpi[2]) if len(scpi) > 1 else resource.removeprefix("socket://").rsplit(":", 1)
    with socket.create_connection((host, int(port)), timeout=10) as peer, peer.makefile("rb") as answers:
        peer.sendall(f"{question}\n".encode())
        return answers.readline().decode().strip()
