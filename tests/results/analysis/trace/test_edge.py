"""The release is the last departure from the held level, wherever the node came from and wherever it goes."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from results.analysis.trace.departure import EdgeSearch
from results.analysis.trace.edge import find_edge
from tests.results.analysis.made_traces import Node, made

INF = math.inf


def search(node: Node, hold_v: float | None = None, released_after_s: float | None = None) -> EdgeSearch:
    trace = made(node)
    return find_edge(
        trace.time_s,
        trace.voltage_v,
        rail_v=3.3,
        step_v=node.step_v,
        hold_v=hold_v,
        released_after_s=released_after_s,
    )


FALLS = {
    "in one sample": Node(),
    "already pressed": Node(presses=((-1.0, 0.025),)),
    "stuck from before": Node(low_v=2.03, held_v=3.3, rest_v=2.03),
    "through a resistor": Node(held_v=2.7, rest_v=1.1),
    "50 mV only": Node(rest_v=3.196),
    "50 mV only in noise": Node(rest_v=3.196, noise_v=3e-3),
    "on a low rail": Node(held_v=1.77, rest_v=0.9),
    "coarsely converted": Node(step_v=1e-3, noise_v=1e-4),
    "without noise": Node(noise_v=0.0),
    "with correlated noise": Node(noise_v=3e-3, correlation=0.9),
    "at 5 ms": Node(interval_s=5e-3, length_s=0.5, presses=((0.05, 0.1021),)),
    "at 20 µs": Node(interval_s=2e-5, length_s=0.05),
    "with jitter": Node(jitter=0.3),
}


@pytest.mark.parametrize("name", FALLS)
@pytest.mark.parametrize("hinted", [False, True])
def test_a_release_within_one_sample_is_dated_to_it(name: str, hinted: bool) -> None:
    node = FALLS[name]
    found = search(node, node.held_v if hinted else None)
    assert found.state == "released", found.reason
    assert found.edge is not None
    assert abs(found.edge.time_s - node.released_s) <= 0.51 * node.interval_s * (1.0 + node.jitter)
    assert found.edge.u_s == pytest.approx(node.interval_s / math.sqrt(12.0), rel=0.35)
    assert found.edge.after == found.edge.index + 1
    assert found.edge.held_v == pytest.approx(node.held_v, abs=3.0 * node.noise_v + node.step_v + 1e-6)
    assert not found.edge.rising
    assert found.edge.bounces == 0
    assert found.presses == 1


@pytest.mark.parametrize("tau", [0.01, 0.1, 0.6])
@pytest.mark.parametrize("noise", [1e-4, 1e-3, 5e-3])
def test_a_slow_release_is_dated_at_its_kink(tau: float, noise: float) -> None:
    node = Node(release_tau_s=tau, noise_v=noise)
    found = search(node)
    assert found.edge is not None, found.reason
    assert found.edge.u_s < 1e-3
    assert abs(found.edge.time_s - node.released_s) < 4.0 * found.edge.u_s + 0.55 * node.interval_s


def test_the_uncertainty_of_a_slow_release_covers_its_error() -> None:
    errors = []
    for seed in range(40):
        node = Node(release_tau_s=0.3, noise_v=3e-3, seed=seed)
        found = search(node)
        assert found.edge is not None
        errors.append((found.edge.time_s - node.released_s) / found.edge.u_s)
    assert 0.2 < float(np.sqrt(np.mean(np.square(errors)))) < 2.0


def test_a_bounced_contact_counts_as_one_release() -> None:
    counted = []
    for seed in range(20):
        node = Node(bounce_s=0.005, seed=seed)
        found = search(node)
        assert found.state == "released"
        assert found.edge is not None
        assert found.presses == 1
        counted.append(found.edge.bounces)
    assert max(counted) in (1, 2)
    assert sum(counted) > 10


def test_the_release_is_the_end_of_the_last_bounce() -> None:
    node = Node(presses=((0.005, 0.025), (0.026, 0.028), (0.0285, 0.0301)))
    found = search(node)
    assert found.edge is not None
    assert found.edge.bounces == 2
    assert found.edge.time_s == pytest.approx(0.0301, abs=1e-4)


def test_a_bounce_on_a_large_node_that_does_not_come_all_the_way_back() -> None:
    node = Node(presses=((0.005, 0.025), (0.028, 0.0285)), release_tau_s=0.01, press_tau_s=1e-3)
    found = search(node)
    assert found.edge is not None
    assert found.edge.bounces == 1
    assert found.edge.time_s == pytest.approx(0.0285, abs=3e-4)


@pytest.mark.parametrize("hinted", [False, True])
@pytest.mark.parametrize("tau", [1e-5, 5e-3])
def test_after_a_weak_press_the_node_rises(hinted: bool, tau: float) -> None:
    node = Node(held_v=1.2, rest_v=2.0, release_tau_s=tau)
    found = search(node, 1.2 if hinted else None)
    assert found.edge is not None
    assert found.edge.rising
    assert found.edge.time_s == pytest.approx(0.025, abs=2e-4)
    assert found.edge.held_v == pytest.approx(1.2, abs=1e-3)


def test_the_last_of_two_releases_counts() -> None:
    found = search(Node(presses=((0.005, 0.025), (0.06, 0.08))))
    assert found.edge is not None
    assert found.edge.time_s == pytest.approx(0.08, abs=1e-4)
    assert found.presses == 2
    assert found.notes == ("2 presses in the trace; the last release counts",)


def test_a_press_after_the_release_ends_what_is_read() -> None:
    found = search(Node(presses=((0.005, 0.025), (0.1, INF))))
    assert found.edge is not None
    assert found.edge.time_s == pytest.approx(0.025, abs=1e-4)
    assert 0.098 < found.end * 1e-4 < 0.1
    assert found.notes[0].startswith("pressed again at 0.1")


@pytest.mark.parametrize("tau", [1e-4, 1e-3])
def test_what_is_read_ends_before_a_weak_second_press_bounces(tau: float) -> None:
    """Its first closures, and its charging, do not bring the node to the held level at once."""
    node = Node(presses=((0.005, 0.025), (0.1, 0.1003), (0.1006, 0.101), (0.1013, INF)), press_tau_s=tau)
    found = search(node)
    assert found.edge is not None
    assert found.edge.time_s == pytest.approx(0.025, abs=1e-4)
    assert 0.098 < found.end * 1e-4 <= 0.1


def test_what_only_passes_the_held_level_is_no_press() -> None:
    found = search(Node(low_v=0.0, presses=((0.05, 0.07),), held_v=2.4, rest_v=1.0))
    assert found.presses == 1
    trace = made(Node(low_v=3.3, presses=((0.05, 0.07),), held_v=2.4, rest_v=1.0))
    volts = np.where(
        trace.time_s < 0.01, 3.3 - 330.0 * trace.time_s, np.where(trace.time_s < 0.02, 0.0, trace.voltage_v)
    )
    found = find_edge(trace.time_s, volts, rail_v=3.3)
    assert found.edge is not None
    assert found.edge.held_v == pytest.approx(2.4, abs=1e-3)
    assert found.presses == 1


@pytest.mark.parametrize("node", [Node(presses=((0.005, INF),)), Node(presses=((0.005, INF),), bounce_s=0.004)])
def test_a_node_that_never_leaves_the_press_level(node: Node) -> None:
    found = search(node)
    assert found.state == "held to the end"
    assert found.edge is None
    assert found.level_v == pytest.approx(3.246, abs=1e-3)


@pytest.mark.parametrize("level", [0.0, 2.03, 3.3])
def test_one_level_throughout_is_flat(level: float) -> None:
    for noise, rho in ((4e-4, 0.0), (5e-3, 0.0), (5e-3, 0.95), (0.0, 0.0)):
        node = Node(presses=((-1.0, INF),), held_v=level, noise_v=noise, correlation=rho)
        assert search(node).state == "flat"


def test_one_rise_alone_is_decided_by_the_hold_level_or_the_command_or_not_at_all() -> None:
    """A press that was never released, and a release that rises, look alike."""
    node = Node(presses=((-1.0, 0.025),), held_v=1.2, rest_v=2.0)
    alone = search(node)
    assert alone.state == "unclear"
    assert alone.reason == (
        "one rise, 1.200 V to 2.000 V, may be a press that was never released or a release that rises: "
        "the hold level must be known"
    )
    for found in (search(node, 1.2), search(node, None, 0.024)):
        assert found.edge is not None
        assert found.edge.rising
    held = search(node, 2.0)
    assert held.state == "held to the end"


def test_a_log_that_begins_after_the_release_has_no_edge() -> None:
    node = Node(presses=((-1.0, -0.001),), release_tau_s=0.02)
    found = search(node)
    assert found.state == "unclear"
    assert found.reason.startswith("no release edge: the node moves")


def test_a_slow_drift_is_no_release() -> None:
    node = Node(presses=((-1.0, INF),), drift_v_per_s=-0.5)
    found = search(node)
    assert found.state == "unclear"
    assert found.reason.startswith("no release edge")


def test_both_hints_may_be_wrong_without_harm() -> None:
    node = replace(Node(), rest_v=2.03)
    found = search(node, 5.0, 0.12)
    assert found.edge is not None
    assert found.edge.time_s == pytest.approx(0.025, abs=1e-4)


def test_a_bounce_at_the_release_is_not_the_start_of_the_hold() -> None:
    """Used to look for the release in what followed the bounce, and to find one in the tail of the decay."""
    time = np.arange(0.0, 0.145, 5e-5)
    tau_s, rest_v, held_v = 7e-5, 0.4924, 1.45
    volts = np.where(time < 0.005, 0.0, held_v)
    for opened_s, closed_s in ((0.02518, 0.02558), (0.025664, 1.0)):
        free = (time >= opened_s) & (time < closed_s)
        volts[free] = rest_v + (held_v - rest_v) * np.exp(-(time[free] - opened_s) / tau_s)
    volts += np.random.default_rng(9).normal(0.0, 2e-4, time.size)
    found = find_edge(time, volts, rail_v=1.8, ripple_v=8e-4)
    assert found.edge is not None
    assert found.edge.held_v == pytest.approx(held_v, abs=1e-3)
    assert found.edge.time_s == pytest.approx(0.025664, abs=5e-5)
