"""A pin with its input buffer off, swept and tried on a bench with errors: the truth beside what was made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from procedures.forced_sweep import forced_sweep
from results.analysis.analysis import analyse
from results.analysis.findings import RunFinding
from results.analysis.found.pull_down_ways import PullDownWays
from results.record.observation import Observation
from results.record.run_record import Fixture, Levels, RunRecord
from results.record.trial import NO_RESISTOR, Condition, Pin, Resistor, Trial
from tests.procedures.curve_bench import CurveBench, Errors, Law, memoryless, record, settings
from tests.results.analysis.made_nodes import RAIL_V, Reading, observed, observed_to_ground

OFF = Condition("buffer off", 3.3)
NODE_F, FIXTURE_F = 100e-9, 120e-12
RESISTORS = (
    Resistor(NO_RESISTOR, None),
    Resistor("47 kΩ", 47e3, 0.01),
    Resistor("22 kΩ", 22e3, 0.01),
    Resistor("10 kΩ", 10e3, 0.01),
)


@dataclass(frozen=True)
class MadeBench:
    """Errors of a bench, drawn within its limits."""

    seed: int

    def errors(self) -> Errors:
        u = np.random.default_rng(self.seed).uniform
        return Errors(u(-1, 1) * 1e-4, u(-1, 1) * 0.5e-3, u(-1, 1) * 5e-4, u(-1, 1) * 20e-9, 30e-6, 2e-9)


def made_run(
    pull_down: Law, seed: int, *, swept: bool = True, condition: Condition = OFF, to_ground: bool = False
) -> RunFinding:
    """One sweep and two presses with every resistor; capacitance and resistors are off within their tolerances."""
    record_, made = made_trials(pull_down, seed, swept=swept, condition=condition, to_ground=to_ground)
    return analyse(record_, made)


def made_trials(
    pull_down: Law, seed: int, *, swept: bool = True, condition: Condition = OFF, to_ground: bool = False
) -> tuple[RunRecord, list[tuple[Trial, Observation]]]:
    chance = np.random.default_rng(1000 + seed)
    errors = MadeBench(seed).errors()

    def law(v: float) -> float:
        return -pull_down(v) if v > 1e-6 else -v * pull_down(1e-3) / 1e-3

    def swept_law(v: float) -> float:
        return -law(RAIL_V - v) if to_ground else law(v)

    asked = settings(press_to="ground", v_il=1.3, v_ih=2.5) if to_ground else settings()
    press = observed_to_ground if to_ground else observed
    made: list[tuple[Trial, Observation]] = []
    if swept:
        sweep = Trial(1, "forced_sweep", "D1", NO_RESISTOR, condition, 1, kind="sweep")
        rests_v = RAIL_V if to_ground else 0.0
        bench = CurveBench(memoryless(swept_law), errors, rests_v=rests_v, seed=seed).as_bench()
        made.append((sweep, forced_sweep(bench, sweep, asked)))
    node_f = NODE_F * (1.0 + 0.01 * chance.uniform(-1, 1)) + FIXTURE_F * (1.0 + 0.2 * chance.uniform(-1, 1))
    reading = Reading(errors.gain_v, errors.offset_v, 0.1e-3, 1000.0 * (1.0 + 0.001 * chance.uniform(-1, 1)), chance)
    for resistor in RESISTORS:
        conductance = resistor.conductance_s * (1.0 + 0.01 * chance.uniform(-1, 1))
        for repeat in (1, 2):
            trial = Trial(len(made) + 2, "press_release", "D1", resistor.name, condition, repeat)
            made.append((trial, press(law, node_f, conductance, reading)))
    known = record()
    if to_ground:
        known = replace(known, press_to="ground", levels=Levels(1.3, 2.5))
    rules = replace(known.rules, pull_down_setup=OFF.pin_setup if condition == OFF else None)
    pin = Pin("D1", NODE_F, node_capacitance_tolerance=0.01)
    planned = tuple(trial for trial, _ in made)
    fixture = Fixture(0.0, FIXTURE_F, 0.2)
    return replace(known, planned=planned, resistors=RESISTORS, pins=(pin,), fixture=fixture, rules=rules), made


def ways_of(finding: RunFinding) -> PullDownWays:
    [pin] = finding.pins
    assert pin.pull_down_ways is not None
    return pin.pull_down_ways


def told(ways: PullDownWays) -> Sequence[str]:
    return [way.name for way in ways.ways if way.conductance is not None]
