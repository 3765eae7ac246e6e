"""The end of a decay gives the pace at small voltages, however the pull-down bends on the way."""

from __future__ import annotations

import numpy as np
import pytest

from results.analysis.findings import Edge
from results.analysis.pull_down.free_decay import FreeDecay, falling, free_decay
from results.analysis.uncertainty.least_squares import fit_model
from results.record.run_record import MeterModel
from tests.procedures.curve_bench import Law, linear, mos
from tests.results.analysis.made_nodes import LOAD_S, Reading, observed

METER = MeterModel(1e-4, 0.5e-3, 10e6, aperture_s=5e-5)
EDGE = Edge(200, 201, 0.02, 3e-5, 3.2, False, 0)
NODE_F = 100e-9


def read(
    pull_down: Law, resistor_s: float = 0.0, *, seed: int = 1, log_s: float = 0.1, node_f: float = NODE_F
) -> FreeDecay:
    reading = Reading(offset_v=0.3e-3, chance=np.random.default_rng(seed))
    seen = observed(lambda v: -pull_down(v), node_f, resistor_s, reading, log_s=log_s)
    return free_decay(seen.trace, EDGE, METER, 0.8)


def test_an_rc_discharge_of_a_circuit_simulator() -> None:
    """ngspice: 10 MΩ, 100 pF and 30 nA from 3.3 V; its four voltages (7 digits) give τ = 1 ms and 0.3 V at rest."""
    after_ms = np.array([0.0, 1.0, 2.0, 3.0, 5.0])
    volts = np.array([3.3, 1.403638, 0.7060058, 0.4493612, 0.3202138])
    fit = fit_model(falling, after_ms, volts, np.array([1.2, 2.5, 1.0, 1.4]))
    pace, bend = float(fit.parameters[0]), float(fit.parameters[2]) - 1.0
    assert pace == pytest.approx(1.0, abs=2e-6)
    assert bend == pytest.approx(0.0, abs=2e-6)
    assert float(fit.parameters[3]) == pytest.approx(1.3, abs=1e-6)


@pytest.mark.parametrize("resistor_s", [0.0, 1.0 / 22e3])
def test_a_transistor_is_read_at_small_voltage(resistor_s: float) -> None:
    """k = 12 µA/V², V_ov = 1.6 V: G0 = k V_ov = 19.2 µS, bend 1/(2 V_ov) of it."""
    found = read(mos(12e-6, 1.6), resistor_s)
    assert found.pace is not None
    assert found.bend is not None
    total_s = 19.2e-6 + resistor_s + LOAD_S
    assert abs(found.pace.value - total_s / NODE_F) < 2.0 * found.pace.u
    assert found.pace.u < 0.01 * found.pace.value
    assert abs(found.bend.value - 19.2e-6 / 3.2 / total_s) < 2.5 * found.bend.u


def test_the_uncertainty_covers_what_noise_does() -> None:
    errors = []
    for seed in range(60):
        found = read(linear(60e3), 1.0 / 47e3, seed=seed)
        assert found.pace is not None
        errors.append((found.pace.value - (1.0 / 60e3 + 1.0 / 47e3 + LOAD_S) / NODE_F) / found.pace.u)
    assert 0.7 < float(np.std(errors)) < 1.25
    assert abs(float(np.mean(errors))) < 0.45


def test_what_cannot_be_told_says_why() -> None:
    assert read(linear(60e3), node_f=1e-9).reason == "the decay is over within the 0.0001 s that can be told"
    short = read(linear(60e3), log_s=0.013)
    assert short.reason == "the log goes on for 0.0045 s only after the node has fallen to 0.8 V"
    # A transistor that saturates below V_IL falls along a straight line first.
    assert "does not fall as a pull-down alone makes it" in read(mos(100e-6, 0.35)).reason
