"""Solvers that use work arrays again compute the same as any, and a bench that solves for ever does not grow."""

from __future__ import annotations

import gc
import math
import tracemalloc
from collections.abc import Sequence

import numpy as np
from scipy.integrate import LSODA

from drivers.simulated.reused_lsoda import ReusedLsoda


def _steps(kind: type[LSODA], rate_per_s: float, count: int = 12) -> list[tuple[float, float]]:
    def slope(t: float, y: Sequence[float]) -> list[float]:
        return [rate_per_s * (math.tanh(3.0 - t) - float(y[0]) ** 3)]

    solver = kind(slope, 0.0, np.array([2.0]), 1e3, rtol=1e-7, atol=1e-8, first_step=1e-6)
    found = []
    for _ in range(count):
        solver.step()
        found.append((float(solver.t), float(solver.y[0])))
    return found


def test_a_solver_on_used_arrays_takes_the_same_steps_to_the_last_bit() -> None:
    for rate_per_s in (1.0, 1e4, 3e-2):
        _steps(ReusedLsoda, 77.0 * rate_per_s)  # leaves its arrays, full of its own
        assert _steps(ReusedLsoda, rate_per_s) == _steps(LSODA, rate_per_s)


def test_two_solvers_at_once_never_share_their_arrays() -> None:
    def decay(t: float, y: Sequence[float]) -> list[float]:
        return [-float(y[0])]

    first, second = (ReusedLsoda(decay, 0.0, np.array([start]), 5.0, rtol=1e-7, atol=1e-9) for start in (1.0, 2.0))
    while first.status == "running" or second.status == "running":
        for solver in (first, second):
            if solver.status == "running":
                solver.step()
    assert abs(float(second.y[0]) - 2.0 * math.exp(-5.0)) < 2e-6
    assert abs(float(first.y[0]) - math.exp(-5.0)) < 1e-6


def test_memory_stays_flat_over_solvers_without_end() -> None:
    """With arrays of their own 500 solvers keep some 300 kB for ever."""
    for _ in range(1000):  # as many arrays as solvers wait for the garbage collector
        _steps(ReusedLsoda, 1.0, 2)
    gc.collect()
    tracemalloc.start()
    for _ in range(500):
        _steps(ReusedLsoda, 1.0, 2)
    gc.collect()
    kept, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert kept < 30_000
