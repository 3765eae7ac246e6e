"""Every way of dying in every state, as real processes against the simulated bench; the last line is the verdict.

    python -m tests.ways_of_dying [--jobs 2] [--state pressed] [--way SIGKILL] [--clients many]

Exit status 1 where the bench was not safe within two seconds, did not stay so, or a run did not end.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from queue import Queue

from tests.ways_of_dying.deaths import SAFE_WITHIN_S, Death, died, planned
from tests.ways_of_dying.scene import bench
from tests.ways_of_dying.states import State
from tests.ways_of_dying.ways import Way

CLIENTS = ("many", "one, others wait", "one, others are refused")


def main(arguments: Sequence[str] | None = None) -> int:
    """Let runs die, print the table, and say whether all was well."""
    parser = argparse.ArgumentParser(prog="python -m tests.ways_of_dying", description="Every way of dying.")
    parser.add_argument("--jobs", type=int, default=2, help="benches at a time")
    parser.add_argument("--state", default="", help="only states whose name holds this")
    parser.add_argument("--way", default="", help="only ways whose name holds this")
    parser.add_argument("--clients", choices=CLIENTS, default=CLIENTS[0], help="connections that an instrument takes")
    asked = parser.parse_args(arguments)
    chosen = [pair for pair in planned() if asked.state in pair[0].name and asked.way in pair[1].name]
    say(f"{len(chosen)} deaths; instruments take: {asked.clients}")
    deaths = all_died(chosen, asked.jobs, asked.clients)
    short = [death for death in deaths if too_short(death)]
    timed = [death.safe_s for death in deaths if death.safe_s is not None]
    longest = f"; safe after {max(timed):.2f} s at most" if timed else ""
    say(f"{len(deaths) - len(short)} of {len(deaths)} safe within {SAFE_WITHIN_S:g} s{longest}")
    say("all safe" if deaths and not short else "FELL SHORT")
    return 1 if short or not deaths else 0


def all_died(pairs: Sequence[tuple[State, Way]], jobs: int, clients: str) -> list[Death]:
    """Let all die, so many at a time, each job on a bench of its own; a line of the table as each is over."""
    numbers = itertools.count()
    waiting: Queue[tuple[State, Way]] = Queue()
    for pair in pairs:
        waiting.put(pair)

    def job(folder: Path) -> list[Death]:
        found = []
        with bench(folder / "bench", clients) as resources:
            while not waiting.empty():
                state, way = waiting.get()
                found.append(died(folder / f"{next(numbers)}", resources, state, way))
                say(row(found[-1]))
        return found

    with tempfile.TemporaryDirectory() as scratch, ThreadPoolExecutor(jobs) as pool:
        folders = [Path(scratch) / f"job{number}" for number in range(jobs)]
        return [death for found in pool.map(job, folders) for death in found]


def too_short(death: Death) -> bool:
    """Not safe, or too late."""
    return death.fell_short or death.safe_s is None or death.safe_s > SAFE_WITHIN_S


def row(death: Death) -> str:
    """A line of the table."""
    after = "never" if death.safe_s is None else f"{death.safe_s:.2f} s"
    wrong = "; ".join([*([f"left: {', '.join(death.left)}"] if death.left else []), *filter(None, [death.failed])])
    ended = "after the guard ended it" if death.way.hangs else ""
    return f"{death.state.name:<26} {death.way.name:<36} {after:>8}  {wrong or ended}".rstrip()


def say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
