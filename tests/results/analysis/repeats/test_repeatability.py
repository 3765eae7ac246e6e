"""Repeats scatter as their traces say, or by more: analysis of variance and chi-square over the pins of a run."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from results.analysis.findings import PinFinding, RunFinding
from results.analysis.repeats.repeatability import one_way, with_repeatability
from results.record.trial import NO_RESISTOR
from tests.results.analysis.made_pins import NOISE_V, Bench, analysed, d1, d3, record_of

# NIST StRD, analysis of variance, dataset SiRstv: resistance by five instruments, five times each.
SIRSTV = (
    (196.3052, 196.1240, 196.1890, 196.2569, 196.3403),
    (196.3042, 196.3825, 196.1669, 196.3257, 196.0422),
    (196.1303, 196.2005, 196.2889, 196.0343, 196.1811),
    (196.2795, 196.1748, 196.1494, 196.1485, 195.9885),
    (196.2119, 196.1051, 196.1850, 196.0052, 196.2090),
)


def test_analysis_of_variance_of_the_certified_data() -> None:
    """NIST StRD SiRstv: F 1.18046237440255, residual standard deviation 0.104076068334656, to 1e-6."""
    found = one_way([np.array(group) for group in SIRSTV])
    assert found.f == pytest.approx(1.18046237440255, rel=1e-6)
    assert found.within_sd == pytest.approx(0.104076068334656, rel=1e-6)
    assert (found.groups, found.count, found.within_dof) == (5, 25, 20)
    # From the certified mean squares: sqrt((0.0127865654 − 0.010831828) / 5).
    assert found.between == pytest.approx(np.sqrt((1.27865654e-2 - 1.0831828e-2) / 5.0), rel=1e-6)


def test_the_scatter_between_groups_is_found_for_groups_of_any_size() -> None:
    """Made: groups of 2 to 8 with means that scatter by 3 around 10, repeats by 1; 400 groups tell both to some 5 %."""
    chance = np.random.default_rng(5)
    groups = [10.0 + 3.0 * chance.standard_normal() + chance.standard_normal(2 + k % 7) for k in range(400)]
    found = one_way(groups)
    assert found.within_sd == pytest.approx(1.0, rel=0.05)
    assert found.between == pytest.approx(3.0, rel=0.1)


def test_groups_that_are_alike_have_no_scatter_between_them() -> None:
    found = one_way([np.array([1.0, 3.0]), np.array([2.0, 2.0])])
    assert found.f == 0.0
    assert found.between == 0.0


def test_what_cannot_be_told_is_none() -> None:
    assert one_way([np.array([1.0, 2.0])]).f is None
    assert one_way([np.array([1.0, 1.0]), np.array([2.0, 2.0])]).between is None
    with pytest.raises(ValueError, match="no group with a repeat"):
        one_way([np.array([1.0]), np.array([2.0])])


def scattered(pin: PinFinding, deviation_v: float, chance: np.random.Generator) -> PinFinding:
    """The pin with settled voltages that scatter; what the traces claim stays."""
    rows = []
    for row in pin.rows:
        assert row.settled is not None
        volts = row.settled.value + deviation_v * float(chance.standard_normal())
        rows.append(replace(row, settled=replace(row.settled, value=volts)))
    return replace(pin, rows=tuple(rows))


def run_with(scatter: float, *, repeats: int = 5) -> RunFinding:
    """Six pins, D1 and others like it or like D3; `scatter` in units of the noise that the traces claim."""
    bench, chance = Bench(repeats=repeats), np.random.default_rng(11)
    pins = tuple(
        replace(scattered(analysed(curve, bench), scatter * NOISE_V, chance), pin=f"D{number}")
        for number, curve in enumerate((d1, d3, d1, d3, d3, d1), start=1)
    )
    return RunFinding(record_of(bench), tuple(row for pin in pins for row in pin.rows), pins)


def test_scatter_as_claimed_is_explained_by_noise() -> None:
    finding = with_repeatability(run_with(1.0))
    assert {one.resistor for one in finding.repeats} == {resistor.name for resistor in finding.record.resistors}
    assert [one.resistor for one in finding.repeats if one.exceeds] == []
    for one in finding.repeats:
        assert (one.variance.groups, one.variance.count, one.variance.within_dof) == (6, 30, 24)
        assert one.claimed_v == pytest.approx(NOISE_V)
        # 24 degrees of freedom tell a standard deviation to 14 %.
        assert one.variance.within_sd == pytest.approx(NOISE_V, rel=0.45)
    assert finding.notes == ()


def test_the_chi_square_is_that_of_the_repeats_about_the_mean_of_each_pin() -> None:
    """With equal claims: within_sd² · dof / claimed²."""
    for one in with_repeatability(run_with(1.0)).repeats:
        expected = (one.variance.within_sd / NOISE_V) ** 2 * one.variance.within_dof
        assert one.chi_square == pytest.approx(expected, rel=1e-6)


def test_twice_the_scatter_claimed_is_seen_and_said() -> None:
    finding = with_repeatability(run_with(2.0))
    assert all(one.exceeds for one in finding.repeats)
    assert finding.notes == (
        "repeats scatter more than the noise of their traces explains: with no resistor, 47 kΩ, 22 kΩ, 10 kΩ, "
        "8.2 kΩ, 4.7 kΩ",
    )


def test_a_pin_whose_verdict_changes_is_left_out_and_named() -> None:
    """A pin that sticks only sometimes rests at two voltages: that is no scatter."""
    finding = run_with(1.0)
    changed = [
        replace(row, verdict="released") if (row.trial.resistor, row.trial.repeat) == (NO_RESISTOR, 1) else row
        for row in finding.pins[0].rows
    ]
    pins = (replace(finding.pins[0], rows=tuple(changed)), *finding.pins[1:])
    bare = with_repeatability(replace(finding, pins=pins)).repeats[0]
    assert (bare.resistor, bare.changing, bare.variance.groups) == (NO_RESISTOR, ("D1",), 5)


def test_a_run_without_repeats_says_nothing() -> None:
    assert with_repeatability(run_with(1.0, repeats=1)).repeats == ()
