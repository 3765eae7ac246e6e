"""A release is dated to a sample, to a kink, or said to be hidden in a bounce; it is not refused for that."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from results.analysis.findings import Edge, TraceFinding
from results.analysis.trace.reading import read_trace
from results.quantity import show
from results.record.trace import Trace
from tests.results.analysis.made_traces import LEVELS, METER, Node, made


def read(node: Node) -> tuple[TraceFinding, Edge]:
    found = read_trace(made(node), rail_v=3.3, levels=LEVELS, meter=METER, allowed_s=0.05)
    assert found.problem == ""
    assert found.edge is not None
    return found, found.edge


def test_a_slow_release_after_bounces_is_dated_at_its_own_kink() -> None:
    """The bounces stood in the stretch that the kink was looked for in, and hid it."""
    for seed in range(10):
        node = Node(
            presses=((0.005, 0.02605), (0.02631, 0.0269), (0.02738, 0.0277)),
            press_tau_s=2.6e-5,
            release_tau_s=0.0146,
            interval_s=5e-5,
            seed=seed,
        )
        found, edge = read(node)
        assert edge.time_s == pytest.approx(0.0277, abs=5e-5)
        assert edge.hidden_s == 0.0
        assert found.release_time_s == pytest.approx(0.0146 * math.log(3.246 / 0.8), rel=0.01)


# Sampled every millisecond, the contact closes again between samples: the node hangs, then falls.
HIDDEN = Node(
    presses=((0.005, 0.0262), (0.0268, 0.0271), (0.0276, 0.0281)),
    press_tau_s=1e-3,
    release_tau_s=3e-3,
    interval_s=1e-3,
    rest_v=0.2,
)


@pytest.mark.parametrize("seed", range(5))
def test_a_release_hidden_in_a_bounce_has_an_uncertainty_that_covers_it(seed: int) -> None:
    found, edge = read(replace(HIDDEN, seed=seed))
    assert edge.hidden_s > 1e-3
    assert edge.u_s == pytest.approx(edge.hidden_s / math.sqrt(12.0))
    assert abs(edge.time_s - HIDDEN.released_s) < 2.0 * edge.u_s
    assert (
        found.notes[0]
        == f"when the contact opened cannot be told: taken at {show(edge.time_s, 's')}, u = {show(edge.u_s, 's', 2)}"
    )
    assert found.settled is not None
    assert found.settled.voltage_v == pytest.approx(0.2, abs=3.0 * found.settled.u_v)
    assert found.decay is not None
    assert found.decay.time_constant_s is not None
    assert found.decay.u_s is not None
    assert abs(found.decay.time_constant_s - 3e-3) < 3.0 * found.decay.u_s < 3e-4


def test_a_movement_over_within_the_hidden_time_has_no_time_constant() -> None:
    """Nor an upper bound: it may be slow, and the contact have opened early."""
    node = replace(HIDDEN, release_tau_s=8e-4, rest_v=1.0)
    found, edge = read(node)
    assert edge.hidden_s > 0.0
    assert found.decay is not None
    assert found.decay.time_constant_s is None
    assert found.decay.reason == "the movement is over before the contact is open for certain"


@pytest.mark.parametrize("tau", [9e-6, 1e-4, 2e-3, 0.02])
@pytest.mark.parametrize("interval", [2e-5, 1e-4, 1e-3])
def test_a_clean_release_hides_nothing(tau: float, interval: float) -> None:
    for opens in (0.025, 0.02507, 0.02593):
        for rho in (0.0, 0.9):
            node = Node(presses=((0.005, opens),), release_tau_s=tau, interval_s=interval, correlation=rho, rest_v=1.0)
            assert read(node)[1].hidden_s == 0.0


def test_hum_in_a_log_too_short_to_show_it_hides_no_release() -> None:
    """It carries the level out of the band before the contact opens."""
    for seed in range(20):
        node = Node(presses=((0.005, 0.0266),), length_s=0.0305, hum_v=0.026, release_tau_s=3e-4, seed=seed)
        _, edge = read(node)
        assert edge.hidden_s == 0.0
        assert abs(edge.time_s - 0.0266) < 1.1e-4


def test_a_release_without_any_kink_is_hidden_where_the_node_had_rested() -> None:
    time = np.arange(1450) * 1e-4
    volts = 3.246 * np.exp(-((np.clip(time - 0.06, 0.0, None) / 0.01) ** 4))
    volts = np.where(time < 0.005, 0.0, volts) + np.random.default_rng(3).normal(0.0, 4e-4, time.size)
    found = read_trace(Trace(time, volts), rail_v=3.3, levels=LEVELS, meter=METER, allowed_s=0.05)
    assert found.edge is not None, found.problem
    assert found.edge.time_s == pytest.approx(0.06, abs=2.0 * found.edge.u_s)
    assert found.settled is not None
    assert found.settled.voltage_v == pytest.approx(0.0, abs=1e-3)
