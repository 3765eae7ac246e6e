"""A time constant is stated with its standard error, as an upper bound, or not at all; one exponential is tested."""

from __future__ import annotations

import math

import numpy as np
import pytest

from results.analysis.findings import Decay, TraceFinding
from results.analysis.trace.decay import resolution_s
from results.analysis.trace.reading import read_trace
from results.record.run_record import Levels, MeterModel
from results.record.trace import Trace
from tests.results.analysis.made_traces import LEVELS, METER, Node, made


def finding(node: Node, meter: MeterModel = METER) -> TraceFinding:
    return read_trace(made(node), rail_v=3.3, levels=LEVELS, meter=meter, allowed_s=0.05)


def decay(node: Node, meter: MeterModel = METER) -> Decay:
    found = finding(node, meter).decay
    assert found is not None
    return found


@pytest.mark.parametrize("rho", [0.0, 0.8])
@pytest.mark.parametrize("tau", [5e-4, 5e-3, 0.02])
def test_the_standard_error_of_a_time_constant_covers(tau: float, rho: float) -> None:
    inside = 0
    for seed in range(60):
        found = decay(Node(release_tau_s=tau, noise_v=2e-3, correlation=rho, rest_v=1.0, seed=seed))
        assert found.time_constant_s is not None
        assert found.u_s is not None
        assert found.one_exponential
        assert not found.is_upper_bound
        inside += abs(found.time_constant_s - tau) <= 2.0 * found.u_s
    assert inside >= 50


def test_a_decay_faster_than_the_samples_is_an_upper_bound() -> None:
    assert decay(Node(release_tau_s=9e-6)) == Decay(pytest.approx(1e-4), is_upper_bound=True)


def test_the_bound_is_the_largest_of_interval_aperture_and_step_response() -> None:
    assert resolution_s(1e-4, MeterModel(0.0, 0.0, aperture_s=2e-4, step_s=5e-5)) == 2e-4
    assert resolution_s(1e-4, MeterModel(0.0, 0.0, aperture_s=2e-5, step_s=5e-4)) == 5e-4
    slow = MeterModel(1e-4, 5e-4, step_s=2e-3)
    assert decay(Node(release_tau_s=1e-3), slow) == Decay(2e-3, is_upper_bound=True)


def test_two_time_constants_are_not_one_exponential() -> None:
    found = decay(Node(release_tau_s=2e-3, second_v=0.3, second_tau_s=0.012))
    assert not found.one_exponential
    assert found.reduced_chi_square is not None
    assert found.reduced_chi_square > 5.0


def test_one_exponential_passes_its_test() -> None:
    passed = sum(decay(Node(release_tau_s=4e-3, seed=seed)).one_exponential for seed in range(40))
    assert passed >= 39


def test_a_log_shorter_than_the_time_constant_does_not_determine_it() -> None:
    found = decay(Node(release_tau_s=0.6, noise_v=5e-3))
    assert found.time_constant_s is None
    assert found.reason.endswith("s after the release is too short or too noisy for the time constant")


def test_hum_does_not_spoil_the_time_constant() -> None:
    found = decay(Node(release_tau_s=5e-3, hum_v=0.03, harmonics=((3, 0.2),)))
    assert found.time_constant_s == pytest.approx(5e-3, rel=2e-3)
    assert found.one_exponential


# ngspice, 10 MΩ and 100 pF with 30 nA from 3.3 V: V = 0.3 + 3·exp(−t/1 ms), 1.403638 V at 1 ms, 0.8 V at 1.791759 ms.
def discharge(noise: float, interval: float = 1e-5) -> Trace:
    time = np.arange(-200, 1500) * interval
    volts = np.where(time <= 0.0, 3.3, 0.3 + 3.0 * np.exp(-np.maximum(time, 0.0) / 1e-3))
    return Trace(time, volts + np.random.default_rng(2).normal(0.0, noise, time.size))


def test_the_rc_discharge_of_a_circuit_simulator() -> None:
    trace = discharge(0.0)
    assert trace.voltage_v[300] == pytest.approx(1.403638, abs=2e-6)
    found = read_trace(trace, rail_v=3.3, levels=Levels(0.8, 2.0), meter=MeterModel(0.0, 0.0), allowed_s=0.05)
    assert found.decay is not None
    assert found.decay.time_constant_s == pytest.approx(1e-3, rel=1e-6)
    assert found.release_time_s == pytest.approx(1.791759e-3, abs=1e-9)
    assert found.settled is not None
    assert found.settled.voltage_v == pytest.approx(0.3, abs=1e-5)


def test_after_one_and_five_time_constants() -> None:
    """36.788 % and 0.674 % are left (mathematics)."""
    found = read_trace(
        discharge(0.0), rail_v=3.3, levels=Levels(0.3 + 3.0 * 0.36788, 2.0), meter=MeterModel(0.0, 0.0), allowed_s=0.05
    )
    assert found.release_time_s == pytest.approx(1e-3, rel=2e-5)
    found = read_trace(
        discharge(0.0), rail_v=3.3, levels=Levels(0.3 + 3.0 * 0.00674, 2.0), meter=MeterModel(0.0, 0.0), allowed_s=0.05
    )
    assert found.release_time_s == pytest.approx(5e-3, rel=2e-4)


def test_a_noisy_discharge_agrees_within_its_uncertainty() -> None:
    found = read_trace(discharge(1e-3), rail_v=3.3, levels=LEVELS, meter=METER, allowed_s=0.05)
    assert found.decay is not None
    assert found.decay.u_s is not None
    assert found.decay.time_constant_s == pytest.approx(1e-3, abs=3.0 * found.decay.u_s)
    assert found.release_time_s == pytest.approx(1.791759e-3, abs=4e-6)
    assert math.isfinite(found.decay.u_s)


# 100 nF, 71 kΩ, 10 MΩ and a trial resistor, with a leak of 0.2 µA·tanh(V/0.2 V).
# Time constant C/G while the leak hardly counts, C/(G − 1 µS) near 0 V.
def leaky_discharge(resistance: float, seed: int) -> tuple[Trace, float, float]:
    from scipy.integrate import solve_ivp

    conductance = 1.0 / 71e3 + 1e-7 + 1.0 / resistance
    free = np.arange(1200) * 1e-4 + 5e-5
    solved = solve_ivp(
        lambda _, v: (0.2e-6 * np.tanh(v / 0.2) - v * conductance) / 1e-7,
        (0.0, 0.121),
        [3.26],
        t_eval=free,
        rtol=1e-10,
        atol=1e-12,
    )
    volts = np.concatenate([np.zeros(50), np.full(200, 3.26), solved.y[0]])
    noise = np.random.default_rng(seed).normal(0.0, 4e-4, volts.size)
    return Trace(np.arange(volts.size) * 1e-4, volts + noise), 1e-7 / conductance, 1e-7 / (conductance - 1e-6)


@pytest.mark.parametrize("resistance", [4.7e3, 8.2e3, 1e4, 2.2e4, 4.7e4])
def test_a_time_constant_that_changes_on_the_way_has_an_uncertainty_that_covers_the_change(resistance: float) -> None:
    """It was stated with an uncertainty ten times smaller than its error."""
    early, late = [], []
    for seed in range(8):
        trace, early_s, late_s = leaky_discharge(resistance, seed)
        found = read_trace(trace, rail_v=3.3, levels=LEVELS, meter=METER, allowed_s=0.05)
        assert found.decay is not None
        assert found.decay.time_constant_s is not None
        assert found.decay.u_s is not None
        assert found.decay.u_s < 0.02 * early_s
        early.append(abs(found.decay.time_constant_s - early_s) / found.decay.u_s)
        late.append(abs(found.decay.time_constant_s - late_s) / found.decay.u_s)
        assert found.edge is not None
        assert abs(found.edge.time_s - 0.02495) <= 2.0 * found.edge.u_s
    assert max(early) <= 2.5
    assert float(np.median(early)) <= 2.0
    if resistance >= 1e4:  # else the noise hides the late part
        assert max(late) <= 2.5


def test_reduced_chi_square_is_one_where_the_noise_is_all_that_is_left() -> None:
    """It was 0.07, with what may be let pass counted as noise."""
    values = [decay(Node(release_tau_s=4e-3, rest_v=1.0, seed=seed)).reduced_chi_square or 0.0 for seed in range(40)]
    assert 0.8 < float(np.mean(values)) < 1.25
    assert max(values) < 3.0


def test_the_uncertainty_of_a_time_constant_is_told_by_its_parts() -> None:
    """Of white noise nearly every sample is worth one; a clean exponential hardly changes on its way."""
    found = decay(Node(release_tau_s=5e-3, noise_v=1e-3, rest_v=1.0))
    assert found.u_s is not None
    assert found.dof is not None
    assert 0.0 <= found.u_model_s <= found.u_s
    assert 0.5 < found.dof / len(made(Node(release_tau_s=5e-3)).time_s) < 1.0
