"""A contact makes and breaks late, bounces, and ends as commanded unless it is welded or dead."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from drivers.simulated.board_file import ContactPart
from drivers.simulated.contact import Contact
from drivers.simulated.randomness import generator


def _bouncy() -> ContactPart:
    return ContactPart(operate_s=1e-3, release_s=0.5e-3, closing_bounces=4, opening_bounces=2, bounce_s=0.4e-3)


@pytest.mark.parametrize("close", [True, False])
def test_the_last_edge_leaves_the_contact_as_commanded(close: bool) -> None:
    counts = set()
    for seed in range(200):
        edges = Contact("press", _bouncy()).command(close, 1.0, generator(seed, "", "contact press 1"))
        times = [edge.time_s for edge in edges]
        counts.add((len(edges) - 1) // 2)
        assert edges[0].closed is close
        assert edges[-1].closed is close
        assert all(a.closed != b.closed for a, b in pairwise(edges))
        assert times == sorted(times)
        assert times[-1] - times[0] <= 0.4e-3
    assert counts == set(range(5 if close else 3))


def test_operate_and_release_time_spread_about_their_own_nominals() -> None:
    kind = ContactPart(operate_s=1e-3, release_s=0.5e-3, spread=0.2)
    delays = [Contact("press", kind).command(True, 0.0, np.random.default_rng(s))[0].time_s for s in range(300)]
    releases = [Contact("press", kind).command(False, 0.0, np.random.default_rng(s))[0].time_s for s in range(300)]

    assert 0.8e-3 <= min(delays) < 0.83e-3
    assert 1.17e-3 < max(delays) <= 1.2e-3
    assert np.mean(releases) == pytest.approx(0.5e-3, rel=0.03)


def test_a_welded_contact_stays_closed_and_reports_what_it_was_told() -> None:
    contact = Contact("press", _bouncy(), "welded")

    assert contact.closed
    assert contact.command(False, 0.0, np.random.default_rng(1)) == []
    assert contact.closed
    assert contact.commanded is False
    assert contact.resistance_ohm == 0.1


def test_a_dead_contact_never_closes() -> None:
    contact = Contact("press", _bouncy(), "never closes")

    assert contact.command(True, 0.0, np.random.default_rng(1)) == []
    assert not contact.closed
    assert contact.resistance_ohm == 1e12


def test_draws_follow_from_seed_label_and_purpose_alone() -> None:
    first = generator(7, "D1 none 1", "contact press 1").random(3)
    generator(7, "D1 none 1", "noise 1").random(1000)

    assert np.array_equal(first, generator(7, "D1 none 1", "contact press 1").random(3))
    for other in (
        generator(8, "D1 none 1", "contact press 1"),
        generator(7, "D1 none 2", "contact press 1"),
        generator(7, "D1 none 1", "contact press 2"),
    ):
        assert not np.array_equal(first, other.random(3))
