"""1/τ over the trial conductance tells pull-down and capacitance together."""

from __future__ import annotations

import math

import numpy as np
import pytest

from results.analysis.pull_down.pace_line import fit_pace_line
from results.analysis.uncertainty.estimate import Estimate
from tests.reference.circuit_simulator import stored

NODE_F, INSIDE_S = 100e-9, 1.0 / 60e3 + 1e-7
OHMS = (None, 47e3, 22e3, 10e3, 8.2e3)


def points(
    chance: np.random.Generator | None = None, relative_u: float = 0.002, tolerance: float = 0.01
) -> list[tuple[str, Estimate, Estimate]]:
    found = []
    for ohm in OHMS:
        stated = 0.0 if ohm is None else 1.0 / ohm
        true = stated if chance is None else stated * (1.0 + tolerance * chance.uniform(-1.0, 1.0))
        pace = (INSIDE_S + true) / NODE_F
        seen = pace if chance is None else pace * (1.0 + relative_u * chance.standard_normal())
        name = str(ohm)
        resistor = Estimate(stated, {f"resistor {name}": stated * tolerance / math.sqrt(3.0)})
        found.append((name, resistor, Estimate(seen, {f"decay {name}": pace * relative_u})))
    return found


def test_traces_of_a_circuit_simulator_give_back_its_circuit() -> None:
    """ngspice: 100 nF, 71 kΩ less a leak of 0.2 µA·tanh(V/0.2 V) (1 µS at 0 V), a meter of 10 MΩ, six resistors."""
    found = []
    for case, _, rows in stored():
        if case.name.startswith("D3"):
            (first_s, first_v), (last_s, last_v) = [row for row in rows if 0.2e-3 < row[1] < 10e-3][:2]
            pace = math.log(first_v / last_v) / (last_s - first_s)
            conductance = 0.0 if case.resistor_ohm is None else 1.0 / case.resistor_ohm
            found.append((case.name, Estimate(conductance, {}), Estimate(pace, {case.name: 1e-4 * pace})))
    assert len(found) == 6
    line = fit_pace_line(found)
    assert line.inside is not None
    assert line.capacitance is not None
    assert line.inside.value == pytest.approx(1.0 / 71e3 - 1e-6 + 1e-7, rel=1e-3)
    assert line.capacitance.value == pytest.approx(100e-9, rel=2e-4)


def test_the_uncertainty_covers_errors_of_both_axes() -> None:
    inside, capacitance, refused = [], [], 0
    for seed in range(200):
        line = fit_pace_line(points(np.random.default_rng(seed)))
        if line.inside is None or line.capacitance is None:
            refused += 1
            continue
        inside.append((line.inside.value - INSIDE_S) / line.inside.u)
        capacitance.append((line.capacitance.value - NODE_F) / line.capacitance.u)
    # The error that all resistors may share is in U, and was not made here.
    assert 0.4 < float(np.std(inside)) < 1.1
    assert 0.4 < float(np.std(capacitance)) < 1.1
    assert refused < 12


def test_the_sources_of_its_uncertainty_are_kept_by_name() -> None:
    line = fit_pace_line(points())
    assert line.inside is not None
    assert line.inside.value == pytest.approx(INSIDE_S, rel=1e-9)
    assert {"decay None", "resistor 47000.0", "trial resistors, alike"} <= line.inside.parts.keys()
    # The bare node's pace decides what is inside: an error of it enters with its own sign.
    assert line.inside.parts["decay None"] > 0.0


def test_a_bent_line_and_too_few_resistors_are_refused() -> None:
    few = fit_pace_line(points()[:2])
    assert (few.inside, few.reason) == (None, "2 resistors with a time constant, 3 are needed")
    bent = points()
    name, conductance, pace = bent[2]
    bent[2] = (name, conductance, pace.scaled(1.1))
    refused = fit_pace_line(bent)
    assert refused.inside is None
    assert refused.reason.startswith("not a straight line: lack of fit p")
