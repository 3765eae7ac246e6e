"""A sweep reads as its instruction, keeps what it saw, and calls nothing a point that is none."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from drivers.errors import WiringError
from procedures.errors import NotReachedError, ProcedureError
from procedures.forced_sweep import AGREEING, PASSES, forced_sweep
from tests.procedures.curve_bench import RULES, SWEEP, CurveBench, Errors, linear, memoryless, mid_level, settings

LATCHES = memoryless(mid_level(linear(60e3)))


def test_the_steps_of_the_instruction_in_their_order() -> None:
    bench = CurveBench(LATCHES)
    observation = forced_sweep(bench.as_bench(), SWEEP, settings())
    assert bench.done == [
        "select D1",
        "fit none",
        "label D1 reset default sweep #1",
        "discharge",
        "reset",
        "setup D1 reset default",
        "press D1 by source",
        "let go",
    ]
    assert (observation.outcome, observation.contact) == ("measured", "board reading")
    assert (observation.rail_v, observation.press_v, observation.press_ohm) == (3.3, 3.3, 100.0)


def test_no_level_is_above_the_rail_or_below_0_v() -> None:
    bench = CurveBench(LATCHES, rail_v=3.25)
    forced_sweep(bench.as_bench(), SWEEP, settings())
    assert max(bench.levels) == 3.25
    assert min(bench.levels) == 0.0


def test_each_pass_goes_down_and_then_up() -> None:
    observation = forced_sweep(CurveBench(LATCHES).as_bench(), SWEEP, settings())
    for number in range(1, PASSES + 1):
        for branch in ("down", "up"):
            levels = [s.level_v for s in observation.steps if s.sweep_pass == number and s.branch == branch]
            assert len(levels) > 5
            sign = -1 if branch == "down" else 1
            # The one step back is the correction that brings the pin to V_IL exactly: millivolts.
            assert all(sign * (b - a) > -0.01 for a, b in pairwise(levels))


def test_the_pin_itself_is_brought_to_v_il_on_both_branches() -> None:
    """100 Ω of the source and 470 Ω on the board drop 7 mV and 33 mV of what is forced."""
    bench = CurveBench(LATCHES, board_series_ohm=470.0)
    observation = forced_sweep(bench.as_bench(), SWEEP, settings(board_series_ohm=470.0))
    trace = observation.trace
    assert trace.current_a is not None
    for branch in ("down", "up"):
        last = [s.first + s.count - 1 for s in observation.steps if s.branch == branch]
        net_a = trace.voltage_v[last] * 1e-7 - trace.current_a[last]
        assert np.abs(trace.voltage_v[last] + 470.0 * net_a - 0.8).min() < 0.2e-3


def test_every_reading_is_kept_and_each_step_says_which_are_its_own() -> None:
    observation = forced_sweep(CurveBench(LATCHES, Errors(noise_a=1e-9)).as_bench(), SWEEP, settings())
    trace, steps = observation.trace, observation.steps
    assert trace.current_a is not None
    assert trace.time_s.size == trace.voltage_v.size == trace.current_a.size
    assert steps[-1].first + steps[-1].count == len(trace)
    assert all(b.first == a.first + a.count for a, b in pairwise(steps))
    assert all(s.agreeing == AGREEING <= s.count for s in steps)
    assert np.all(np.diff(trace.time_s) > 0.0)


def test_the_board_is_read_at_each_step() -> None:
    observation = forced_sweep(CurveBench(LATCHES, threshold_v=1.4).as_bench(), SWEEP, settings())
    for branch in ("down", "up"):
        steps = [s for s in observation.steps if s.sweep_pass == 1 and s.branch == branch]
        assert {s.reads for s in steps if s.level_v > 1.45} == {"high"}
        assert {s.reads for s in steps if s.level_v < 1.39} == {"low"}


def test_a_node_that_never_comes_to_rest_is_given_up_after_the_longest_wait() -> None:
    bench = CurveBench(LATCHES, drift_v=1e-4)
    rules = replace(RULES, steps=10, refine=4, longest_s=0.5)
    observation = forced_sweep(bench.as_bench(), SWEEP, settings(rules))
    assert {s.agreeing for s in observation.steps} == {0}
    # 21 ms a reading: 0.5 s hold 24 of them.
    assert {s.count for s in observation.steps} <= {24, 25}


def test_noise_alone_does_not_keep_a_step_from_settling() -> None:
    bench = CurveBench(LATCHES, Errors(noise_v=200e-6, noise_a=100e-9))
    observation = forced_sweep(bench.as_bench(), SWEEP, settings())
    assert all(s.agreeing for s in observation.steps)


def test_a_step_at_the_current_limit_is_marked() -> None:
    bench = CurveBench(LATCHES, limit_a=80e-6)
    observation = forced_sweep(bench.as_bench(), SWEEP, settings())
    limited = [s for s in observation.steps if s.in_compliance]
    assert limited
    assert all(s.level_v < 2.0 for s in limited)
    assert not any(s.in_compliance for s in observation.steps if s.level_v > 2.0)


@pytest.mark.parametrize(
    ("law", "threshold_v", "contact"),
    [(lambda v, falling: 0.0, 9.0, "disproven"), (LATCHES, 9.0, "press current")],
)
def test_contact_is_proven_by_what_only_the_unit_can_do(law: object, threshold_v: float, contact: str) -> None:
    bench = CurveBench(law, threshold_v=threshold_v)  # type: ignore[arg-type]
    observation = forced_sweep(bench.as_bench(), SWEEP, settings())
    assert observation.contact == contact
    assert observation.outcome == ("no contact" if contact == "disproven" else "measured")


def test_a_leak_that_cancels_the_pull_down_at_the_rail_is_no_open_needle() -> None:
    """56 µA and 59 kΩ: nothing flows at 3.3 V, and 42 µA at V_IL."""
    bench = CurveBench(lambda v, falling: 56e-6 * float(np.tanh(v / 0.05)) - v / 59e3, threshold_v=9.0)
    assert forced_sweep(bench.as_bench(), SWEEP, settings()).contact == "press current"


def test_a_pin_shorted_to_ground_is_let_go_with_an_error() -> None:
    bench = CurveBench(lambda v, falling: -v / 10.0, limit_a=1e-3)
    with pytest.raises(NotReachedError, match=r"pressed to 3\.300 V, the node came to"):
        forced_sweep(bench.as_bench(), SWEEP, settings())
    assert bench.done[-1] == "let go"


def test_without_a_plan_or_a_source_nothing_is_touched() -> None:
    bench = CurveBench(LATCHES)
    with pytest.raises(ProcedureError, match=r"D1 reset default sweep #1: the plan has no \[sweep\]"):
        forced_sweep(bench.as_bench(), SWEEP, replace(settings(), sweep=None))
    bench.source = None  # type: ignore[assignment]
    with pytest.raises(WiringError, match="this bench has no source to force a voltage with"):
        forced_sweep(bench.as_bench(), SWEEP, settings())
    assert bench.done == []
