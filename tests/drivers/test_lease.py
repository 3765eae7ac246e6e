"""The guard is told the shortest of all leases, so that what ends one never covers another."""

from __future__ import annotations

import pytest

from drivers.lease import Leases
from tests.drivers.scripted import Rig
from tests.drivers.test_hold import prepared


def test_the_guard_hears_the_shortest_and_none_only_once_the_last_has_ended() -> None:
    told: list[float | None] = []
    leases = Leases(told.append)
    press, hold = leases.of("press"), leases.of("hold")
    hold(10.0)
    press(2.0)
    press(30.0)
    assert told[:2] == [10.0, 2.0]
    assert told[2] == pytest.approx(10.0, abs=0.5)
    hold(None)
    assert told[3] == pytest.approx(30.0, abs=0.5)
    press(None)
    assert told[4:] == [None]


def test_a_lease_that_the_guard_does_not_take_is_none() -> None:
    def gone(seconds: float | None) -> None:
        if seconds is not None and seconds < 5.0:
            raise OSError("gone")
        told.append(seconds)

    told: list[float | None] = []
    leases = Leases(gone)
    with pytest.raises(OSError, match="gone"):
        leases.of("press")(1.0)
    leases.of("hold")(7.0)
    assert told == [7.0]


def test_a_hold_that_ends_before_a_press_leaves_the_press_covered() -> None:
    """Used to tell the guard that nothing was energised any more, while the pin was still pressed."""
    told: list[float | None] = []
    bench = prepared(Rig(), leases=told)
    hold = bench.held(["D2"], 3.3)
    hold.__enter__()
    bench.select("D1")
    with bench.pressed("D1", "relay", 3.3):
        hold.__exit__(None, None, None)
        assert told[-1] is not None
    assert told[-1] is None


def test_a_press_never_covers_a_hold_for_longer_than_the_hold_may_last() -> None:
    """Used to: each press inside of a hold gave the hold another press time."""
    told: list[float | None] = []
    rig = Rig()
    bench = prepared(rig, leases=told)
    with bench.held(["D2"], 3.3):
        bench.select("D1")
        with bench.pressed("D1", "relay", 3.3):
            assert told[-1] is not None
            assert told[-1] < 10.0


def test_a_relay_of_the_bare_bus_that_opens_leaves_a_hold_covered() -> None:
    """Used to tell the guard that nothing was energised any more."""
    told: list[float | None] = []
    bench = prepared(Rig(), leases=told)
    with bench.held(["D2"], 3.3):
        with bench.bare() as bus, bus.closed("rail"):
            pass
        assert told[-1] is not None
    assert told[-1] is None
