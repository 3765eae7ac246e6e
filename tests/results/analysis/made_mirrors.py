"""Runs made twice: pull-down inputs pressed to the rail, and their mirror image, pull-up inputs pressed to ground.

The node of either is solved from its own equation by scipy's brentq, in real volts: no code of the project in it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.optimize import brentq

from results.record.observation import Observation
from results.record.run_record import Fixture, Levels, MeterModel, Rules, RunRecord, Unit
from results.record.trace import Trace
from results.record.trial import NO_RESISTOR, Condition, Pin, Resistor, Trial
from tests.results.analysis.made_traces import Node, made

Law = Callable[[float], float]
"""What a leak drives, in ampere, over the voltage from the level that the pin rests at."""

RAIL_V = 3.3
LEVELS = Levels(0.8, 2.0)
NO_LOAD = MeterModel(accuracy_reading=0.0, accuracy_v=0.0, input_ohm=1e18)
RULES = Rules(pull_down_low_ohm=30e3, pull_down_high_ohm=90e3, allowed_s=0.05, log_s=0.12)
PRESS_OHM = 1e3
SETUP = Condition("reset default", RAIL_V)


def mid_level(volts: float) -> float:
    return float(120e-6 / (1 + np.exp(-(volts - 0.75) / 0.06)) / (1 + np.exp((volts - 1.98) / 0.055)))


def plain(volts: float) -> float:
    return float(34e-6 * np.tanh(volts / 0.05) / (1 + np.exp((volts - 2.6) / 0.04)))


def sound(volts: float) -> float:
    return float(0.2e-6 * np.tanh(volts / 0.2))


@dataclass(frozen=True)
class Run:
    """What is made: the leak, its pull resistor, and the bench that tries it."""

    leak: Law
    pull_ohm: float = 60e3
    meter: MeterModel = NO_LOAD
    resistors: tuple[float | None, ...] = (None, 47e3, 22e3, 10e3, 8.2e3, 4.7e3)
    tolerance: float = 0.0
    rules: Rules = RULES
    levels: Levels = LEVELS
    rail_v: float = RAIL_V
    rail_read_v: float | None = RAIL_V
    series_ohm: float = 0.0
    to_ground: bool = False
    noise_v: float = 2e-4
    seeds: Sequence[int] = field(default=(1, 2))

    def fitted(self) -> tuple[Resistor, ...]:
        return tuple(
            Resistor(NO_RESISTOR if ohm is None else f"{ohm / 1e3:g} kΩ", ohm, 0.0 if ohm is None else self.tolerance)
            for ohm in self.resistors
        )


def out_of_pin_a(run: Run, pin_v: float) -> float:
    """What the pin drives out at a real voltage: leak less pull resistor, or the mirror image of that."""
    if run.to_ground:
        below_v = run.rail_v - pin_v
        return below_v / run.pull_ohm - run.leak(below_v)
    return run.leak(pin_v) - pin_v / run.pull_ohm


def into_node_a(run: Run, node_v: float, fitted_s: float, *, loaded: bool) -> float:
    """Kirchhoff's current law at the node, in real volts: pin, trial resistor, and the meter, to ground always."""
    load_s = 1.0 / run.meter.input_ohm if loaded and run.meter.input_ohm else 0.0
    rest_v = run.rail_v if run.to_ground else 0.0
    pin_a = out_of_pin_a(run, node_v)
    if run.series_ohm:
        pin_v = brentq(
            lambda v: out_of_pin_a(run, v) - (v - node_v) / run.series_ohm, -5.0, 9.0, xtol=1e-14, rtol=1e-14
        )
        pin_a = (pin_v - node_v) / run.series_ohm
    return pin_a - (node_v - rest_v) * fitted_s - node_v * load_s


def rest_v(run: Run, fitted_s: float, *, loaded: bool = True) -> float:
    """Where the node comes to rest, let go from the press level: the first root on its way."""
    grid = np.linspace(run.rail_v, -0.05, 4001) if not run.to_ground else np.linspace(0.0, run.rail_v + 0.05, 4001)
    values = [into_node_a(run, float(v), fitted_s, loaded=loaded) for v in grid]
    index = int(np.flatnonzero(np.sign(values[:-1]) != np.sign(values[1:]))[0])
    low, high = sorted((float(grid[index]), float(grid[index + 1])))
    root = brentq(lambda v: into_node_a(run, v, fitted_s, loaded=loaded), low, high, xtol=1e-14, rtol=1e-14)
    return float(root)


def held_v(run: Run, fitted_s: float) -> float:
    """The node while it is held through the press resistor."""
    behind_v = 0.0 if run.to_ground else run.rail_v

    def surplus(node_v: float) -> float:
        return into_node_a(run, node_v, fitted_s, loaded=True) + (behind_v - node_v) / PRESS_OHM

    return float(brentq(surplus, -0.1, run.rail_v + 0.1, xtol=1e-14))


def record_of(run: Run, planned: Sequence[Trial]) -> RunRecord:
    levels = run.levels
    return RunRecord(
        run="made",
        started_utc="2026-01-01T00:00:00Z",
        version="0",
        origin="bench",
        unit=Unit("Fernhill irrigation controller", "FH-2417-001"),
        rail_v=run.rail_v,
        levels=Levels(run.rail_v - levels.v_ih, run.rail_v - levels.v_il) if run.to_ground else levels,
        rules=run.rules,
        meter=run.meter,
        pins=(Pin("D1", series_ohm=run.series_ohm),),
        resistors=run.fitted(),
        planned=tuple(planned),
        press_path="relay",
        fixture=Fixture(),
        press_to="ground" if run.to_ground else "rail",
    )


def trace_of(run: Run, hold_v: float, settled_v: float, seed: int) -> Trace:
    """Of the pull-down input; of the pull-up input its mirror image, sample by sample, with the same noise."""
    if not run.to_ground:
        return made(Node(held_v=hold_v, rest_v=settled_v, noise_v=run.noise_v, seed=seed))
    below = made(Node(held_v=run.rail_v - hold_v, rest_v=run.rail_v - settled_v, noise_v=run.noise_v, seed=seed))
    return Trace(below.time_s, run.rail_v - below.voltage_v)


def observed(run: Run) -> tuple[RunRecord, list[tuple[Trial, Observation]]]:
    """The whole run: every resistor once for each seed."""
    found: list[tuple[Trial, Observation]] = []
    for resistor in run.fitted():
        hold_v, settled_v = held_v(run, resistor.conductance_s), rest_v(run, resistor.conductance_s)
        for repeat, seed in enumerate(run.seeds, start=1):
            trial = Trial(
                len(found) + 1, "press_release", "D1", resistor.name, replace(SETUP, rail_v=run.rail_v), repeat
            )
            seen = Observation(
                trace_of(run, hold_v, settled_v, 100 * len(found) + seed),
                rail_v=run.rail_read_v,
                before_v=run.rail_v if run.to_ground else 0.0,
                hold_v=hold_v,
                press_v=0.0 if run.to_ground else run.rail_v,
                press_ohm=PRESS_OHM,
                press_u_ohm=0.0,
                contact="hold level",
            )
            found.append((trial, seen))
    return record_of(run, [trial for trial, _ in found]), found
