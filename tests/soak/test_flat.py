"""A row of looks is flat or it is not: memory, files, threads, pace."""

from __future__ import annotations

import os

import numpy as np
import pytest

from tests.soak.flat import flatness
from tests.soak.look import Look, look


def row(bytes_a_trial: float = 0.0, file_every: int = 0, slowing: float = 0.0) -> list[Look]:
    """200 looks at 50,000 trials of a process of 200 MiB that jitters by a MiB, and fills its caches at first."""
    noise = np.random.default_rng(7).normal(0.0, 512.0, 200)
    looks, cpu_s = [], 0.0
    for number in range(200):
        trials = 250 * (number + 1)
        cpu_s += 250 * 0.01 * (1.0 + slowing * number / 200)
        memory = 200 * 1024 - 20_000 * np.exp(-trials / 1000) + noise[number] + bytes_a_trial * trials / 1024
        files = 12 + (trials // file_every if file_every else 0)
        looks.append(Look(trials, int(memory), files, 3, cpu_s))
    return looks


def test_a_process_that_keeps_what_it_holds_is_flat() -> None:
    flat = flatness(row())
    assert flat.short == []
    assert abs(flat.bytes_a_trial) < 20.0
    assert flat.slower == pytest.approx(1.0, abs=1e-3)


def test_an_object_kept_for_each_trial_shows() -> None:
    assert flatness(row(bytes_a_trial=500.0)).bytes_a_trial == pytest.approx(500.0, abs=20.0)
    assert flatness(row(bytes_a_trial=500.0)).short[0].startswith("memory grows by ")


def test_a_file_left_open_now_and_then_shows() -> None:
    assert flatness(row(file_every=10_000)).short == ["open files grow from 13 to 17"]


def test_slowing_shows() -> None:
    assert flatness(row(slowing=0.5)).short == ["late trials take 1.27 times the CPU time of early ones"]


def test_too_few_looks_tell_nothing() -> None:
    with pytest.raises(ValueError, match="9 looks: too few to tell"):
        flatness(row()[:9])


@pytest.mark.skipif(not os.path.exists("/proc/self"), reason="no /proc here")  # noqa: PTH110
def test_a_process_is_seen_as_it_is() -> None:
    before = look(os.getpid(), 1)
    with open(__file__):  # noqa: PTH123
        during = look(os.getpid(), 2)
    assert before is not None
    assert during is not None
    assert during.files == before.files + 1
    assert during.cpu_s >= before.cpu_s
    assert look(2**22 + 1, 3) is None
