"""A swept run for the report's tests: a pin that latches, one with memory, one that needs nothing, one that failed."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from procedures.forced_sweep import forced_sweep
from results.analysis.analysis import analyse
from results.analysis.findings import RunFinding
from results.record.observation import Observation
from results.record.trace import Trace
from results.record.trial import Pin, Trial
from tests.procedures.curve_bench import SWEEP, CurveBench, Errors, linear, memoryless, mid_level, record, settings

LATCH = mid_level(linear(60e3))


def _swells(v: float, falling: bool) -> float:
    return LATCH(v) if falling else 1.2 * (LATCH(v) + v / 60e3) - v / 60e3


LAWS = {"D1": memoryless(LATCH), "D2": _swells, "D3": memoryless(lambda v: -v / 60e3)}


@cache
def swept_run() -> RunFinding:
    """Sweeps only, no trials: the report of the pins D1 to D4."""
    names = (*LAWS, "D4")
    trials = [
        Trial(i, SWEEP.procedure, name, "none", SWEEP.condition, 1, kind="sweep") for i, name in enumerate(names, 1)
    ]
    made: list[tuple[Trial, Observation]] = []
    for trial, law in zip(trials, LAWS.values(), strict=False):
        bench = CurveBench(law, Errors(noise_v=10e-6, noise_a=1e-9))
        made.append((trial, forced_sweep(bench.as_bench(), trial, settings())))
    failed = Observation(Trace(np.empty(0), np.empty(0)), outcome="failed", notes=("a short",))
    made.append((trials[3], failed))
    known = replace(record(), pins=tuple(Pin(name) for name in names), planned=tuple(trials))
    return analyse(known, made)
