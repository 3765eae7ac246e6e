"""A plan of so many trials, carried out by the program itself on a simulated bench, watched from this process."""

from __future__ import annotations

import json
import os
import re
import socket
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from harness.demo import simulated_bench
from results.record.run_folder import RunFolder
from tests.harness.whole_bench import LATCHES, SOUND, bench_text, board_text, plan_text
from tests.soak.look import Look, children, look

LISTED = ("none", "8.2 kΩ")
ROOT = Path(__file__).parents[2]

TRUTH = {"even": SOUND, "odd": LATCHES}
"""Pins in turn: one that releases, one that latches with no resistor and releases with 8.2 kΩ."""


@dataclass
class LongRun:
    """What was seen of one run: looks at each process by name, how it ended, what its folder holds."""

    planned: int
    looks: dict[str, list[Look]] = field(default_factory=dict)
    status: int | None = None
    said: str = ""
    trials_s: float = 0.0
    whole_s: float = 0.0
    outcomes: Counter[str] = field(default_factory=Counter)
    wrong: int = 0
    closed: dict[str, int] = field(default_factory=dict)
    counted: dict[str, int] = field(default_factory=dict)
    folder: Path | None = None


def names_of(pins: int) -> list[str]:
    return [f"D{number + 1}" for number in range(pins)]


def files_of(folder: Path, resources: dict[str, str], pins: int, repeats: int) -> tuple[Path, Path]:
    """Plan and bench file of the long run: short logs, because what is looked for grows with trials and not samples."""
    names = names_of(pins)
    listed = "[" + ", ".join(f'"{name}"' for name in LISTED) + "]"
    plan = plan_text(names, resistors=listed).replace("repeats = 1\n", f"repeats = {repeats}\n")
    for was, now in (("100 ms", "60 ms"), ("600 ms", "10 ms"), ("0.2 ms", "1 ms")):
        plan = plan.replace(f'"{was}"', f'"{now}"')
    bench = bench_text(resources, names)
    bench = re.sub(r"(?m)^speed = .*$", f'resource = "{resources["clock"]}"', bench)
    paths = folder / "plan.toml", folder / "bench.toml"
    for path, text in zip(paths, (plan, bench), strict=True):
        path.write_text(text, encoding="utf-8")
    return paths


def long_run(
    folder: Path, pins: int, repeats: int, every: int, made: Callable[[LongRun], None] = lambda seen: None
) -> LongRun:
    """Carry it out and look at run, guard and simulated bench each `every` finished trials.

    `made` is told once every trial is made, before they are sealed and analysed.
    """
    board = folder / "board.toml"
    board.write_text(
        board_text({name: TRUTH["odd" if number % 2 else "even"] for number, name in enumerate(names_of(pins))}),
        encoding="utf-8",
    )
    seen = LongRun(planned=pins * len(LISTED) * repeats)
    with simulated_bench(board, stepped=True) as resources:
        served = max(children(os.getpid()))
        plan, bench = files_of(folder, resources, pins, repeats)
        words = ["run", str(plan), "--bench", str(bench), "--runs", str(folder / "runs"), "--plain", "--no-pdf"]
        with subprocess.Popen(
            [sys.executable, "-m", "harness.cli", *words],
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        ) as run:
            _watch(run, served, seen, every, made)
            seen.status = run.wait()
        seen.closed = closings(resources)
    for record in (folder / "runs").glob("*/run.json"):
        seen.folder = record.parent
        _count(seen)
    return seen


def closings(resources: dict[str, str]) -> dict[str, int]:
    """Contact -> how often it has closed, as the simulated bench itself tells; those that never did are left out."""
    host, port = resources["hand"].rsplit(":", 1)
    with socket.create_connection((host, int(port)), timeout=30.0) as hand, hand.makefile("rw") as file:
        file.write("LOOK\n")
        file.flush()
        return {name: count for name, count in json.loads(file.readline())["closings"].items() if count}


def _watch(run: subprocess.Popen[str], served: int, seen: LongRun, every: int, made: Callable[[LongRun], None]) -> None:
    started = time.monotonic()
    assert run.stdout is not None
    for line in run.stdout:
        number = re.match(r"(\d+)/\d+  ", line)
        if number is None:
            seen.said = line.strip() if line.startswith(("ended early", "stuckpin:")) else seen.said
        elif int(number[1]) % every == 0 and int(number[1]) < seen.planned:
            guard = max(children(run.pid), default=0)
            for name, pid in {"run": run.pid, "guard": guard, "simulated bench": served}.items():
                now = look(pid, int(number[1]))
                if now is not None:
                    seen.looks.setdefault(name, []).append(now)
            seen.trials_s = time.monotonic() - started
        elif int(number[1]) == seen.planned:
            made(seen)
    seen.whole_s = time.monotonic() - started


def _count(seen: LongRun) -> None:
    """How the trials came out, and how many of them say other than the truth."""
    assert seen.folder is not None
    folder = RunFolder.open(seen.folder)
    seen.counted = {each.contact: each.closings for each in folder.record.contacts if each.closings}
    sticks = set(names_of(1000)[1::2])
    for trial, observation in folder.observations():
        seen.outcomes[observation.outcome] += 1
        if observation.outcome == "measured":
            stuck = float(observation.trace.voltage_v[-1]) > 0.5
            seen.wrong += stuck != (trial.pin in sticks and trial.resistor == "none")
