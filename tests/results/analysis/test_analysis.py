"""From samples to findings: a run in, every number out, nothing changed."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from results.analysis.analysis import analyse, analyse_folder
from results.analysis.load_line import NetCurrent
from results.errors import RecordError
from results.record.observation import Observation
from results.record.run_folder import RunFolder
from results.record.run_record import RunRecord
from results.record.trace import FloatArray, Trace
from results.record.trial import NO_RESISTOR, Condition, Pin, Resistor, Trial
from tests.results.analysis.made_pins import RESISTORS, SETUP, Bench, d1, d3, d4, record_of, rest_voltage

METER_S = 1e-7
PINS: dict[str, NetCurrent] = {"D1": d1, "D3": d3, "D4": d4}


def sampled(settled_v: float, seed: int, held_v: float = 3.3) -> Trace:
    """20 ms held, 120 ms free, 2 ms time constant, 0.4 mV of white noise."""
    time = np.arange(1401, dtype=np.float64) * 1e-4
    free = np.clip(time - 0.02, 0.0, None)
    volts = settled_v + (held_v - settled_v) * np.exp(-free / 2e-3)
    noisy: FloatArray = volts + np.random.default_rng(seed).normal(0.0, 4e-4, time.size)
    return Trace(time, noisy)


def run(
    pins: dict[str, NetCurrent], resistors: tuple[Resistor, ...] = RESISTORS[:2]
) -> tuple[RunRecord, list[tuple[Trial, Observation]]]:
    made: list[tuple[Trial, Observation]] = []
    for pin, net in pins.items():
        for resistor in resistors:
            trial = Trial(len(made) + 1, "import", pin, resistor.name, SETUP, 1)
            trace = sampled(rest_voltage(net, resistor.conductance_s + METER_S), seed=trial.sequence)
            made.append((trial, Observation(trace)))
    record = record_of(Bench(), [trial for trial, _ in made])
    return replace(record, pins=tuple(Pin(name) for name in pins)), made


def test_a_run_of_samples_gives_every_verdict() -> None:
    record, made = run(PINS, RESISTORS)
    finding = analyse(record, made)
    assert [row.verdict for row in finding.trials] == [
        *("stuck high", "stuck between", "stuck between", "stuck between", "released", "released"),
        *["released"] * 6,
        *("stuck high", "stuck between", "released", "released", "released", "released"),
    ]
    assert [pin.pin for pin in finding.pins] == ["D1", "D3", "D4"]
    assert [pin.verdict for pin in finding.pins] == ["stuck high", "released", "stuck high"]
    assert [pin.plain_leak for pin in finding.pins] == ["no", "untested", "yes"]
    safe = finding.pins[2].safe_ohm
    assert safe is not None
    assert abs(safe.value - 37209.3) < 2.0 * safe.u
    assert safe.value == pytest.approx(37209.3, rel=0.03)


def test_contact_that_nothing_proved_stands_on_page_one() -> None:
    record, made = run({"D3": d3})
    assert analyse(record, made).notes == ("contact not proven in 2 of 2 trials",)


def test_trials_come_back_in_planned_order_and_what_is_missing_is_not_tested() -> None:
    record, made = run({"D3": d3}, RESISTORS[:4])
    finding = analyse(record, made[::-1][:2])
    assert [row.trial.sequence for row in finding.trials] == [1, 2, 3, 4]
    assert [row.verdict for row in finding.trials] == ["not tested"] * 2 + ["released"] * 2
    assert finding.notes[0] == "2 of 4 planned trials were not made"


def test_a_trial_beyond_the_plan_is_kept_behind_it() -> None:
    record, made = run({"D3": d3})
    extra = replace(made[0][0], sequence=50, repeat=2)
    finding = analyse(record, [*made, (extra, made[0][1])])
    assert finding.trials[-1].trial == extra
    assert finding.pins[0].trials == 2


def test_the_last_observation_of_a_trial_counts() -> None:
    record, made = run({"D3": d3})
    failed = replace(made[0][1], outcome="failed", notes=("link lost",))
    assert analyse(record, [(made[0][0], failed), *made]).trials[0].verdict == "released"
    assert analyse(record, [*made, (made[0][0], failed)]).trials[0].verdict == "failed"
    assert analyse(record, [*made, (made[0][0], failed)]).trials[0].note == "link lost"


def test_conditions_are_not_mixed() -> None:
    """The same pin at another rail is another row."""
    record, made = run({"D1": d1})
    other = [
        (replace(trial, sequence=trial.sequence + 10, condition=Condition("reset default", 3.0)), observation)
        for trial, observation in made
    ]
    finding = analyse(record, [*made, *other])
    assert [(pin.pin, pin.condition.rail_v, len(pin.rows)) for pin in finding.pins] == [("D1", 3.3, 2), ("D1", 3.0, 2)]


def test_an_observation_under_another_trials_number_is_refused() -> None:
    record, made = run({"D3": d3})
    wrong = replace(made[0][0], resistor="47 kΩ")
    with pytest.raises(RecordError, match=r"journal\.jsonl: trial 1: made as 'D3 reset default 47 kΩ #1', planned as"):
        analyse(record, [(wrong, made[0][1])])


def test_a_broken_trace_spoils_its_own_trial_only() -> None:
    record, made = run({"D3": d3})
    trial, observation = made[0]
    made[0] = (trial, replace(observation, trace=Trace(np.empty(0), np.empty(0))))
    finding = analyse(record, made)
    assert finding.trials[0].verdict == "failed"
    assert finding.trials[0].note
    assert {row.verdict for row in finding.trials[1:]} == {"released"}


def test_the_press_level_is_judged_by_the_rail_as_measured() -> None:
    """A node that stays at 2.9 V: at the press level of a 2.9 V rail, never pressed on a 3.3 V one."""
    record, made = run({"D3": d3}, RESISTORS[:1])
    trial, observation = made[0]
    flat = replace(observation, trace=sampled(2.9, seed=1, held_v=2.9))
    sagged = analyse(record, [(trial, replace(flat, rail_v=2.9))])
    assert sagged.trials[0].verdict == "held at press level"
    assert analyse(record, [(trial, flat)]).trials[0].verdict == "failed"


def test_a_run_folder_gives_the_same_findings(tmp_path: Path) -> None:
    record, made = run({"D4": d4}, RESISTORS[:3])
    folder = RunFolder.create(tmp_path, "FH-2417-001", record, "", "", datetime(2026, 1, 1, tzinfo=UTC))
    for trial, observation in made:
        folder.append(trial, observation)
    found = analyse_folder(folder.path)
    expected = analyse(record, made)
    assert [row.verdict for row in found.trials] == [row.verdict for row in expected.trials]
    assert found.pins[0].safe_ohm is not None
    assert found.pins[0].safe_ohm == expected.pins[0].safe_ohm
    assert found.trials[0].settled == expected.trials[0].settled
    assert found.trials[0].trial.resistor == NO_RESISTOR


def test_without_budgets_every_number_is_the_same() -> None:
    """As the line of a running trial is made, which would wait for them."""
    record, made = run(PINS)
    whole, bare = analyse(record, made), analyse(record, made, budgets=False)
    assert all(pin.budgets for pin in whole.pins)
    assert bare == replace(whole, pins=tuple(replace(pin, budgets=()) for pin in whole.pins))
