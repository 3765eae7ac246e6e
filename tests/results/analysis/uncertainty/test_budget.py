"""Budgets against the worked examples of the Guide (JCGM 100:2008): the same functions that a run goes through."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from results.analysis.uncertainty.budget import (
    Correlation,
    Source,
    correlation,
    coverage_factor,
    means_of,
    propagate,
    rectangular,
)
from tests.results.analysis.guide_examples import END_GAUGE, end_gauge

H2_READINGS = np.array(
    [
        [5.007, 19.663e-3, 1.0456],
        [4.994, 19.639e-3, 1.0438],
        [5.005, 19.640e-3, 1.0468],
        [4.990, 19.685e-3, 1.0428],
        [4.999, 19.678e-3, 1.0433],
    ]
)
"""JCGM 100:2008, table H.2: five sets of voltage (V), current (A) and phase (rad), read together."""


def test_the_end_gauge_of_the_guide() -> None:
    """JCGM 100:2008, H.1: 50.000 838 mm, u 32 nm, 16.7 degrees of freedom (its own rounding; 16.75 unrounded)."""
    budget = propagate("length", "nm", END_GAUGE, end_gauge)
    assert budget.value == pytest.approx(50_000_838.0, abs=0.5)
    assert budget.u == pytest.approx(32.0, abs=0.5)
    assert budget.effective_dof == pytest.approx(16.7, abs=0.1)


def test_what_each_source_contributes_to_the_end_gauge() -> None:
    """JCGM 100:2008, table H.1, in nm: 25, 9.7 for the comparison, 2.9, 16.6, and nothing in first order by the mean
    temperature."""
    parts = {p.source.name: abs(p.amount) for p in propagate("length", "nm", END_GAUGE, end_gauge).contributions}
    assert parts["standard"] == pytest.approx(25.0)
    compared = [parts[name] for name in ("repeated comparison", "comparator, random", "comparator, systematic")]
    assert math.hypot(*compared) == pytest.approx(9.7, abs=0.05)
    assert parts["difference of expansion"] == pytest.approx(2.9, abs=0.05)
    assert parts["difference of temperature"] == pytest.approx(16.6, abs=0.05)
    assert parts["expansion of the standard"] == parts["mean temperature"] == 0.0


def test_the_coverage_factor_is_that_of_the_t_distribution() -> None:
    """JCGM 100:2008, table G.2: 95.45 % for 1, 10, 16 and infinite degrees of freedom; 99 % for 16 (H.1.6)."""
    assert [round(coverage_factor(dof), 2) for dof in (1.0, 10.0, 16.0)] == [13.97, 2.28, 2.17]
    assert coverage_factor(math.inf) == pytest.approx(2.0, abs=1e-4)
    assert round(coverage_factor(16.0, 0.99), 2) == 2.92


def test_effective_degrees_of_freedom_of_a_product() -> None:
    """JCGM 100:2008, G.4.1, example: means of 10, 5 and 15 readings, 0.25 %, 0.57 % and 0.82 %: u 1.03 %, ν 19.0
    (memory)."""
    sources = [
        Source("x1", "A", "t", 0.0025, 9.0, 1.0),
        Source("x2", "A", "t", 0.0057, 4.0, 1.0),
        Source("x3", "A", "t", 0.0082, 14.0, 1.0),
    ]
    budget = propagate("product", "1", sources, lambda x: x["x1"] * x["x2"] * x["x3"])
    assert budget.u == pytest.approx(0.0103, abs=0.00005)
    assert budget.effective_dof == pytest.approx(19.0, abs=0.05)
    assert budget.expanded == pytest.approx(coverage_factor(19.0) * 0.0103, rel=0.01)


def resistance_reactance_impedance() -> list[Any]:
    from uncertainties import umath

    sources, pairs = means_of(("voltage", "current", "phase"), H2_READINGS)
    models = {
        "R": lambda x: x["voltage"] / x["current"] * umath.cos(x["phase"]),
        "X": lambda x: x["voltage"] / x["current"] * umath.sin(x["phase"]),
        "Z": lambda x: x["voltage"] / x["current"],
    }
    return [propagate(name, "Ω", sources, model, pairs) for name, model in models.items()]


def test_resistance_and_reactance_from_the_raw_readings() -> None:
    """JCGM 100:2008, H.2, table H.4: R 127.732(71) Ω, X 219.847(295) Ω, Z 254.260(236) Ω."""
    published = [(127.732, 0.071), (219.847, 0.295), (254.260, 0.236)]
    for budget, (value, u) in zip(resistance_reactance_impedance(), published, strict=True):
        assert budget.value == pytest.approx(value, abs=0.0006)
        assert budget.u == pytest.approx(u, abs=0.0006)


def test_quantities_from_the_same_readings_are_correlated() -> None:
    """JCGM 100:2008, H.2, table H.4: r(R, X) −0.588, r(R, Z) −0.485, r(X, Z) 0.993."""
    r, x, z = resistance_reactance_impedance()
    assert [round(correlation(*pair), 3) for pair in ((r, x), (r, z), (x, z))] == [-0.588, -0.485, 0.993]


def test_readings_taken_together_keep_their_correlation() -> None:
    """JCGM 100:2008, H.2, table H.2: r(V, I) −0.36, r(V, φ) 0.86, r(I, φ) −0.65; u 0.0032 V, 0.0095 mA, 0.000 75."""
    sources, pairs = means_of(("voltage", "current", "phase"), H2_READINGS)
    assert [round(pair.coefficient, 2) for pair in pairs] == [-0.36, 0.86, -0.65]
    assert [source.u for source in sources] == pytest.approx([0.0032, 0.0095e-3, 0.00075], rel=0.02)
    assert {source.dof for source in sources} == {4.0}


def test_correlated_sources_count_once_in_the_degrees_of_freedom() -> None:
    """Five sets of readings leave four degrees of freedom, in however many quantities they are read."""
    assert [budget.effective_dof for budget in resistance_reactance_impedance()] == pytest.approx([4.0, 4.0, 4.0])


def test_a_source_that_enters_twice_is_one_error() -> None:
    """A meter's gain scales numerator and denominator of a ratio alike: it drops out, and its square does not."""
    gain = rectangular("gain", 1e-3)
    ratio = propagate("ratio", "1", [gain], lambda x: 3.0 * (1.0 + x["gain"]) / (2.0 * (1.0 + x["gain"])))
    assert ratio.u == pytest.approx(0.0, abs=1e-15)
    square = propagate("square", "1", [gain], lambda x: (1.0 + x["gain"]) * (1.0 + x["gain"]))
    assert square.u == pytest.approx(2.0 * gain.u)


def test_two_quantities_that_share_a_source_err_together() -> None:
    shared, own = Source("shared", "B", "normal", 3.0), Source("own", "B", "normal", 4.0)
    first = propagate("first", "1", [shared], lambda x: x["shared"])
    second = propagate("second", "1", [shared, own], lambda x: x["shared"] + x["own"])
    assert correlation(first, second) == pytest.approx(0.6)
    assert correlation(first, propagate("third", "1", [own], lambda x: x["own"])) == 0.0


def test_a_limit_is_a_rectangular_error() -> None:
    """JCGM 100:2008, 4.3.7: u = a/√3; the difference of temperature of H.1, ±0.05 °C, is 0.029 °C."""
    limit = rectangular("difference", -0.05, unit="°C")
    assert (limit.evaluation, limit.shape, limit.unit) == ("B", "rectangular", "°C")
    assert limit.u == pytest.approx(0.029, abs=0.0005)
    assert math.isinf(limit.dof)


def test_sources_without_uncertainty_contribute_nothing() -> None:
    budget = propagate("sum", "V", [Source("known", "B", "normal", 0.0, estimate=2.0)], lambda x: x["known"] + 1.0)
    assert (budget.value, budget.u, budget.contributions) == (3.0, 0.0, ())
    assert math.isinf(budget.effective_dof)


def test_two_sources_of_one_name_are_refused() -> None:
    twice = [Source("gain", "B", "normal", 1.0), Source("gain", "B", "normal", 2.0)]
    with pytest.raises(ValueError, match="sum: two sources of the name 'gain'"):
        propagate("sum", "V", twice, lambda x: x["gain"])


def test_one_set_of_readings_has_no_scatter() -> None:
    with pytest.raises(ValueError, match=r"needs two sets of 3 readings: shape \(1, 3\)"):
        means_of(("voltage", "current", "phase"), H2_READINGS[:1])


def test_correlations_of_sources_that_do_not_enter_are_left_out() -> None:
    sources, pairs = means_of(("voltage", "current", "phase"), H2_READINGS)
    impedance = propagate("Z", "Ω", sources, lambda x: x["voltage"] / x["current"], pairs)
    assert impedance.correlations == (Correlation("voltage", "current", pairs[0].coefficient),)
