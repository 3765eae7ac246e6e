"""One look at a process from outside, as Linux tells it in /proc."""

from __future__ import annotations

import os
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

PROC = Path("/proc")


@dataclass(frozen=True)
class Look:
    """A process after so many finished trials: kibibytes in memory, open files, threads, CPU seconds so far."""

    trials: int
    memory_kib: int
    files: int
    threads: int
    cpu_s: float


def look(pid: int, trials: int) -> Look | None:
    """What the process holds now; None where it has ended. Raises OSError on a system without /proc."""
    if not PROC.joinpath("self").exists():
        raise OSError("no /proc here: memory, files and threads of another process cannot be seen")
    home = PROC / str(pid)
    try:
        status = dict(
            line.split(":\t", 1) for line in home.joinpath("status").read_text().splitlines() if ":\t" in line
        )
        # Behind the name, which may hold blanks: fields 14 and 15 of proc(5), user and system time in clock ticks.
        fields = home.joinpath("stat").read_text().rpartition(")")[2].split()
        files = len(os.listdir(home / "fd"))  # noqa: PTH208 - iterdir() would hold the folder open meanwhile
        memory = int(status["VmRSS"].split()[0])
    except (FileNotFoundError, ProcessLookupError, KeyError):
        return None
    ticks = os.sysconf("SC_CLK_TCK")
    return Look(trials, memory, files, int(status["Threads"]), (int(fields[11]) + int(fields[12])) / ticks)


def children(pid: int) -> list[int]:
    """The processes that a process, any of its threads, has started and that still live."""
    found: list[int] = []
    for thread in PROC.joinpath(str(pid), "task").glob("*"):
        with suppress(OSError):
            found += [int(each) for each in thread.joinpath("children").read_text().split()]
    return found
