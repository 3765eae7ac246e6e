"""The largest safe resistance of known curves, found by the procedure on a bench whose instruments are off."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from procedures.forced_sweep import forced_sweep
from results.analysis.budgets.error_model import BENCH_LOAD
from results.analysis.findings import SweepFinding, Value
from results.analysis.load_line import required_conductance
from results.analysis.sweep.sweep import sweep_finding
from results.analysis.uncertainty.coverage_interval import half_width
from results.record.observation import Observation
from results.record.run_record import SweepRules
from tests.procedures.curve_bench import (
    RULES,
    SWEEP,
    CurveBench,
    Errors,
    Law,
    linear,
    memoryless,
    mid_level,
    mos,
    plain,
    record,
    settings,
    table,
)

Remembering = Callable[[float, bool], float]
WORST = Errors(gain_v=-1e-4, offset_v=0.5e-3, gain_a=5e-4, offset_a=-20e-9)
NOISY = Errors(gain_v=0.6e-4, offset_v=-0.3e-3, gain_a=-3e-4, offset_a=12e-9, noise_v=20e-6, noise_a=2e-9)

D1 = mid_level(linear(60e3))


def two_humps(lower_a: float) -> Law:
    """Two triangles, at 1.0 V and at 2.1 V (140 µA: the larger current; which ratio is larger depends on the other)."""
    volts, amperes = [0, 0.9, 1.0, 1.1, 1.9, 2.1, 2.3, 3.3], [0, 40e-6, lower_a, 40e-6, 60e-6, 140e-6, 60e-6, 0]
    return table(volts, amperes, linear(60e3))


def hump_between_steps() -> Law:
    """A triangle at 1.05 V, of which equal steps of 0.1 V see two thirds, and a lower one at 2.1 V that they see whole.

    Ratios: 90 µA/1.05 V against 168 µA/2.1 V; on the coarse grid 73 µA/1.0 V, which is less than the latter.
    """
    volts, amperes = [0, 0.9, 1.05, 1.2, 1.9, 2.1, 2.3, 3.3], [0, 40e-6, 90e-6, 40e-6, 60e-6, 168e-6, 60e-6, 0]
    return table(volts, amperes, linear(60e3))


SHAPES: dict[str, Law] = {
    "mid level": D1,
    "plain": plain(37.5e-6, linear(60e3)),
    "MOS pull-down": mid_level(mos(12e-6, 1.6), plateau_a=150e-6, up_v=0.9),
    "two humps, the upper one higher": two_humps(60e-6),
    "two humps, the lower one higher": two_humps(80e-6),
    "a hump between two steps": hump_between_steps(),
}


def true_safe_ohm(law: Law, rail_v: float = 3.3) -> float:
    return 1.0 / required_conductance(np.vectorize(law), 0.8, rail_v)


def swept(
    law: Remembering,
    errors: Errors | None = None,
    rules: SweepRules = RULES,
    *,
    series_ohm: float = 0.0,
    **bench: float,
) -> SweepFinding:
    made = CurveBench(law, errors or Errors(), board_series_ohm=series_ohm, **bench)  # type: ignore[arg-type]
    observation = forced_sweep(made.as_bench(), SWEEP, settings(rules, board_series_ohm=series_ohm))
    return found(observation, rules, series_ohm=series_ohm)


def found(observation: Observation, rules: SweepRules = RULES, *, series_ohm: float = 0.0) -> SweepFinding:
    known = record(rules, board_series_ohm=series_ohm)
    return sweep_finding(known, known.pin("D1"), SWEEP, observation)


def test_the_made_up_pin_needs_9378_ohm_and_the_plain_leak_37_kilohm() -> None:
    """Computed beside the tests of load_line: 9377.77 Ω; 37.5 µA at 0.8 V less 1/60 kΩ is 33.1 kΩ."""
    assert true_safe_ohm(D1) == pytest.approx(9377.77, abs=0.01)
    assert true_safe_ohm(SHAPES["plain"]) == pytest.approx(1.0 / (37.5e-6 / 0.8 - 1.0 / 60e3), rel=1e-6)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("errors", [Errors(), NOISY], ids=["no errors", "errors and noise"])
def test_the_safe_resistance_lies_in_its_interval_which_is_narrow(shape: str, errors: Errors) -> None:
    finding, true_ohm = swept(memoryless(SHAPES[shape]), errors), true_safe_ohm(SHAPES[shape])
    assert finding.needed is True
    assert finding.safe is not None
    assert finding.safe_low_ohm is not None
    assert finding.safe_high_ohm is not None
    assert finding.safe_low_ohm <= true_ohm <= finding.safe_high_ohm
    assert finding.safe.value == pytest.approx(true_ohm, rel=0.01)
    assert 0.0 < (finding.safe_high_ohm - finding.safe_low_ohm) / (2.0 * true_ohm) < 0.02
    assert finding.note == ""


def test_without_errors_of_the_instruments_nothing_but_the_steps_is_left() -> None:
    """What lies between the steps of the last pass is worth less than 1e-4 of a smooth curve."""
    finding = swept(memoryless(D1))
    assert finding.safe is not None
    assert finding.safe.value == pytest.approx(true_safe_ohm(D1), rel=1e-4)


def test_uncertainty_of_the_made_up_pin_from_the_limits_of_the_instruments() -> None:
    """By hand at the fold, 0.909 V and 96.93 µA: 0.05 % and 20 nA of the source, 0.01 % and 0.5 mV of the meter.

    G = I/V: rectangular, u/G = √(5e-4² + (20e-9/96.9e-6)² + 1e-4² + (0.5e-3/0.909)²)/√3 = 4.5e-4.
    """
    finding = swept(memoryless(D1))
    assert finding.worse is not None
    by_hand = np.sqrt(5e-4**2 + (20e-9 / 96.93e-6) ** 2 + 1e-4**2 + (0.5e-3 / 0.909) ** 2) / np.sqrt(3.0)
    assert finding.worse.required.u / finding.worse.required.value == pytest.approx(by_hand, rel=0.03)


def test_the_interval_holds_95_percent_of_the_errors_not_more() -> None:
    """Of the four limits by hand; twice the standard uncertainty would be 5 % wider."""
    worse = swept(memoryless(D1), Errors(noise_v=5e-6, noise_a=1e-9)).worse
    assert worse is not None
    ratio_s = worse.required.value
    limits = [share * ratio_s for share in (5e-4, 20e-9 / 96.93e-6, 1e-4, 0.5e-3 / 0.909)]
    assert worse.half_width_s == pytest.approx(half_width(limits, 0.0), rel=0.03)
    assert worse.half_width_s < 1.97 * worse.required.u


def test_noise_is_averaged_over_the_points_around_the_maximum() -> None:
    """Three readings a point of 20 nA at 0.9 V: 12.8 nS; nine points and a fit leave less of it than one point has."""
    worse = swept(memoryless(D1), Errors(noise_a=20e-9)).worse
    assert worse is not None
    assert worse.noise_u_s < 20e-9 / np.sqrt(3.0) / 0.909
    assert worse.noise_u_s > 0.2 * 20e-9 / np.sqrt(3.0) / 0.909


def test_at_v_il_the_slope_counts_where_v_il_is_uncertain() -> None:
    """The pin is at V_IL + δ where the meter reads V_IL: there the net current of a constant leak differs by G_pd ·
    δ."""
    finding = swept(memoryless(SHAPES["plain"]))
    assert finding.worse is not None
    assert finding.worse.at_v == pytest.approx(0.8, abs=1e-3)
    leak_s, pull_down_s = 37.5e-6 / 0.8, 1.0 / 60e3
    source_a = 0.8 * (leak_s - pull_down_s)
    by_source = np.hypot(5e-4 * source_a, 20e-9) / 0.8
    by_meter = pull_down_s * np.hypot(1e-4, 0.5e-3 / 0.8)
    by_hand = np.hypot(by_source, by_meter) / np.sqrt(3.0)
    assert finding.worse.required.u == pytest.approx(by_hand, rel=0.05)


def test_points_at_v_il_matter_a_coarse_grid_alone_is_unsafe() -> None:
    """For a plain leak the minimum of V/I lies at V_IL. Equal steps of 0.3 V have their first point above it at 0.9 V:

    1/(37.5 µA/0.9 V − 1/60 kΩ) = 40 kΩ, a fifth more than the 33.1 kΩ that are safe.
    """
    rules = replace(RULES, steps=11)
    finding, true_ohm = swept(memoryless(SHAPES["plain"]), rules=rules), true_safe_ohm(SHAPES["plain"])
    down = [p for p in finding.points if p.step.sweep_pass == 1 and p.step.branch == "down"]
    equal = [p for p in down if abs(p.step.level_v / 0.3 - round(p.step.level_v / 0.3)) < 1e-6]
    assert len(equal) == 12
    curve = [(p.at_pin_v, p.net_current.value) for p in equal if p.at_pin_v is not None and p.net_current is not None]
    by_grid_alone = min(volts / net_a for volts, net_a in curve if volts > 0.8 and net_a > 0.0)
    assert 1.10 < by_grid_alone / true_ohm < 1.25
    assert finding.safe_low_ohm is not None
    assert finding.safe_high_ohm is not None
    assert finding.safe_low_ohm <= true_ohm <= finding.safe_high_ohm


def test_a_pin_without_memory_shows_no_hysteresis() -> None:
    finding = swept(memoryless(D1), NOISY)
    assert finding.has_memory is False
    assert finding.hysteresis is not None
    assert abs(finding.hysteresis.value) < 1e-7
    exact = swept(memoryless(D1))
    assert exact.has_memory is False
    assert exact.hysteresis is not None
    assert exact.hysteresis.value == pytest.approx(0.0, abs=1e-9)


def test_a_leak_that_is_larger_on_the_way_up_shows_its_hysteresis_and_decides() -> None:
    """The leak grows by a tenth once the pin has been at 0 V: the up branch asks for more, and the advice is about
    it."""

    def law(v: float, falling: bool) -> float:
        return D1(v) if falling else 1.1 * (D1(v) + v / 60e3) - v / 60e3

    finding = swept(law, NOISY)
    assert finding.has_memory is True
    assert finding.hysteresis is not None
    # A tenth of the plateau, seen near its middle; the up branch is the larger one.
    assert finding.hysteresis.value == pytest.approx(-12e-6, rel=0.05)
    assert finding.down is not None
    assert finding.up is not None
    assert finding.worse is not None
    assert finding.worse.branch == "up"
    assert 1.0 / finding.down.required.value == pytest.approx(true_safe_ohm(D1), rel=2e-3)
    assert 1.0 / finding.up.required.value == pytest.approx(true_safe_ohm(lambda v: law(v, False)), rel=2e-3)


def test_the_safe_resistance_is_that_of_the_pin_behind_its_series_resistance() -> None:
    finding, true_ohm = swept(memoryless(D1), NOISY, series_ohm=470.0), true_safe_ohm(D1)
    assert finding.safe_low_ohm is not None
    assert finding.safe_high_ohm is not None
    assert finding.safe_low_ohm <= true_ohm <= finding.safe_high_ohm


def test_no_resistor_is_needed_where_the_pin_never_drives_more_than_it_draws() -> None:
    finding = swept(memoryless(lambda v: -v / 60e3), NOISY)
    assert (finding.needed, finding.safe, finding.safe_low_ohm, finding.safe_high_ohm) == (False, None, None, None)
    assert finding.worse is not None
    assert finding.worse.required.value == pytest.approx(-1.0 / 60e3, rel=1e-3)


def test_near_zero_there_is_a_lower_limit_and_no_upper_one() -> None:
    """A leak that just balances the pull-down at V_IL: 1/x near zero has no usable uncertainty."""
    finding = swept(memoryless(lambda v: -(v - 0.8) / 60e3 if v > 0.0 else 0.0), NOISY)
    assert (finding.needed, finding.safe, finding.safe_high_ohm) == (None, None, None)
    assert finding.safe_low_ohm is not None
    assert finding.safe_low_ohm > 10e6


def test_a_gap_where_the_source_was_at_its_limit_leaves_the_branch_undetermined() -> None:
    finding = swept(memoryless(D1), limit_a=80e-6)
    assert (finding.down, finding.worse, finding.safe) == (None, None, None)
    assert "sweep, down branch: not determined: no step settled outside of the current limit between" in finding.note
    assert any(point.note == "the source was at its current limit" for point in finding.points)
    assert all(point.net_current is None for point in finding.points if point.note)


def test_a_sweep_that_never_settled_says_so() -> None:
    rules = replace(RULES, steps=10, refine=4, longest_s=0.1)
    finding = swept(memoryless(D1), rules=rules, drift_v=1e-4)
    assert finding.worse is None
    assert {point.note for point in finding.points} == {"not settled in time"}


@pytest.mark.parametrize(
    ("change", "note"),
    [
        ({"outcome": "no contact"}, "sweep: contact to the unit was disproven"),
        ({"outcome": "failed", "notes": ("a short",)}, "sweep: failed: a short"),
        ({"steps": ()}, "sweep: failed: no steps"),
    ],
)
def test_a_sweep_that_is_no_evidence_determines_nothing(change: dict[str, object], note: str) -> None:
    observation = forced_sweep(CurveBench(memoryless(D1)).as_bench(), SWEEP, settings())
    finding = found(replace(observation, **change))  # type: ignore[arg-type]
    assert (finding.worse, finding.points, finding.note) == (None, (), note)


def test_a_step_whose_readings_are_missing_or_overloads_is_no_point() -> None:
    """A log that was cut short, and one with overloads, leave the steps that they still hold."""
    observation = forced_sweep(CurveBench(memoryless(D1)).as_bench(), SWEEP, settings())
    trace, step = observation.trace, observation.steps[5]
    over = trace.voltage_v.copy()
    over[step.first + step.count - 1] = np.nan
    overloaded = found(replace(observation, trace=replace(trace, voltage_v=over)))
    assert [point.note for point in overloaded.points].count("readings are missing, or were overloads") == 1
    assert overloaded.safe is not None or "not determined" in overloaded.note
    cut = observation.steps[2].first
    assert trace.current_a is not None
    short = replace(trace, time_s=trace.time_s[:cut], voltage_v=trace.voltage_v[:cut], current_a=trace.current_a[:cut])
    finding = found(replace(observation, trace=short))
    assert [point.voltage is None for point in finding.points] == [False] * 2 + [True] * (len(finding.points) - 2)
    assert finding.worse is None
    assert "no step settled" in finding.note


def test_a_curve_below_zero_volts_has_no_rest_points() -> None:
    observation = forced_sweep(CurveBench(memoryless(D1)).as_bench(), SWEEP, settings())
    trace = observation.trace
    finding = found(replace(observation, trace=replace(trace, voltage_v=-np.abs(trace.voltage_v))))
    assert (finding.rests, finding.worse) == ((), None)


def test_without_a_stated_load_or_accuracy_nothing_is_determined() -> None:
    observation = forced_sweep(CurveBench(memoryless(D1)).as_bench(), SWEEP, settings())
    for known, note in (
        (record(input_ohm=None), "sweep: the meter's input resistance is not stated: its load cannot be corrected"),
        (replace(record(), source=None), "sweep: the accuracy of the source is not stated"),
    ):
        assert sweep_finding(known, known.pin("D1"), SWEEP, observation).note == note
    assert sweep_finding(record(), record().pin("D1"), SWEEP, None).note == "sweep: not made"


def test_a_point_is_what_the_source_gives_less_what_the_bench_takes() -> None:
    finding = swept(memoryless(lambda v: -v / 60e3))
    top = finding.points[0]
    assert top.voltage is not None
    assert top.net_current is not None
    assert top.net_current.value == pytest.approx(-top.voltage.value / 60e3, rel=1e-6)
    limit_a = np.hypot(5e-4 * 55e-6, 20e-9)
    assert top.net_current.u == pytest.approx(limit_a / np.sqrt(3.0), rel=0.01)


def test_rest_points_of_each_trial_resistor_are_told_stable_or_not() -> None:
    """ngspice, 10 MΩ meter: 2.0309 V alone, 1.8232 V on 22 kΩ, 1.0155 V on 10 kΩ, and none on 8.2 kΩ."""
    rests = {one.resistor: one.rests for one in swept(memoryless(D1)).rests}
    stable = {name: [rest.voltage_v for rest in found if rest.stable] for name, found in rests.items()}
    assert stable["none"] == [pytest.approx(2.0309, abs=5e-3)]
    assert stable["22 kΩ"] == [pytest.approx(1.8232, abs=5e-3)]
    assert stable["10 kΩ"] == [pytest.approx(1.0155, abs=5e-3)]
    assert rests["8.2 kΩ"] == rests["4.7 kΩ"] == ()
    assert [rest.stable for rest in rests["10 kΩ"]] == [False, True]


def test_the_board_trips_in_the_middle_of_two_steps() -> None:
    finding = swept(memoryless(D1), threshold_v=1.37)
    for trip in (finding.trip_down, finding.trip_up):
        assert isinstance(trip, Value)
        assert trip.value == pytest.approx(1.36, abs=0.011)
        assert trip.u == pytest.approx(0.05 / np.sqrt(3.0), rel=0.02)


@pytest.mark.parametrize("seed", range(8))
def test_random_instruments_within_their_limits_and_random_leaks(seed: int) -> None:
    """None of eight may be off by more than 1.5 half-widths of its 95 % interval, which happens in 1 of 300 sweeps."""
    chance = np.random.default_rng(seed)
    limits = (1e-4, 0.5e-3, 5e-4, 20e-9)
    errors = Errors(*(float(limit * chance.uniform(-1, 1)) for limit in limits), noise_v=20e-6, noise_a=2e-9)
    law = mid_level(
        linear(chance.uniform(30e3, 90e3)),
        chance.uniform(50e-6, 200e-6),
        chance.uniform(0.6, 1.0),
        chance.uniform(1.8, 2.4),
    )
    finding = swept(memoryless(law), errors, seed=seed)
    assert finding.worse is not None
    apart_s = finding.worse.required.value - 1.0 / true_safe_ohm(law)
    assert abs(apart_s) < 1.5 * finding.worse.half_width_s


def test_the_parts_of_a_branch_come_to_its_uncertainty() -> None:
    finding = swept(memoryless(D1), NOISY)
    for branch in (finding.down, finding.up, finding.worse):
        assert branch is not None
        assert math.hypot(*(part.amount for part in branch.parts)) == pytest.approx(
            branch.required.u, rel=1e-9, abs=0.0
        )
        names = {part.source.name: part.source for part in branch.parts}
        assert {"meter gain", "source gain", "source offset", "noise of the sweep"} <= set(names)
        assert (names["noise of the sweep"].evaluation, names["noise of the sweep"].dof > 100) == ("A", True)


def test_a_load_that_is_not_exact_moves_g_req_by_itself() -> None:
    """Without a series resistance I_net/V carries the load as it is: 0.1 µS ± 5 %, rectangular."""
    made = CurveBench(memoryless(D1), Errors())
    observation = forced_sweep(made.as_bench(), SWEEP, settings(RULES))
    known = record(RULES)
    vague = replace(known, meter=replace(known.meter, input_tolerance=0.05))
    exact, loaded = (sweep_finding(one, one.pin("D1"), SWEEP, observation).down for one in (known, vague))
    assert exact is not None
    assert loaded is not None
    [part] = [part for part in loaded.parts if part.source.name == BENCH_LOAD]
    assert known.meter.input_ohm is not None
    assert abs(part.amount) == pytest.approx(0.05 / known.meter.input_ohm / math.sqrt(3.0), rel=1e-3, abs=0.0)
    assert loaded.required.u == pytest.approx(math.hypot(exact.required.u, part.amount), rel=1e-6, abs=0.0)
