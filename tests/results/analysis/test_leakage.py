"""The net pin current of a settled trial is known from the outside alone."""

from __future__ import annotations

import math

import pytest

from results.analysis.ends import Ends
from results.analysis.findings import Value
from results.analysis.leakage import bench_load, bench_load_u, local_slopes, rest_point, without_load
from results.record.run_record import Fixture, MeterModel
from results.record.trial import NO_RESISTOR, Resistor
from tests.results.analysis.made_pins import METER, d1, d4, rest_voltage

METER_S = 1e-7
R22K = Resistor("22 kΩ", 22e3, 0.01)
NONE = Resistor(NO_RESISTOR, None)


def test_net_current_is_voltage_times_everything_outside() -> None:
    """An independent circuit simulator: 1.823203 V on 22 kΩ and a 10 MΩ meter is 83.05519 µA."""
    point = rest_point(Value(1.8232031733429492, 0.0), R22K, METER_S, 0.0)
    assert point.net_current.value == pytest.approx(8.30551918329229e-05, rel=1e-9)


def test_net_current_carries_resistor_and_voltage_uncertainty() -> None:
    point = rest_point(Value(1.0, 1e-3), R22K, 0.0, 0.0)
    conductance_u = 1 / 22e3 * 0.01 / math.sqrt(3)
    assert point.net_current.u == pytest.approx(math.hypot(conductance_u, 1e-3 / 22e3), rel=1e-12)


def test_leakage_adds_what_the_pull_down_takes_with_the_common_voltage_counted_once() -> None:
    point = rest_point(Value(2.0, 1e-3), R22K, 0.0, 0.0)
    leak = point.leakage(Value(1 / 60e3, 1e-6))
    assert leak.value == pytest.approx(2.0 / 22e3 + 2.0 / 60e3, rel=1e-12)
    parts = (1e-3 * (1 / 22e3 + 1 / 60e3), 2.0 * R22K.conductance_u_s, 2.0 * 1e-6)
    assert leak.u == pytest.approx(math.hypot(*parts), rel=1e-12)


def test_uncertainties_agree_with_an_independent_propagation() -> None:
    """The `uncertainties` package, on the whole network with a series resistance."""
    from uncertainties import ufloat

    volts, fitted, inside = ufloat(1.5, 2e-3), ufloat(1 / 22e3, R22K.conductance_u_s), ufloat(1 / 60e3, 2e-6)
    outside = fitted + METER_S
    expected = volts * outside + volts * (1 + 470.0 * outside) * inside
    point = rest_point(Value(1.5, 2e-3), R22K, METER_S, 470.0)
    leak = point.leakage(Value(1 / 60e3, 2e-6))
    assert (leak.value, leak.u) == pytest.approx((expected.nominal_value, expected.std_dev), rel=1e-9)
    at_pin = volts * (1 + 470.0 * outside)
    assert (point.pin.value, point.pin.u) == pytest.approx((at_pin.nominal_value, at_pin.std_dev), rel=1e-9)


def test_current_out_of_the_pin_lifts_the_pin_above_what_can_be_touched() -> None:
    """A plain leak behind 1 kΩ: simulated at the pin, read outside, computed back."""
    touched_v = rest_voltage(d4, 1 / 22e3 + METER_S, series_ohm=1000.0)
    point = rest_point(Value(touched_v, 0.0), R22K, METER_S, 1000.0)
    assert point.pin.value > touched_v
    # Nothing of the leak depends on the voltage here, so the pin's own equation must close.
    assert point.net_current.value == pytest.approx(34e-6 - point.pin.value / 64e3, rel=1e-4)


def test_the_meters_load_is_taken_off_exactly_where_the_slope_is_known() -> None:
    loaded_v = rest_voltage(d4, METER_S)
    point = rest_point(Value(loaded_v, 0.0), NONE, METER_S, 0.0)
    alone = without_load(point, METER_S, Value(-1 / 64e3, 0.0), 90e3)
    assert alone.value == pytest.approx(34e-6 * 64e3, abs=1e-4)
    assert alone.value - loaded_v > 0.01
    assert alone.u == 0.0


def test_without_a_slope_the_load_goes_into_the_uncertainty() -> None:
    """The weakest pull-down bounds the shift: 2 V · 0.1 µS · 90 kΩ = 18 mV, rectangular."""
    point = rest_point(Value(2.0, 0.0), NONE, METER_S, 0.0)
    alone = without_load(point, METER_S, None, 90e3)
    assert alone.value == pytest.approx(2.0 + 0.009, rel=1e-12)
    assert alone.u == pytest.approx(0.009 / math.sqrt(3), rel=1e-12)


def test_the_chord_to_the_nearest_resistor_gives_the_slope_of_the_upper_branch() -> None:
    points = [
        rest_point(Value(rest_voltage(d1, r.conductance_s + METER_S), 4e-4), r, METER_S, 0.0)
        for r in (NONE, Resistor("47 kΩ", 47e3), Resistor("8.2 kΩ", 8.2e3))
    ]
    slopes = local_slopes(points, above_v=0.8)
    assert set(slopes) == {NO_RESISTOR, "47 kΩ"}
    expected = (points[1].net_current.value - points[0].net_current.value) / (points[1].pin.value - points[0].pin.value)
    assert slopes[NO_RESISTOR].value == pytest.approx(expected, rel=1e-12)
    true_alone = rest_voltage(d1, 0.0)
    alone = without_load(points[0], METER_S, slopes[NO_RESISTOR], 90e3)
    assert abs(alone.value - true_alone) < 2 * math.sqrt(alone.u**2 - 4e-4**2)


def test_points_that_noise_could_swap_give_no_slope() -> None:
    points = [rest_point(Value(2.0, 1e-3), NONE, METER_S, 0.0), rest_point(Value(1.999, 1e-3), R22K, METER_S, 0.0)]
    assert local_slopes(points, above_v=0.8) == {}


def test_a_chord_that_rises_is_no_slope_of_a_stable_branch() -> None:
    points = [rest_point(Value(2.0, 1e-4), R22K, METER_S, 0.0), rest_point(Value(1.0, 1e-4), NONE, METER_S, 0.0)]
    assert points[0].net_current.value > points[1].net_current.value
    assert local_slopes(points, above_v=0.8) == {}


def test_load_of_the_bench() -> None:
    assert bench_load(METER, Fixture(conductance_s=1e-10)) == pytest.approx(1.001e-7, rel=1e-12)
    assert bench_load(MeterModel(0.0, 0.0, input_ohm=None), Fixture(1e-10)) is None


def test_a_load_known_to_some_per_cent_takes_its_part_of_what_it_moves_the_node() -> None:
    """A load of 0.1 µS ± 5 % (u) that is taken off moves the node by some 13 mV, to 5 % of which that is known."""
    point = rest_point(Value(2.0, 0.0), NONE, METER_S, 0.0, 0.05 * METER_S)
    alone = without_load(point, METER_S, Value(-1 / 64e3, 0.0), 90e3)
    shift_v = 2.0 * METER_S * 64e3
    assert alone.value == pytest.approx(2.0 + shift_v, rel=1e-9, abs=0.0)
    assert alone.u == pytest.approx(0.05 * shift_v, rel=1e-9, abs=0.0)
    assert point.net_current.u == pytest.approx(2.0 * 0.05 * METER_S, rel=1e-9, abs=0.0)


def test_tolerances_of_the_load_are_limits() -> None:
    meter, fixture = (
        MeterModel(0.0, 0.0, input_ohm=10e6, input_tolerance=0.01),
        Fixture(1e-8, conductance_tolerance=0.5),
    )
    assert bench_load_u(meter, fixture) == pytest.approx(math.hypot(1e-9, 5e-9) / math.sqrt(3.0), rel=1e-12, abs=0.0)
    assert bench_load_u(METER, Fixture(1e-8)) == 0.0


def test_what_all_outside_takes_agrees_with_an_independent_propagation() -> None:
    """The `uncertainties` package: a resistor to a rail that was read, a meter to ground, 470 Ω in series.

    In a mirror image at 3.3 V: the resistor ends at 2 mV with u 0.3 mV, the meter at 3.3 V.
    """
    from uncertainties import ufloat

    volts, fitted, end = ufloat(1.5, 2e-3), ufloat(1 / 22e3, R22K.conductance_u_s), ufloat(2e-3, 0.3e-3)
    expected = (volts * (fitted + 1e-6) - fitted * end - 1e-6 * 3.3) / (1 + 470.0 * (fitted + 1e-6))
    point = rest_point(Value(0.0, 0.0), R22K, 1e-6, 470.0, ends=Ends(3.3, 2e-3, 0.3e-3))
    taken = point.taken_at(Value(1.5, 2e-3))
    assert (taken.value, taken.u) == pytest.approx((expected.nominal_value, expected.std_dev), rel=1e-9)
