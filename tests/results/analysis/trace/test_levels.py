"""The held level is found among the levels of a trace, from the samples or near where it was measured."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from results.analysis.trace.levels import View, _level_near, held_level, viewed
from tests.results.analysis.made_traces import Node, made


def view(node: Node) -> View:
    trace = made(node)
    seen = viewed(trace.time_s, trace.voltage_v, node.step_v, 0.0)
    assert seen is not None
    return seen


def test_the_highest_level_that_the_node_leaves() -> None:
    for node in (Node(), Node(rest_v=2.0), Node(low_v=2.03, rest_v=2.03), Node(held_v=2.7, rest_v=1.0)):
        level, reason = held_level(view(node), 3.3, None, None)
        assert reason == ""
        assert level == pytest.approx(node.held_v, abs=1e-3)


def test_a_weak_press_is_the_first_level_after_the_low_one() -> None:
    for tau in (1e-5, 5e-3, 0.02):
        level, reason = held_level(view(Node(held_v=1.2, rest_v=2.0, release_tau_s=tau)), 3.3, None, None)
        assert reason == ""
        assert level == pytest.approx(1.2, abs=5e-3)


def test_a_stated_hold_level_decides_for_the_mirror_case() -> None:
    """Pressed to ground: high, low, and on its way up again."""
    node = Node(low_v=3.3, held_v=0.05, rest_v=3.3, release_tau_s=5e-3)
    for stated in (0.06, 0.0, 0.13):
        level, reason = held_level(view(node), 3.3, stated, None)
        assert reason == ""
        assert level == pytest.approx(0.05, abs=5e-3)


def test_one_level_gives_no_view_and_a_small_step_does() -> None:
    flat = made(Node(presses=((-1.0, float("inf")),), noise_v=5e-3))
    assert viewed(flat.time_s, flat.voltage_v, 0.0, 0.0) is None
    step = view(Node(presses=((-1.0, 0.05),), rest_v=3.196, noise_v=5e-3))
    assert step.contrast == pytest.approx(0.05, abs=0.03)


def test_where_no_two_samples_agree_there_is_no_level_near_a_guess() -> None:
    scattered = replace(view(Node()), smooth=np.linspace(0.0, 0.2, 12), band=1e-6)
    assert _level_near(scattered, 0.111, 0.3) is None


# The node stands at 3.3 V when the log begins and falls to the level of a weak press within a few samples.
STARTED = Node(presses=((0.0, 0.025),), low_v=3.3, held_v=2.45, rest_v=1.54, interval_s=5e-5)


@pytest.mark.parametrize("release_tau", [9e-6, 2e-3, 0.015])
@pytest.mark.parametrize("press_tau", [3e-5, 1e-4, 3e-4])
@pytest.mark.parametrize("rest", [1.54, 0.0, 2.3])
def test_a_level_only_passed_as_the_log_begins_is_not_the_held_one(
    release_tau: float, press_tau: float, rest: float
) -> None:
    node = replace(STARTED, release_tau_s=release_tau, press_tau_s=press_tau, rest_v=rest)
    level, reason = held_level(view(node), 3.3, None, None)
    assert reason == ""
    assert level == pytest.approx(2.45, abs=5e-3)


def test_a_level_before_the_press_is_not_the_held_one_however_high() -> None:
    for rest in (2.0, 1.0, 0.0):
        level, reason = held_level(view(Node(low_v=3.3, held_v=2.4, rest_v=rest)), 3.3, None, None)
        assert reason == ""
        assert level == pytest.approx(2.4, abs=1e-3)


def test_a_pause_on_the_way_down_is_not_the_held_level() -> None:
    """It is left slowly, as no contact leaves it."""
    time = np.arange(1450) * 1e-4
    since = np.clip(time - 0.025, 0.0, None)
    falling = 2.0 / (1.0 + np.exp((since - 0.02) / 1.5e-3)) + 1.246 * np.exp(-since / 1e-4)
    volts = np.where(time < 0.005, 0.0, falling) + np.random.default_rng(5).normal(0.0, 4e-4, time.size)
    seen = viewed(time, volts, 0.0, 0.0)
    assert seen is not None
    assert held_level(seen, 3.3, None, None)[0] == pytest.approx(3.246, abs=2e-3)


@pytest.mark.parametrize("interval", [2e-5, 1e-4, 1e-3])
def test_noise_alone_shows_no_levels_however_it_is_smoothed(interval: float) -> None:
    """Smoothed over 25 samples, noise differs little between neighbours: that made edges of it."""
    for seed in range(60):
        trace = made(Node(presses=((-1.0, float("inf")),), held_v=0.0, noise_v=1.6e-4, interval_s=interval, seed=seed))
        assert viewed(trace.time_s, trace.voltage_v, 0.0, 0.0) is None
