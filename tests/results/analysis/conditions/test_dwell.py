"""Minutes show what the ordinary log cannot: drift with its uncertainty, when the verdict changes, and what follows."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from results.analysis.analysis import analyse
from results.analysis.conditions.dwell import dwell_finding, with_dwells
from results.analysis.conditions.dwell_text import dwell_text
from results.analysis.findings import Advice, PinFinding, Value
from results.analysis.found.dwell_finding import DwellFinding
from results.record.observation import Observation
from results.record.run_record import DwellRules, Levels, RunRecord
from results.record.trace import FloatArray, Trace
from results.record.trial import NO_RESISTOR, Pin, Trial
from tests.results.analysis.made_pins import METER, SETUP, Bench, analysed, d1, d3, record_of

RULES = DwellRules(hold_s=120.0, log_s=300.0, interval_s=0.05, aperture_s=0.02, before_s=1.0, slack_s=15.0)
RECORD = replace(record_of(Bench()), dwell=RULES, meter=replace(METER, line_hz=50.0))
NOISE_V = 50e-6
HELD_V = 3.246
RELEASED_S = 1.013
SOUND = analysed(d3)

Law = Callable[[FloatArray], FloatArray]
"""Seconds after the release -> volts of the node."""


def dwelt(
    law: Law, seed: int = 1, resistor: str = NO_RESISTOR, rules: DwellRules = RULES, **seen: Any
) -> tuple[Trial, Observation]:
    """A dwell of D1 whose node goes by that law, read with white noise."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(rules.samples) * rules.interval_s
    after_s = time_s - RELEASED_S
    volts = np.where(after_s < 0.0, HELD_V, law(np.clip(after_s, 0.0, None)))
    trace = Trace(time_s, volts + rng.normal(0.0, NOISE_V, time_s.size))
    fields: dict[str, Any] = {
        "rail_v": 3.3,
        "before_v": 0.0,
        "hold_v": HELD_V,
        "released_after_s": RELEASED_S,
        "contact": "hold level",
        **seen,
    }
    return Trial(99, "long_dwell", "D1", resistor, SETUP, 1, kind="dwell"), Observation(trace=trace, **fields)


def found(law: Law, seed: int = 1, pin: PinFinding = SOUND, record: RunRecord = RECORD, **seen: Any) -> DwellFinding:
    return dwell_finding(record, pin, *dwelt(law, seed, **seen))


def climbs(after_s: FloatArray) -> FloatArray:
    """From 0.7 V towards 0.95 V with 60 s."""
    return 0.95 - 0.25 * np.exp(-after_s / 60.0)


def falls(after_s: FloatArray) -> FloatArray:
    return 0.6 + 0.4 * np.exp(-after_s / 40.0)


def test_a_pin_that_released_at_first_and_climbs_to_stuck() -> None:
    """0.8 V is crossed at 60 s · ln(0.25/0.15) = 30.65 s; the drift is that between the means of both windows."""
    dwell = found(climbs)
    assert (dwell.early_word, dwell.late_word, dwell.changes, dwell.sticks) == ("released", "stuck between", True, True)
    assert dwell.turned_after_s == pytest.approx(60.0 * math.log(0.25 / 0.15), abs=0.1)
    assert dwell.logged_s == pytest.approx(315.0, abs=1.2)
    early = climbs(np.linspace(0.55, 1.1, 100)).mean()
    late = climbs(np.linspace(0.9, 1.0, 100) * (dwell.logged_s or 0.0)).mean()
    assert dwell.drift is not None
    assert dwell.drift.value == pytest.approx(late - early, abs=2.0 * dwell.drift.u + 1e-5)
    assert dwell.goes_on
    assert dwell.contact_proven


def test_a_pin_that_stuck_at_first_and_falls_after_a_minute() -> None:
    dwell = found(falls)
    assert (dwell.early_word, dwell.late_word) == ("stuck between", "released")
    assert dwell.turned_after_s == pytest.approx(40.0 * math.log(2.0), abs=0.1)
    assert dwell.drift is not None
    assert dwell.drift.value < -0.38


def test_a_steady_node_shows_no_drift_and_a_steady_slope_its_rate() -> None:
    """6 mV a minute, 0.1 mV a second: to 1 % in the rate."""
    steady = found(lambda t: np.full_like(t, 0.3))
    assert (steady.moved, steady.goes_on, steady.changes, steady.turned_after_s) == (False, False, False, None)
    sloped = found(lambda t: 0.1 + 1e-4 * t)
    assert sloped.rate_v_per_min is not None
    assert sloped.rate_v_per_min.value == pytest.approx(6e-3, rel=0.01)
    assert (sloped.moved, sloped.goes_on, sloped.changes) == (True, True, False)
    assert "drifts up by" in dwell_text(sloped)
    assert "goes on at 6 mV a minute" in dwell_text(sloped)
    assert "no drift seen" in dwell_text(steady)


def test_the_uncertainty_of_the_drift_holds_in_nineteen_of_twenty() -> None:
    """60 made dwells with white noise, 100 µV of drift: U = 2u covers 95 %, and hardly a steady node goes on."""
    short = replace(RULES, log_s=20.0, slack_s=1.0)
    record = replace(RECORD, dwell=short)
    covered = going = 0
    for seed in range(60):
        made = dwelt(lambda t: np.where(t > 4.0, 0.3001, 0.3), seed, rules=short)
        dwell = dwell_finding(record, SOUND, *made)
        assert dwell.drift is not None
        covered += abs(dwell.drift.value - 1e-4) <= 2.0 * dwell.drift.u
        going += bool(dwell.goes_on)
    assert covered >= 54
    assert going <= 1


def test_the_drift_in_amperes_is_kirchhoff_at_the_node() -> None:
    """0.25 V · (1/10 MΩ) = 25 nA outside; with the pull-down of 71 kΩ inside 3.5 µA more."""
    dwell = found(lambda t: np.where(t < 30.0, 0.7, 0.95))
    pull_down = SOUND.pull_down
    assert pull_down is not None
    assert dwell.net_drift is not None
    assert dwell.leak_drift is not None
    assert dwell.net_drift.value == pytest.approx(25e-9, rel=1e-3)
    assert dwell.leak_drift.value == pytest.approx(0.25 * (1e-7 + 1.0 / pull_down.value), rel=1e-3)
    assert dwell.leak_drift.u == pytest.approx(0.25 * pull_down.u / pull_down.value**2, rel=0.02)
    behind = replace(RECORD, pins=(Pin("D1", series_ohm=10e3),))
    through = found(lambda t: np.where(t < 30.0, 0.7, 0.95), record=behind)
    assert through.leak_drift is not None
    assert through.leak_drift.value == pytest.approx(0.25 * (1e-7 + 1.001 / pull_down.value), rel=1e-4)


def test_the_board_that_reads_high_in_the_end_decides() -> None:
    dwell = found(lambda t: np.full_like(t, 0.7), reads_settled="high")
    assert (dwell.early_word, dwell.late_word) == ("released", "stuck high")


def test_a_slow_node_is_not_judged_while_it_still_falls() -> None:
    """A fall of 30 ms is over before the early window, which begins at 0.55 s."""
    dwell = found(lambda t: HELD_V * np.exp(-t / 0.03))
    assert (dwell.early_word, dwell.late_word, dwell.moved) == ("released", "released", False)


def test_what_could_not_be_made_or_read_is_not_determined_and_says_why() -> None:
    trial, observation = dwelt(climbs)
    assert dwell_finding(RECORD, SOUND, trial, None).note == "long dwell: not made"
    failed = replace(observation, outcome="failed", notes=("a short",))
    assert dwell_finding(RECORD, SOUND, trial, failed).note == "long dwell: a short"
    short = replace(observation, trace=Trace(observation.trace.time_s[:400], observation.trace.voltage_v[:400]))
    assert (
        dwell_finding(RECORD, SOUND, trial, short).note == "long dwell: too little of the log is left after the release"
    )
    assert dwell_finding(RECORD, SOUND, trial, short).changes is None
    empty = replace(observation, trace=Trace(np.empty(0), np.empty(0)))
    assert dwell_finding(RECORD, SOUND, trial, empty).note.startswith("long dwell: trace:")


def test_an_all_clear_that_a_dwell_refutes_is_none_any_more() -> None:
    [pin] = with_dwells(RECORD, [SOUND], [dwelt(climbs)])
    assert SOUND.advice.needed is False
    assert (pin.advice.needed, pin.advice.ohm) == (None, None)
    assert pin.advice.reason.startswith(
        "short presses released, but on a long dwell released early, stuck between late"
    )
    assert "long dwell: held 2 min: " in pin.note
    assert pin.dwell is not None
    assert pin.dwell.ordinary_word == "released"
    [steady] = with_dwells(RECORD, [SOUND], [dwelt(lambda t: np.full_like(t, 0.1))])
    assert steady.advice == SOUND.advice


def test_a_value_with_which_the_pin_stuck_on_a_dwell_is_withdrawn() -> None:
    latching = analysed(d1)
    advised = replace(latching, advice=Advice(8.2e3, True, 0.3, "made"))
    for resistor, ohm in (("8.2 kΩ", None), ("4.7 kΩ", None), ("10 kΩ", 8.2e3)):
        [pin] = with_dwells(RECORD, [advised], [dwelt(climbs, resistor=resistor)])
        assert (pin.advice.ohm, pin.advice.needed) == (ohm, True)
    [bare] = with_dwells(RECORD, [advised], [dwelt(climbs)])
    assert bare.advice == advised.advice


def test_a_dwell_of_a_run_stands_with_its_pin_and_on_page_one() -> None:
    trial, observation = dwelt(climbs)
    record = replace(RECORD, planned=(trial,))
    finding = analyse(record, [(trial, observation)])
    assert finding.trials == ()
    assert finding.pins[0].dwell is not None
    assert finding.notes == ("on a long dwell the verdict changes on D1",)
    missing = analyse(record, [])
    assert missing.pins[0].dwell is not None
    assert missing.pins[0].dwell.note == "long dwell: not made"


def test_levels_carry_the_accuracy_of_the_meter_and_their_difference_does_not() -> None:
    dwell = found(lambda t: np.full_like(t, 0.3))
    assert dwell.early is not None
    assert dwell.drift is not None
    limit_v = 0.5e-3 + 1e-4 * 0.3
    assert dwell.early == Value(pytest.approx(0.3, abs=1e-4), pytest.approx(limit_v / math.sqrt(3.0), rel=0.02))  # type: ignore[arg-type]
    assert dwell.drift.u < 0.1 * dwell.early.u


def test_a_pin_pressed_to_ground_is_the_mirror_image() -> None:
    """From 2.6 V towards 2.35 V with V_IH 2.5 V: it is below V_IH, stuck, after 30.65 s."""
    trial, observation = dwelt(climbs)
    assert observation.hold_v is not None
    trace = Trace(observation.trace.time_s, 3.3 - observation.trace.voltage_v)
    mirrored = replace(observation, trace=trace, hold_v=3.3 - observation.hold_v, before_v=3.3)
    record = replace(RECORD, press_to="ground", levels=Levels(1.3, 2.5), planned=(trial,))
    [pin] = analyse(record, [(trial, mirrored)]).pins
    as_rail = found(climbs)
    assert pin.dwell is not None
    assert pin.dwell.early is not None
    assert pin.dwell.drift is not None
    assert as_rail.early is not None
    assert as_rail.drift is not None
    assert pin.dwell.early.value == pytest.approx(3.3 - as_rail.early.value, abs=1e-9)
    assert pin.dwell.drift.value == pytest.approx(-as_rail.drift.value, abs=1e-9)
    assert (pin.dwell.early_word, pin.dwell.late_word) == ("released", "stuck between")
    assert pin.dwell.turned_after_s == pytest.approx(60.0 * math.log(0.25 / 0.15), abs=0.1)
    assert "drifts down by" in dwell_text(pin.dwell)
    assert "across V_IH after 30.6 s" in dwell_text(pin.dwell)
    assert "drifts down by" in pin.note
    assert "across V_IH after 30.6 s" in pin.note
    assert "2.597 V early" in pin.note
