"""Is a row of looks flat? Growth and slowing from the looks alone, so that a made row shows that the rule can fail."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.soak.look import Look

WARM = 0.1
"""The share of a run in which caches fill and libraries are loaded: growth is looked for after it."""

MOST_BYTES = 200.0
"""Of growth a trial. One small object that is kept for each trial is more; 50,000 trials come to 10 MB."""

LEAST_S = 1e-4
"""CPU seconds a trial that count as none: the system counts in ticks of 10 ms, and a guard has nothing to do."""

MOST_SLOWER = 1.15
"""The CPU time of a late trial over that of an early one."""


@dataclass(frozen=True)
class Flatness:
    """What the looks at one process show: bytes of growth a trial, the most open files and threads early and late, CPU
    seconds of an early and of a late trial."""

    bytes_a_trial: float
    files: tuple[int, int]
    threads: tuple[int, int]
    pace_s: tuple[float, float]

    @property
    def slower(self) -> float:
        """The CPU time of late trials over that of early ones."""
        early_s, late_s = self.pace_s
        return (LEAST_S + late_s) / (LEAST_S + early_s)

    @property
    def short(self) -> list[str]:
        """In what it falls short; empty where it is flat."""
        found = []
        if not self.bytes_a_trial <= MOST_BYTES:
            found.append(f"memory grows by {self.bytes_a_trial:.0f} bytes a trial")
        found += [
            f"open {what} grow from {early} to {late}"
            for what, (early, late) in (("files", self.files), ("threads", self.threads))
            if late > early
        ]
        if not self.slower <= MOST_SLOWER:
            found.append(f"late trials take {self.slower:.2f} times the CPU time of early ones")
        return found


def flatness(looks: Sequence[Look]) -> Flatness:
    """Of the looks after the warm part of a run, in order. Raises ValueError where there are fewer than ten of them."""
    last = looks[-1].trials if looks else 0
    warm = [each for each in looks if each.trials >= WARM * last]
    if len(warm) < 10:
        raise ValueError(f"{len(warm)} looks: too few to tell")
    trials = np.array([each.trials for each in warm], dtype=float)
    memory = 1024.0 * np.array([each.memory_kib for each in warm], dtype=float)
    third = len(warm) // 3
    early, late = warm[:third], warm[-third:]
    return Flatness(
        float(np.polyfit(trials, memory, 1)[0]),
        (max(each.files for each in early), max(each.files for each in late)),
        (max(each.threads for each in early), max(each.threads for each in late)),
        (_pace_s(early), _pace_s(late)),
    )


def _pace_s(looks: Sequence[Look]) -> float:
    """CPU seconds a trial."""
    return (looks[-1].cpu_s - looks[0].cpu_s) / (looks[-1].trials - looks[0].trials)
