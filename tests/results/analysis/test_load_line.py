"""Rest points of a leak curve are where it meets the load line, and the fold is where they vanish."""

from __future__ import annotations

import numpy as np
import pytest

from results.analysis.load_line import NetCurrent, RestVoltage, required_conductance, rest_points, settles_at
from results.record.trace import FloatArray
from tests.results.analysis.made_pins import RAIL_V, V_IL, d1, d2, d3, d4, rest_voltage

METER_S = 1e-7


@pytest.mark.parametrize(
    ("net", "ohm", "settled_v"),
    [
        (d1, None, 2.030920839),
        (d1, 47e3, 1.953244149),
        (d1, 22e3, 1.823203173),
        (d1, 10e3, 1.015535547),
        (d2, None, 2.040537953),
        (d2, 22e3, 1.466120331),
        (d4, None, 2.162121467),
        (d4, 47e3, 0.918874554),
        (d4, 22e3, 0.555733529),
        (d4, 4700, 0.147995888),
    ],
)
def test_a_released_node_rests_where_a_circuit_simulator_finds_it(
    net: NetCurrent, ohm: float | None, settled_v: float
) -> None:
    """ngspice transients of the same curves; it stops 10 µV from rest, and carries 1 pS to ground at each node."""
    outside_s = (0.0 if ohm is None else 1.0 / ohm) + METER_S
    assert rest_voltage(net, outside_s) == pytest.approx(settled_v, abs=2e-5)


@pytest.mark.parametrize(
    ("net", "safe_ohm"), [(d1, 9377.773991), (d2, 14119.211606), (d4, 37209.319042)], ids=["d1", "d2", "d4"]
)
def test_the_largest_safe_resistance_lies_at_the_fold_or_at_v_il(net: NetCurrent, safe_ohm: float) -> None:
    """Computed for the same curves beside the circuit simulation."""
    assert 1.0 / required_conductance(net, V_IL, RAIL_V) == pytest.approx(safe_ohm, rel=1e-6)


def test_a_sound_pin_needs_no_conductance() -> None:
    assert required_conductance(d3, V_IL, RAIL_V) == pytest.approx(-1.38346747879e-5, rel=1e-6)


def test_a_mid_level_leak_has_two_stable_rest_points_and_one_unstable_between() -> None:
    points = rest_points(d1, METER_S, -0.05, RAIL_V)
    assert [point.stable for point in points] == [True, False, True]


def test_just_inside_the_fold_the_latch_is_gone_and_just_outside_it_is_there() -> None:
    fold_s = required_conductance(d1, V_IL, RAIL_V)
    assert len(rest_points(d1, fold_s * 1.0001, -0.05, RAIL_V)) == 1
    # The two rest points at the fold are closer together than the grid's step.
    assert [p.stable for p in rest_points(d1, fold_s * (1 - 1e-9), -0.05, RAIL_V)] == [True, False, True]


def test_a_falling_node_stops_at_the_first_rest_point_below() -> None:
    points = (RestVoltage(0.0, True), RestVoltage(0.6, False), RestVoltage(2.0, True))
    assert settles_at(points, 3.3) == 2.0
    assert settles_at(points, 1.9) == 0.6
    assert settles_at(points, -0.1) is None


def test_a_linear_pin_rests_where_ohms_law_says() -> None:
    def linear(volts: FloatArray) -> FloatArray:
        return 20e-6 - volts / 50e3

    points = rest_points(linear, 1e-5, 0.0, RAIL_V)
    assert len(points) == 1
    assert points[0].stable
    assert points[0].voltage_v == pytest.approx(20e-6 / (1 / 50e3 + 1e-5), rel=1e-12)


def test_a_root_on_a_grid_point_counts_once() -> None:
    points = rest_points(lambda volts: -np.asarray(volts) / 1e4, 0.0, -1.0, 1.0, steps=10)
    assert len(points) == 1
    assert points[0].stable
    assert points[0].voltage_v == pytest.approx(0.0, abs=1e-15)


def test_an_empty_range_is_refused() -> None:
    with pytest.raises(ValueError, match="rest points need low < high"):
        rest_points(d1, METER_S, 1.0, 1.0)
