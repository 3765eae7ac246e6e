"""The leak alone is the difference of two sweeps, whatever the pull-down; without both it is not determined."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from procedures.forced_sweep import forced_sweep
from results.analysis.analysis import analyse
from results.analysis.findings import PinFinding
from results.record.observation import Observation
from results.record.trial import Condition, Trial
from tests.procedures.curve_bench import (
    RULES,
    SWEEP,
    CurveBench,
    Errors,
    Law,
    memoryless,
    mid_level,
    mos,
    record,
    settings,
)

PULL_DOWN = mos(12e-6, 1.6)
ERRORS = Errors(gain_v=-1e-4, offset_v=0.5e-3, gain_a=5e-4, offset_a=-20e-9, noise_v=10e-6, noise_a=2e-9)
OFF = replace(SWEEP, sequence=2, condition=Condition("buffer off", 3.3))


def leak(v: float) -> float:
    return mid_level(lambda volts: 0.0)(v)


def sweep_of(trial: Trial, law: Law) -> tuple[Trial, Observation]:
    return trial, forced_sweep(CurveBench(memoryless(law), ERRORS).as_bench(), trial, settings())


def pins(
    *made: tuple[Trial, Observation], setups: tuple[str, str] | None = ("reset default", "buffer off")
) -> list[PinFinding]:
    known = replace(record(replace(RULES, leak_setups=setups)), planned=(SWEEP, OFF))
    return list(analyse(known, made).pins)


ON_MADE = sweep_of(SWEEP, lambda v: leak(v) - PULL_DOWN(v))
OFF_MADE = sweep_of(OFF, lambda v: -PULL_DOWN(v))


def test_the_largest_leak_of_a_pin_with_a_pull_down_that_is_no_resistor() -> None:
    on, off = pins(ON_MADE, OFF_MADE)
    assert on.sweep is not None
    assert off.sweep is not None
    assert off.sweep.leak is None
    found = on.sweep.leak
    assert found is not None
    true_a = leak(found.at_v)
    assert true_a > 0.99 * max(leak(v) for v in np.linspace(0.0, 3.3, 1000))
    assert abs(found.largest.value - true_a) < 2.0 * found.largest.u
    # 0.05 % of 119 µA, rectangular; the offsets of 20 nA and 0.5 mV are the same in both sweeps.
    assert found.largest.u == pytest.approx(5e-4 * true_a / np.sqrt(3.0), rel=0.2)


def test_without_the_other_sweep_or_the_plans_word_for_it_nothing_is_determined() -> None:
    not_made = pins(ON_MADE)
    assert not_made[0].sweep is not None
    assert not_made[0].sweep.leak is None
    not_named = pins(ON_MADE, OFF_MADE, setups=None)
    assert not_named[0].sweep is not None
    assert not_named[0].sweep.leak is None
