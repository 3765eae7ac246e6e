"""A plain leak is a straight line through the settled points, and a curve is never taken for one."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from results.analysis.budgets.error_model import BENCH_LOAD, resistor_source
from results.analysis.findings import Value
from results.analysis.leak_line import LinePoint, average, fit_line, generalised_least_squares
from results.analysis.leakage import rest_point
from results.analysis.load_line import NetCurrent
from results.record.trace import FloatArray
from results.record.trial import Resistor
from tests.results.analysis.made_pins import RESISTORS, RULES, V_IL, d1, d2, d4, rest_voltage

METER_S = 1e-7
GAIN_U = 1e-4 / math.sqrt(3)
OWN_U_V = 0.5e-3 / math.sqrt(3)

# NIST StRD, linear regression, dataset Norris: y, x, y, x, ...
# fmt: off
NORRIS = np.array([
    0.1, 0.2, 338.8, 337.4, 118.1, 118.2, 888.0, 884.6, 9.2, 10.1, 228.1, 226.5, 668.5, 666.3, 998.5, 996.3,
    449.1, 448.6, 778.9, 777.0, 559.2, 558.2, 0.3, 0.4, 0.1, 0.6, 778.1, 775.5, 668.8, 666.9, 339.3, 338.0,
    448.9, 447.5, 10.8, 11.6, 557.7, 556.0, 228.3, 228.1, 998.0, 995.8, 888.8, 887.6, 119.6, 120.2, 0.3, 0.3,
    0.6, 0.3, 557.6, 556.8, 339.3, 339.1, 888.0, 887.2, 998.5, 999.0, 778.9, 779.0, 10.2, 11.1, 117.6, 118.3,
    228.9, 229.2, 668.4, 669.1, 449.2, 448.9, 0.2, 0.5,
]).reshape(-1, 2)
# fmt: on


def points_of(net: NetCurrent, *, tolerance: float = 0.01) -> list[LinePoint]:
    """The settled points above V_IL/2 of a made pin."""
    found = []
    for resistor in RESISTORS:
        volts = rest_voltage(net, resistor.conductance_s + METER_S)
        if volts > 0.5 * V_IL:
            rest = rest_point(Value(volts, OWN_U_V), replace(resistor, tolerance=tolerance), METER_S, 0.0)
            found.append(LinePoint(rest, OWN_U_V))
    return found


def test_unweighted_fit_reproduces_norris() -> None:
    """NIST StRD Norris: certified values to 1e-9."""
    y, x = NORRIS[:, 0], NORRIS[:, 1]
    fit = generalised_least_squares(np.column_stack([np.ones_like(x), x]), y, np.eye(x.size))
    residual_sd = math.sqrt(fit.chi_square / (x.size - 2))
    assert x.size == 36
    assert fit.parameters == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-9)
    assert residual_sd == pytest.approx(0.884796396144373, rel=1e-9)
    deviations = residual_sd * np.sqrt(np.diag(fit.covariance))
    assert deviations == pytest.approx([0.232818234301152, 0.429796848199937e-3], rel=1e-9)


def test_unweighted_fit_through_the_origin_reproduces_noint1() -> None:
    """NIST StRD NoInt1: y = 130..140 on x = 60..70."""
    y, x = np.arange(130.0, 141.0), np.arange(60.0, 71.0)
    fit = generalised_least_squares(x[:, None], y, np.eye(x.size))
    residual_sd = math.sqrt(fit.chi_square / 10)
    assert fit.parameters[0] == pytest.approx(2.07438016528926, rel=1e-9)
    assert residual_sd == pytest.approx(3.56753034006338, rel=1e-9)
    assert residual_sd * math.sqrt(fit.covariance[0, 0]) == pytest.approx(0.165289256198347e-1, rel=1e-9)


def test_a_common_error_moves_all_points_and_is_not_averaged_away() -> None:
    fit = generalised_least_squares(np.ones((4, 1)), np.zeros(4), np.eye(4) * 0.01 + 1.0)
    assert fit.covariance[0, 0] == pytest.approx(1.0 + 0.01 / 4, rel=1e-12)


def test_a_plain_leak_passes_and_gives_back_leak_and_pull_down() -> None:
    line = fit_line(points_of(d4), GAIN_U, RULES)
    assert (line.points, line.dof, line.passes, line.reason) == (3, 1, True, "")
    assert line.leak_a is not None
    assert line.pull_down_s is not None
    assert line.leak_a.value == pytest.approx(34e-6, rel=1e-3)
    assert 1 / line.pull_down_s.value == pytest.approx(64e3, rel=1e-3)


@pytest.mark.parametrize(("net", "points"), [(d1, 4), (d2, 3)], ids=["d1", "d2"])
def test_a_mid_level_leak_is_no_straight_line(net: NetCurrent, points: int) -> None:
    line = fit_line(points_of(net), GAIN_U, RULES)
    assert (line.points, line.passes) == (points, False)
    assert line.reason == "not a straight line: lack of fit p < 0.001, refused below 0.05"


def test_a_straight_line_that_implies_an_impossible_pull_down_is_refused() -> None:
    def strong(volts: FloatArray) -> FloatArray:
        return 200e-6 - volts / 10e3

    line = fit_line(points_of(strong), GAIN_U, RULES)
    assert line.p_value is not None
    assert line.p_value > 0.05
    assert not line.passes
    assert line.reason == "the line implies a pull-down of 10 kΩ, outside the plan's range 30 kΩ to 90 kΩ"


def test_two_points_are_no_test_of_a_line() -> None:
    line = fit_line(points_of(d4)[:2], GAIN_U, RULES)
    assert (line.passes, line.leak_a, line.p_value) == (False, None, None)
    assert line.reason == "2 resistors with a settled point above V_IL/2, at least 3 needed"


def test_points_without_uncertainty_cannot_be_tested() -> None:
    points = [LinePoint(point.rest, 0.0) for point in points_of(d4, tolerance=0.0)]
    line = fit_line(points, 0.0, RULES)
    assert not line.passes
    assert line.reason == "the points carry no uncertainty or coincide: a fit cannot be tested"


@pytest.mark.parametrize("alike", [False, True], ids=["each its own", "all alike"])
def test_stated_uncertainties_cover_the_truth_and_the_test_refuses_one_in_twenty(alike: bool) -> None:
    """Monte Carlo: 400 benches with their own resistors, gain and offsets, seeded (JCGM 101).

    Resistors of one lot may all be off by the same; that used to be left out, and the truth missed one time in three.
    """
    rng = np.random.default_rng(20)
    resistors = (*RESISTORS[:3], Resistor("33 kΩ", 33e3, 0.01), Resistor("68 kΩ", 68e3, 0.01))
    gain_u, own_u = 2e-3, 1e-3
    missed, refused = [], 0
    for _ in range(400):
        gain, common = rng.normal(0.0, gain_u), rng.normal(0.0, 0.01 / math.sqrt(3))
        points = []
        for resistor in resistors:
            true_s = resistor.conductance_s + rng.normal(0.0, resistor.conductance_u_s)
            if alike:
                true_s = resistor.conductance_s * (1.0 + common)
            true_v = 34e-6 / (true_s + METER_S + 1 / 64e3)
            read_v = true_v * (1 + gain) + rng.normal(0.0, own_u)
            points.append(LinePoint(rest_point(Value(read_v, own_u), resistor, METER_S, 0.0), own_u))
        line = fit_line(points, gain_u, RULES)
        assert line.leak_a is not None
        assert line.pull_down_s is not None
        required = line.leak_a.value / V_IL - line.pull_down_s.value
        u = math.sqrt((line.leak_a.u / V_IL) ** 2 + line.pull_down_s.u**2 - 2 * line.covariance / V_IL)
        missed.append((required - (34e-6 / V_IL - 1 / 64e3)) / u)
        refused += line.p_value is not None and line.p_value < 0.05
    # Standard errors with 400 draws: 0.035 of a unit deviation, 0.05 of the mean, 4.4 of 20 refusals. Which of the two
    # cases it is nobody knows, so that the worse one is covered and the other one over-covered.
    assert np.std(missed) == pytest.approx(0.8 if alike else 0.6, abs=0.12)
    assert np.mean(np.abs(missed) < 2.0) > 0.95
    assert abs(np.mean(missed)) < 0.17
    assert refused <= 35
    assert alike or refused >= 7


def test_repeats_shrink_the_noise_but_not_what_they_share() -> None:
    touch = [Value(2.0 + 1e-3 * sign, math.hypot(1e-3, 3e-3)) for sign in (-1, 1, -1, 1)]
    rests = [rest_point(volts, RESISTORS[1], METER_S, 0.0) for volts in touch]
    mean = average([(rest, 1e-3) for rest in rests], gain_u=1e-3)
    scatter = np.var([-1e-3, 1e-3, -1e-3, 1e-3], ddof=1) / 4
    assert mean.rest.touch.value == pytest.approx(2.0, rel=1e-12)
    assert mean.rest.touch.u == pytest.approx(math.sqrt(3e-3**2 + scatter), rel=1e-9)
    assert mean.own_u_v == pytest.approx(math.sqrt(3e-3**2 - 2e-3**2 + scatter), rel=1e-9)


def test_a_series_resistance_on_the_board_does_not_bend_the_line() -> None:
    """The same pin behind 4.7 kΩ: leak and pull-down are those of the pin."""
    points = []
    for resistor in RESISTORS[:3]:
        volts = rest_voltage(d4, resistor.conductance_s + METER_S, series_ohm=4700.0)
        points.append(LinePoint(rest_point(Value(volts, OWN_U_V), resistor, METER_S, 4700.0), OWN_U_V))
    line = fit_line(points, GAIN_U, RULES)
    assert line.passes
    assert line.leak_a is not None
    assert line.pull_down_s is not None
    assert line.leak_a.value == pytest.approx(34e-6, rel=1e-3)
    assert 1 / line.pull_down_s.value == pytest.approx(64e3, rel=2e-3)


@pytest.mark.parametrize("load_u", [0.0, 0.03])
def test_the_parts_of_a_line_come_to_its_uncertainties_and_covariance(load_u: float) -> None:
    """Meter gain, each reading, each resistor, and the bench's load, which moves the pull-down alone."""
    resistors = (Resistor("none", None), Resistor("47 kΩ", 47e3, 0.01), Resistor("22 kΩ", 22e3, 0.01))
    points = []
    for resistor in resistors:
        volts = 34e-6 / (resistor.conductance_s + 1e-7 + 1 / 64e3)
        rest = rest_point(Value(volts, 4e-4), resistor, 1e-7, 0.0, load_u * 1e-7)
        points.append(average([(rest, 1e-4), (rest, 1e-4)], 1e-4, resistor_source(resistor)))
    line = fit_line(points, 1e-4, RULES)
    assert line.leak_a is not None
    assert line.pull_down_s is not None
    leak = [part.leak_a * part.source.u for part in line.parts]
    inside = [part.pull_down_s * part.source.u for part in line.parts]
    assert math.hypot(*leak) == pytest.approx(line.leak_a.u, rel=1e-9, abs=0.0)
    assert math.hypot(*inside) == pytest.approx(line.pull_down_s.u, rel=1e-9, abs=0.0)
    assert sum(a * b for a, b in zip(leak, inside, strict=True)) == pytest.approx(line.covariance, rel=1e-6, abs=0.0)
    by_load = [part for part in line.parts if part.source.name == BENCH_LOAD]
    assert len(by_load) == (load_u > 0.0)
    for part in by_load:
        assert part.pull_down_s * part.source.u == pytest.approx(-load_u * 1e-7, rel=1e-9, abs=0.0)
        assert abs(part.leak_a * part.source.u) < 1e-9 * line.leak_a.value
