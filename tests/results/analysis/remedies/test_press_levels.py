"""The lowest press level that latches is an interval, and the sweep's unstable rest point is held against it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from procedures.forced_sweep import forced_sweep
from procedures.press_level import press_level
from results.analysis.analysis import analyse
from results.analysis.findings import RunFinding
from results.analysis.found.latch import PressLevelFinding
from results.analysis.remedies.latch_text import press_level_text
from results.record.observation import Observation
from results.record.run_record import Levels, PressLevelRules
from results.record.trial import NO_RESISTOR, Condition, Trial
from tests.procedures.curve_bench import SWEEP, CurveBench, Errors, Law, linear, memoryless, plain, record, settings
from tests.procedures.latch_bench import LATCHES, LatchBench, latches_low

LEVEL = Trial(2, "press_level", "D1", NO_RESISTOR, Condition("reset default", 3.3), 1, kind="press level")
RULES = PressLevelRules(resolution_v=0.01, repeats=2)
SOUND = linear(-60e3)


def run(law: Law, swept: Law | None = None, latches: Callable[[float], bool] | None = None) -> RunFinding:
    made: list[tuple[Trial, Observation]] = []
    if swept is not None:
        bench = CurveBench(memoryless(swept), Errors(noise_v=5e-6, noise_a=1e-9))
        made.append((SWEEP, forced_sweep(bench.as_bench(), SWEEP, settings())))
    pressed = LatchBench(law=law, latches=latches).as_bench()
    made.append((LEVEL, press_level(pressed, LEVEL, settings(press_level=RULES))))
    return analyse(replace(record(), planned=tuple(trial for trial, _ in made), press_level=RULES), made)


def level(law: Law, swept: Law | None = None, latches: Callable[[float], bool] | None = None) -> PressLevelFinding:
    found = run(law, swept, latches).pins[0].press_level
    assert found is not None
    return found


def unstable_v(law: Law, load_s: float = 1e-7) -> float:
    """Where the made curve crosses its load line upwards, by halving."""
    low_v, high_v = 0.3, 1.0
    for _ in range(60):
        middle_v = 0.5 * (low_v + high_v)
        low_v, high_v = (middle_v, high_v) if law(middle_v) < middle_v * load_s else (low_v, middle_v)
    return low_v


def test_the_interval_holds_the_unstable_rest_point() -> None:
    found = level(LATCHES)
    assert found.state == "latches"
    assert found.never is not None
    assert found.always is not None
    assert found.never.value < unstable_v(LATCHES) < found.always.value
    assert found.always.value - found.never.value <= 0.01
    assert press_level_text(found) == "latches between 605.6 mV and 611.8 mV"


def test_the_sweep_sees_the_same_point() -> None:
    found = level(LATCHES, LATCHES)
    assert found.swept is not None
    assert abs(found.swept.value - unstable_v(LATCHES)) <= 2.0 * found.swept.u
    assert found.swept.u < 0.01
    assert found.agreement == "agrees"
    assert found.agreement_text.startswith("agreement: unstable rest point by the sweep 60")


def test_another_point_than_that_of_the_sweep_is_a_disagreement() -> None:
    """Noise pickup, or a leak that needs time: presses latch from 0.9 V on only."""
    finding = run(LATCHES, LATCHES, latches=lambda level_v: level_v > 0.9)
    found = finding.pins[0].press_level
    assert found is not None
    assert found.agreement == "disagrees"
    assert "but presses 90" in found.agreement_text
    assert "press level: sweep and presses disagree on D1" in finding.notes


def test_levels_that_latch_only_sometimes_widen_the_interval_and_are_said() -> None:
    turn = iter(range(10_000))
    found = level(LATCHES, latches=lambda v: v >= 1.5 or (v > 1.0 and next(turn) % 2 == 0))
    assert found.never is not None
    assert found.always is not None
    assert found.never.value == pytest.approx(1.0, abs=0.012)
    assert found.always.value == pytest.approx(1.5, abs=0.012)
    assert found.sometimes >= 2
    assert press_level_text(found).endswith(f", {found.sometimes} of the levels only sometimes")


def test_a_rail_that_latches_only_sometimes_has_no_upper_end() -> None:
    turn = iter(range(10_000))
    found = level(LATCHES, latches=lambda v: v > 1.0 and next(turn) % 2 == 0)
    assert (found.state, found.always) == ("latches sometimes", None)
    assert press_level_text(found).startswith("latches sometimes, never from 1.0")


def test_a_sound_pin_does_not_latch_by_either() -> None:
    found = level(SOUND, SOUND)
    assert (found.state, found.swept) == ("does not latch", None)
    assert found.agreement_text == "agreement: by both the pin does not latch"


def test_a_plain_leak_latches_from_0_v_on_and_has_no_unstable_rest_point() -> None:
    law = plain(34.5e-6, linear(60e3))
    found = level(law, law)
    assert found.state == "latches from every level"
    assert found.always is not None
    assert found.always.value == 0.0
    assert found.agreement == "agrees"
    assert press_level_text(found).startswith("latches from every level tried, 0 V the weakest")


def test_a_sweep_that_never_latches_disagrees_with_presses_that_do() -> None:
    found = level(LATCHES, SOUND)
    assert found.agreement_text == "disagreement: by the sweep the pin does not latch, by presses it latches"


def test_a_step_that_failed_or_was_not_made_says_so() -> None:
    planned = replace(record(), planned=(LEVEL,), press_level=RULES)
    found = analyse(planned, []).pins[0].press_level
    assert found is not None
    assert (found.state, found.note) == ("not determined", "press level: not made")
    made = press_level(LatchBench().as_bench(), LEVEL, settings(press_level=RULES))
    failed = replace(made, outcome="failed", probes=(), notes=("a short",))
    other = analyse(planned, [(LEVEL, failed)]).pins[0].press_level
    assert other is not None
    assert other.note == "press level: failed: a short"


def test_of_a_pull_up_input_sweep_and_presses_meet_beside_a_meter_to_ground() -> None:
    """A meter of 1 MΩ moves the unstable rest point by 24 mV: told in real volts by both.

    The truth by halving, from the node equation in real volts.
    """
    to_ground = {"press_to": "ground", "v_il": 1.3, "v_ih": 2.5}
    noise = Errors(noise_v=5e-6, noise_a=1e-9)
    swept = CurveBench(memoryless(latches_low), noise, load_s=1e-6, rests_v=3.3, threshold_v=1.9)
    pressed = LatchBench(law=latches_low, load_s=1e-6, threshold_v=1.9, to_ground=True)
    made = [
        (SWEEP, forced_sweep(swept.as_bench(), SWEEP, settings(**to_ground, meter_ohm=1e6))),
        (LEVEL, press_level(pressed.as_bench(), LEVEL, settings(**to_ground, press_level=RULES, meter_ohm=1e6))),
    ]
    known = replace(record(input_ohm=1e6), press_to="ground", levels=Levels(1.3, 2.5), press_level=RULES)
    [pin] = analyse(replace(known, planned=(SWEEP, LEVEL)), made).pins
    low_v, high_v = 2.4, 3.0
    for _ in range(60):
        middle_v = 0.5 * (low_v + high_v)
        low_v, high_v = (low_v, middle_v) if latches_low(middle_v) > middle_v * 1e-6 else (middle_v, high_v)
    found = pin.press_level
    assert found is not None
    assert found.never is not None
    assert found.always is not None
    assert found.always.value < low_v < found.never.value
    assert found.swept is not None
    assert abs(found.swept.value - low_v) <= 2.0 * found.swept.u
    assert found.swept.u < 0.01
    assert found.agreement == "agrees", found.agreement_text
