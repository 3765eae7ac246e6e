"""Long dwells of pull-up inputs on the simulated bench: minutes after a press to ground."""

from __future__ import annotations

import math

import pytest

import tests.harness.whole_bench as whole_bench
from harness.summary import summary_lines
from results.analysis.findings import RunFinding
from results.report.dwell_section import dwell_section
from tests.harness.mirrored_bench import SOUND_UP, mirrored_bench, mirrored_board, mirrored_plan
from tests.harness.whole_bench import found, run_plan, simulated

SPEED = 30.0
TAU_S = 5.0
RAIL_V = 3.305
DRIFT = f"leak_drift = {{ factor = %s, time_constant_s = {TAU_S}, above_v = 2.5 }}"
MADE = f"{SOUND_UP}\nnode_capacitance_f = 1e-9\n{DRIFT}\n"
LEAK = 'leak = { kind = "plain", current_a = %s }'
PINS = {
    "D1": MADE % 0.4 + LEAK % 16e-6,
    "D2": MADE % 1.6 + LEAK % 10e-6,
    "D3": f"{SOUND_UP}\n{LEAK % 20e-6}",
}
"""The pins of test_dwell_run.py in the mirror: D1 and D2 drift while they are more than 2.5 V below the rail, pressed;
D3 stays low after every press."""

NAMES = tuple(PINS)


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> RunFinding:
    tmp_path = tmp_path_factory.mktemp("dwelt_low")
    rate = 'stuck_rate_below = "60 %"'
    plan = mirrored_plan(NAMES, trials=rate).replace("600 ms", "2 s").replace("0.2 ms", "1 ms")
    plan = plan.replace(
        "[trials]", '[dwell]\npins = ["D1", "D2"]\nhold = "15 s"\nlog = "30 s"\ninterval = "50 ms"\n[trials]'
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(whole_bench, "SPEED", SPEED)
        board = mirrored_board(PINS).replace("speed = 10.0", f"speed = {SPEED}")
        with simulated(tmp_path, board, stepped=True) as resources:
            bench = mirrored_bench(resources, NAMES, speed=SPEED)
            bench = bench.replace("[clock]", '[limits]\npress_time = "20 s"\n[clock]')
            return found(run_plan(tmp_path, plan, bench))


def test_minutes_after_a_press_to_ground_tell_what_short_presses_do_not(run: RunFinding) -> None:
    climbs, falls = (pin.dwell for pin in run.pins[:2])
    assert climbs is not None
    assert falls is not None
    assert (climbs.early_word, climbs.late_word) == ("released", "stuck between")
    assert (falls.early_word, falls.late_word) == ("stuck between", "released")
    assert run.notes[-1] == "on a long dwell the verdict changes on D1, D2"


def test_it_crosses_v_ih_when_the_drift_of_the_made_leak_says(run: RunFinding) -> None:
    """By the node equation in real volts: (V_rail − V)/R = I · (1 + (f − 1) s) + V/10 MΩ, as far as V_IH, 2.5 V."""
    held = 1.0 - math.exp(-16.0 / TAU_S)
    for pin, ampere, factor in zip(run.pins[:2], (16e-6, 10e-6), (0.4, 1.6), strict=True):
        dwell = pin.dwell
        assert dwell is not None
        assert dwell.late is not None
        assert dwell.turned_after_s is not None
        leak_a = (RAIL_V - 2.5) / 60e3 - 2.5 / 10e6
        left = (leak_a / ampere - 1.0) / (factor - 1.0)
        assert dwell.turned_after_s == pytest.approx(TAU_S * math.log(held / left), abs=0.5)
        rest_v = (RAIL_V / 60e3 - ampere) / (1.0 / 60e3 + 1.0 / 10e6)
        assert dwell.late.value == pytest.approx(rest_v, abs=0.01 * (RAIL_V - rest_v))
        assert dwell.leak_drift is not None
        assert dwell.leak_drift.value > 0.0 if pin.pin == "D1" else dwell.leak_drift.value < 0.0


def test_summary_and_report_speak_of_the_real_node(run: RunFinding) -> None:
    [said] = [line for line in summary_lines(run) if line.startswith("  D1 on a long dwell: held 15 s: ")]
    assert "drifts down by" in said
    assert "across V_IH after" in said
    whole = dwell_section(run)[0]
    assert "drifts down by" in str(whole.tables[0].rows[0][-1])


def test_the_stuck_rate_is_that_of_pins_that_stay_low(run: RunFinding) -> None:
    """0 of 4 presses exclude rates above 1 − 0.05^(1/4) = 52.7 %: the fewest that show less than 60 % (3: 63.2 %)."""
    assert [(pin.trials, pin.stuck_trials) for pin in run.pins[1:]] == [(4, 0), (4, 4)]
    rates = [pin.stuck_rate for pin in run.pins[1:]]
    assert [rate.shown for rate in rates if rate is not None] == [True, False]
    assert rates[0] is not None
    assert rates[0].upper95 == pytest.approx(1.0 - 0.05**0.25, rel=1e-9)
