"""The release time runs from the edge until the node is below V_IL for good, and is None where it never is."""

from __future__ import annotations

import math

import pytest

from results.analysis.trace.reading import read_trace
from results.record.run_record import Levels
from tests.results.analysis.made_traces import LEVELS, METER, Node, made


def released(node: Node, levels: Levels = LEVELS) -> float | None:
    return read_trace(made(node), rail_v=3.3, levels=levels, meter=METER, allowed_s=0.05).release_time_s


@pytest.mark.parametrize("tau", [1e-3, 5e-3, 0.02])
@pytest.mark.parametrize("noise", [1e-4, 3e-3])
def test_one_exponential_is_solved_for_v_il(tau: float, noise: float) -> None:
    true = tau * math.log(3.246 / 0.8)
    found = released(Node(release_tau_s=tau, noise_v=noise))
    assert found == pytest.approx(true, abs=0.005 * true + 2e-5)


def test_a_node_still_on_its_way_above_v_il_has_none() -> None:
    assert released(Node(release_tau_s=0.3)) is None


def test_a_node_still_moving_below_v_il_has_one() -> None:
    true = 0.06 * math.log(3.246 / 0.8)
    assert released(Node(release_tau_s=0.06)) == pytest.approx(true, rel=0.01)


def test_a_node_at_rest_above_v_il_has_none_and_just_below_has_one() -> None:
    assert released(Node(rest_v=0.81)) is None
    assert released(Node(rest_v=0.79)) == pytest.approx(0.0, abs=1e-4)


def test_noise_around_v_il_does_not_postpone_the_release() -> None:
    """The node rests 3 mV below V_IL in 5 mV of noise: single samples are above it until the end."""
    for seed in range(10):
        found = released(Node(rest_v=0.797, noise_v=5e-3, release_tau_s=2e-3, seed=seed))
        assert found is not None
        assert found == pytest.approx(2e-3 * math.log((3.246 - 0.797) / 3e-3), abs=2e-3)


def test_hum_around_v_il_does_not_postpone_the_release() -> None:
    for seed in range(10):
        found = released(Node(rest_v=0.78, hum_v=0.05, seed=seed))
        assert found is not None
        assert found < 3e-4
