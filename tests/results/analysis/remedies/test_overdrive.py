"""What a source must sink to unlatch a pin: the maximum of the curve on the way down, bracketed by resistors."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from procedures.forced_sweep import forced_sweep
from procedures.unlatch import unlatch
from results.analysis.analysis import analyse
from results.analysis.findings import RunFinding
from results.analysis.found.latch import OverdriveFinding
from results.analysis.remedies.latch_text import overdrive_text
from results.record.observation import Observation
from results.record.trial import NO_RESISTOR, Condition, Trial
from tests.procedures.curve_bench import (
    SWEEP,
    CurveBench,
    Errors,
    Law,
    linear,
    memoryless,
    mid_level,
    mos,
    plain,
    record,
    settings,
)
from tests.procedures.latch_bench import LATCHES, LatchBench

UNLATCH = Trial(2, "unlatch", "D1", NO_RESISTOR, Condition("reset default", 3.3), 1, kind="unlatch")


def run(law: Law | None, *unlatched: Law, series_ohm: float = 0.0, input_ohm: float | None = 10e6) -> RunFinding:
    """A sweep of the first curve (None: no sweep), then one unlatch step on each of the others."""
    made: list[tuple[Trial, Observation]] = []
    if law is not None:
        bench = CurveBench(memoryless(law), Errors(noise_v=5e-6, noise_a=1e-9), board_series_ohm=series_ohm)
        made.append((SWEEP, forced_sweep(bench.as_bench(), SWEEP, settings(board_series_ohm=series_ohm))))
    for number, other in enumerate(unlatched, 2):
        trial = replace(UNLATCH, sequence=number, repeat=number - 1)
        made.append((trial, unlatch(LatchBench(law=other).as_bench(), trial, settings())))
    known = record(board_series_ohm=series_ohm, input_ohm=input_ohm)
    return analyse(replace(known, planned=tuple(trial for trial, _ in made)), made)


def overdrive(law: Law | None, *unlatched: Law, **changes: float) -> OverdriveFinding:
    found = run(law, *unlatched, **changes).pins[0].overdrive
    assert found is not None
    return found


def true_most(law: Law, latched_v: float) -> float:
    """By brute force on the made curve itself."""
    return max(law(float(v)) for v in np.linspace(0.8, latched_v, 200_001))


@pytest.mark.parametrize(
    "law",
    [
        LATCHES,
        mid_level(mos(30e-6, 1.2)),
        mid_level(linear(60e3), plateau_a=300e-6, up_v=1.2),
        plain(34.5e-6, linear(60e3)),
    ],
)
def test_the_sweep_tells_the_largest_current_on_the_way_down(law: Law) -> None:
    grid = np.linspace(0.8, 3.3, 100_001)
    latched_v = float(grid[np.flatnonzero([law(float(v)) > 0.0 for v in grid])[-1]])
    found = overdrive(law)
    assert found.swept is not None
    assert found.swept_half_width_a is not None
    truth_a = true_most(law, latched_v)
    assert abs(found.swept.value - truth_a) <= found.swept_half_width_a
    assert found.swept_half_width_a < 0.03 * truth_a
    assert (found.state, found.agreement) == ("latches", "not compared")


def test_of_a_plain_leak_it_lies_at_v_il() -> None:
    """34.5 µA less 0.8 V over 60 kΩ: 21.17 µA."""
    found = overdrive(plain(34.5e-6, linear(60e3)))
    assert found.swept is not None
    assert found.swept.value == pytest.approx(34.5e-6 - 0.8 / 60e3, abs=30e-9)
    assert found.swept_at_v == pytest.approx(0.8, abs=1e-3)


def test_resistors_bracket_it_from_both_sides() -> None:
    """ngspice: 1.0155 V on 10 kΩ and 10 MΩ, 101.65 µA; it fell from 1.8232 V on 22 kΩ through 10 kΩ."""
    found = overdrive(None, LATCHES)
    assert (found.state, found.presses, found.latched) == ("latches", 1, 1)
    assert found.at_least is not None
    assert found.at_most is not None
    assert found.at_least.value == pytest.approx(1.0155 * (1e-4 + 1e-7), rel=2e-4)
    assert found.at_most.value == pytest.approx(1.8232 * (1e-4 + 1e-7), rel=2e-4)
    assert (found.held_by, found.cleared_by) == ("10 kΩ", "8.2 kΩ")
    # 1 % of tolerance, rectangular.
    assert found.at_least.u / found.at_least.value == pytest.approx(0.01 / 3**0.5, rel=0.02)


def test_a_hump_between_two_rest_points_lies_within_the_bracket() -> None:
    """V/R of the last two resistors alone, 1.016 V on 8.2 kΩ or 124 µA, would be exceeded by a pin that drives 150 µA
    at 1.6 V: it falls through the 10 kΩ there all the same."""

    def law(v: float) -> float:
        return LATCHES(v) + 55e-6 * float(np.exp(-(((v - 1.6) / 0.1) ** 2)))

    found = overdrive(None, law)
    assert found.at_least is not None
    assert found.at_most is not None
    truth_a = true_most(law, 2.0)
    assert truth_a > 1.0155 / 8.2e3
    assert found.at_least.value <= truth_a <= found.at_most.value


def test_sweep_and_resistors_are_compared_with_numbers() -> None:
    found = overdrive(LATCHES, LATCHES)
    assert found.agreement == "agrees"
    assert found.agreement_text.startswith("agreement: sweep 101.")
    assert ", resistors at least 100." in found.agreement_text
    assert found.agreement_text.endswith("µA")


def test_a_pin_that_has_grown_worse_since_its_sweep_disagrees() -> None:
    """Swept with a plateau of 120 µA, unlatched with one of 200 µA."""
    finding = run(LATCHES, mid_level(linear(60e3), plateau_a=200e-6))
    found = finding.pins[0].overdrive
    assert found is not None
    assert found.agreement == "disagrees"
    assert found.agreement_text.startswith("disagreement: sweep 101.")
    assert "but resistors at least " in found.agreement_text
    assert "overdrive: sweep and presses disagree on D1" in finding.notes


def test_of_several_steps_the_worst_counts() -> None:
    found = overdrive(None, LATCHES, lambda v: -v / 60e3, mid_level(linear(60e3), plateau_a=130e-6))
    assert (found.state, found.presses, found.latched) == ("latches sometimes", 3, 2)
    assert found.at_least is not None
    assert found.at_least.value > 1.05 * 101.65e-6
    assert overdrive_text(found).startswith("latched in 2 of 3, overdrive current at least 1")


def test_a_sound_pin_does_not_latch_by_either() -> None:
    sound = linear(-60e3)
    found = overdrive(sound, sound)
    assert (found.state, found.swept, found.at_least) == ("does not latch", None, None)
    assert found.agreement_text == "agreement: by both the pin does not latch"
    assert overdrive_text(found) == "does not latch"


def test_a_pin_that_no_resistor_clears_has_no_upper_limit() -> None:
    found = overdrive(None, mid_level(linear(60e3), plateau_a=900e-6))
    assert found.at_least is not None
    assert found.at_most is None
    assert found.note == "unlatch: not taken below V_IL by 4.7 kΩ: no upper limit"


def test_an_unknown_load_leaves_the_upper_limit_open() -> None:
    found = run(None, LATCHES, input_ohm=None).pins[0].overdrive
    assert found is not None
    assert found.at_most is None
    assert found.note == "unlatch: the meter's input resistance is not stated: no upper limit"


def test_a_series_resistance_on_the_board_changes_the_voltage_and_not_the_current() -> None:
    found = overdrive(LATCHES, series_ohm=470.0)
    assert found.swept is not None
    assert found.swept.value == pytest.approx(true_most(LATCHES, 2.0), rel=0.01)


def test_a_step_that_was_not_made_or_had_no_contact_says_nothing() -> None:
    planned = replace(record(), planned=(UNLATCH,))
    found = analyse(planned, []).pins[0].overdrive
    assert found is not None
    assert (found.state, found.note) == ("not determined", "unlatch: no evidence")
    open_needle = replace(unlatch(LatchBench().as_bench(), UNLATCH, settings()), outcome="no contact")
    other = analyse(planned, [(UNLATCH, open_needle)]).pins[0].overdrive
    assert other is not None
    assert other.state == "not determined"
