"""A pull-down is told in four ways, each within its uncertainty, and compared where they speak of the same voltage."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from results.analysis.analysis import analyse
from results.analysis.found.pull_down_ways import PullDownWay, PullDownWays
from results.record.run_record import Fixture
from results.record.trial import Condition, Pin
from tests.procedures.curve_bench import Law, linear, mos
from tests.results.analysis.made_ways import made_run, made_trials, told, ways_of

ALL = [
    "low-voltage sweep",
    "time constant",
    "several resistors",
    "divider with the press resistor",
    "sweep at the rail",
]
TRANSISTOR = mos(12e-6, 1.6)


def way(ways: PullDownWays, name: str) -> PullDownWay:
    return next(one for one in ways.ways if one.name == name)


@pytest.mark.parametrize(("pull_down", "bend"), [(linear(60e3), 0.0), (TRANSISTOR, 1.0 / 3.2)], ids=["resistor", "mos"])
@pytest.mark.parametrize("to_ground", [False, True], ids=["to the rail", "to ground"])
def test_every_way_finds_the_pull_down_at_its_voltage_within_u(pull_down: Law, bend: float, to_ground: bool) -> None:
    """k = 12 µA/V², V_ov = 1.6 V: 52 kΩ at 0 V, 215 kΩ at the rail. Nodes by scipy's solve_ivp, errors in limits.

    To ground the pull-up counts from the rail down, the meter still loads to ground, and the rail is read, too.
    """
    off: dict[str, list[float]] = {name: [] for name in [*ALL, "bend"]}
    for seed in range(5):
        ways = ways_of(made_run(pull_down, seed, to_ground=to_ground))
        assert told(ways) == ALL
        for one in ways.ways:
            assert one.conductance is not None
            at_v = (3.3 - one.at_v if to_ground else one.at_v) or 1e-6
            off[one.name].append((one.conductance.value - pull_down(at_v) / at_v) / one.conductance.u)
        assert ways.bend is not None
        off["bend"].append((ways.bend.value - bend) / ways.bend.u)
        assert ways.is_resistor is (bend == 0.0)
        assert ways.disagreeing == ()
        assert len(ways.comparisons) == 3 + 1 + 1
    assert max(abs(value) for values in off.values() for value in values) < 2.6
    assert {name: round(float(np.sqrt(np.mean(np.square(v)))), 1) for name, v in off.items() if np.std(v) > 1.6} == {}


def test_a_way_that_is_off_is_told_by_its_normalised_error() -> None:
    """A node twice as large as stated: the time constant alone speaks of half the conductance."""
    record, made = made_trials(linear(60e3), 1)
    [pin] = record.pins
    assert pin.node_capacitance_f is not None
    wrong = replace(pin, node_capacitance_f=0.5 * pin.node_capacitance_f)
    finding = analyse(replace(record, pins=(wrong,)), made)
    assert "ways to the pull-down disagree on D1" in finding.notes
    ways = ways_of(finding)
    assert {(pair.first, pair.second) for pair in ways.disagreeing} == {
        ("low-voltage sweep", "time constant"),
        ("time constant", "several resistors"),
        ("capacitance by several resistors", "capacitance as stated"),
    }


def test_what_two_ways_share_is_not_counted_twice() -> None:
    """The bare node's decays are in both ways by the time constant; the meter's gain drops out of a divider."""
    ways = ways_of(made_run(linear(60e3), 1))
    pair = next(one for one in ways.comparisons if (one.first, one.second) == ("time constant", "several resistors"))
    first, second = way(ways, pair.first).conductance, way(ways, pair.second).conductance
    assert first is not None
    assert second is not None
    assert {name for name in first.parts if name in second.parts} >= {"decay of trial 3", "decay of trial 4"}
    assert pair.u < np.hypot(first.u, second.u)
    divider = way(ways, "divider with the press resistor").conductance
    assert divider is not None
    assert abs(divider.parts["meter gain"]) < 1e-6 * divider.u
    assert divider.parts["bench load"] == 0.0


def test_the_gains_of_both_instruments_enter_a_sweep_with_their_signs() -> None:
    """G = I/V: 0.05 % of the source raises it, 0.01 % of the meter lowers it, each rectangular."""
    low = way(ways_of(made_run(linear(60e3), 1)), "low-voltage sweep").conductance
    rail = way(ways_of(made_run(linear(60e3), 1)), "sweep at the rail").conductance
    for found in (low, rail):
        assert found is not None
        assert found.parts["source gain"] == pytest.approx(5e-4 / np.sqrt(3.0) * found.value, rel=0.02)
        assert found.parts["meter gain"] == pytest.approx(-1e-4 / np.sqrt(3.0) * found.value, rel=0.02)


def test_a_way_that_cannot_be_told_says_why() -> None:
    record, made = made_trials(linear(60e3), 1, swept=False)
    ways = ways_of(analyse(record, made))
    assert told(ways) == ALL[1:4]
    assert way(ways, "low-voltage sweep").note == ways.bend_note == "no sweep was planned in this setup"
    unknown = ways_of(analyse(replace(record, pins=(Pin("D1", 100e-9),), fixture=Fixture(0.0, 120e-12)), made))
    assert way(unknown, "time constant").note == (
        "the capacitance on the node is not known: node_capacitance_tolerance of the pin is not stated, "
        "capacitance_tolerance of the fixture is not stated"
    )
    recorded = ways_of(analyse(replace(record, origin="recorded", fixture=Fixture()), made))
    # Recorded elsewhere, the plan's capacitance is all that there was on the node.
    assert way(recorded, "time constant").conductance is not None
    series = ways_of(analyse(replace(record, pins=(replace(record.pins[0], series_ohm=100.0),)), made))
    assert "makes two nodes of one" in way(series, "time constant").note


def test_with_the_buffer_on_a_leak_that_is_left_is_said_to_be_in_it() -> None:
    ways = ways_of(made_run(linear(60e3), 1, condition=Condition("reset default", 3.3)))
    assert not ways.alone
    assert (ways.bend, ways.is_resistor) == (None, None)
    low = way(ways, "low-voltage sweep")
    assert low.note == "read up to 0.2 V, with the buffer on: a leak that is left there makes it look smaller"
    assert low.conductance is not None
    assert abs(low.conductance.value - 1.0 / 60e3) < 2.0 * low.conductance.u
