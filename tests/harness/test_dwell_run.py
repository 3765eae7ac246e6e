"""A plan with long dwells on the simulated bench: a pin that climbs to stuck, and one that falls."""

from __future__ import annotations

import math

import pytest

import tests.harness.whole_bench as whole_bench
from harness.events import Event
from harness.summary import status_of, summary_lines
from harness.terminal import PlainLines
from results.analysis.findings import PinFinding, RunFinding
from tests.harness.whole_bench import SOUND, bench_text, board_text, found, plan_text, run_plan, simulated

SPEED = 30.0
TAU_S = 5.0
MADE = f"{SOUND}\nnode_capacitance_f = 1e-9\nleak_drift = {{ factor = %s, time_constant_s = {TAU_S}, above_v = 2.5 }}\n"
LEAK = 'leak = { kind = "plain", current_a = %s }'
PINS = {"D1": MADE % 0.4 + LEAK % 16e-6, "D2": MADE % 1.6 + LEAK % 10e-6}
"""Both drift while they are above 2.5 V, pressed: the leak of D1 goes down to 6.4 µA, that of D2 up to 16 µA, and back
once they are let go."""

PLAN = plan_text(tuple(PINS)).replace("600 ms", "2 s").replace("0.2 ms", "1 ms")
PLAN = PLAN.replace("[trials]", '[dwell]\nhold = "15 s"\nlog = "30 s"\ninterval = "50 ms"\n[trials]')


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> tuple[RunFinding, list[Event]]:
    tmp_path = tmp_path_factory.mktemp("dwelt")
    events: list[Event] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(whole_bench, "SPEED", SPEED)
        board = board_text(PINS).replace("speed = 10.0", f"speed = {SPEED}")
        with simulated(tmp_path, board, stepped=True) as resources:
            bench = bench_text(resources, tuple(PINS), speed=SPEED)
            bench = bench.replace("[clock]", '[limits]\npress_time = "20 s"\n[clock]')
            return found(run_plan(tmp_path, PLAN, bench, events=events)), events


def pin_of(run: tuple[RunFinding, list[Event]], name: str) -> PinFinding:
    return {pin.pin: pin for pin in run[0].pins}[name]


def test_a_pin_that_short_presses_clear_or_condemn_is_told_apart_by_minutes(
    run: tuple[RunFinding, list[Event]],
) -> None:
    climbs, falls = pin_of(run, "D1").dwell, pin_of(run, "D2").dwell
    assert climbs is not None
    assert falls is not None
    assert (climbs.early_word, climbs.late_word) == ("released", "stuck between")
    assert (falls.early_word, falls.late_word) == ("stuck between", "released")
    assert run[0].notes[-1] == "on a long dwell the verdict changes on D1, D2"


def test_it_crosses_v_il_when_the_drift_of_the_made_leak_says(run: tuple[RunFinding, list[Event]]) -> None:
    """V = I · (1 + (f − 1) s)/G with s = s0 exp(−t/τ), s0 = 1 − exp(−16/5) of 15 s held and 1 s logged."""
    total_s = 1.0 / 60e3 + 1e-7 + 1e-10
    held = 1.0 - math.exp(-16.0 / TAU_S)
    for name, ampere, factor in (("D1", 16e-6, 0.4), ("D2", 10e-6, 1.6)):
        dwell = pin_of(run, name).dwell
        assert dwell is not None
        assert dwell.late is not None
        assert dwell.turned_after_s is not None
        at_v_il = (0.8 * total_s / ampere - 1.0) / (factor - 1.0)
        # A bench that waits a little longer before it lets go has drifted a little further.
        assert dwell.turned_after_s == pytest.approx(TAU_S * math.log(held / at_v_il), abs=0.5)
        assert dwell.late.value == pytest.approx(ampere / total_s, rel=0.01)


def test_the_run_says_so_and_is_no_all_clear(run: tuple[RunFinding, list[Event]]) -> None:
    lines: list[str] = []
    view = PlainLines(lines.append)
    for event in run[1]:
        view(event)
    [dwelt] = [line for line in lines if line.startswith("2/4  D1 reset default dwell #1")]
    assert "released early, stuck between late, across V_IL after" in dwelt
    assert status_of(run[0]) == 1
    assert [line for line in summary_lines(run[0]) if line.startswith("  D2 on a long dwell: held 15 s: ")]
