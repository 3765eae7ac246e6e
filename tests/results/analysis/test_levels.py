"""The held level is found among the levels of a trace, from the samples or near where it was measured."""

from __future__ import annotations

import pytest

from results.analysis.levels import View, held_level, viewed
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
