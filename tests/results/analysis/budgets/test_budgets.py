"""Every reported uncertainty has a budget that comes to it, and what is common to two numbers is counted as common."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from procedures.forced_sweep import forced_sweep
from results.analysis.analysis import analyse
from results.analysis.budgets.budgets import (
    AT_PIN,
    LEAKAGE,
    NET_CURRENT,
    PULL_DOWN,
    REQUIRED,
    SAFE,
    SETTLED,
    TIME_CONSTANT,
    budgets_of,
)
from results.analysis.budgets.error_model import Term
from results.analysis.findings import Decay, PinFinding, SweepBranch, SweepFinding, Value
from results.analysis.leakage import bench_load
from results.analysis.load_line import NetCurrent
from results.analysis.pin_analysis import analyse_pin
from results.analysis.pin_bench import PinBench
from results.analysis.pull_down.pull_down import find_pull_down
from results.analysis.pull_down.pull_down_model import pull_down_term
from results.analysis.sweep.sweep import sweep_finding
from results.analysis.uncertainty.budget import Contribution, Source, correlation
from results.analysis.uncertainty.monte_carlo import Stated
from results.record.run_record import SourceModel
from results.record.trial import NO_RESISTOR, Pin
from tests.procedures.curve_bench import RULES as SWEEP_RULES
from tests.procedures.curve_bench import SWEEP, CurveBench, Errors, linear, memoryless, mid_level, record, settings
from tests.results.analysis import made_mirrors as mirrors
from tests.results.analysis.made_pins import (
    METER,
    SETUP,
    Bench,
    analysed,
    d1,
    d2,
    d3,
    d4,
    no_pull_down,
    record_of,
    trials_of,
    with_observation,
)

BENCHES = {
    "one press": Bench(),
    "repeats": Bench(repeats=3),
    "470 Ω on the board": Bench(pin=Pin("D1", series_ohm=470.0)),
    "a meter input known to 5 %": Bench(meter=replace(METER, input_tolerance=0.05)),
    "hold level not known": Bench(hold_known=False),
}


def of(finding: PinFinding, quantity: str) -> Stated:
    return next(one for one in finding.budgets if one.budget.quantity == quantity)


def quantities(finding: PinFinding) -> list[str]:
    return [one.budget.quantity for one in finding.budgets]


def reported(finding: PinFinding) -> dict[str, Value]:
    """Each number as the findings state it."""
    bare = [row for row in finding.rows if row.trial.resistor == NO_RESISTOR and row.settled is not None]
    highest = max(bare, key=lambda row: row.settled.value if row.settled else 0.0)
    leaking = max(finding.rows, key=lambda row: row.leakage.value if row.leakage else -1.0)
    found = {
        SETTLED: highest.settled,
        AT_PIN: highest.at_pin,
        NET_CURRENT: leaking.net_current,
        LEAKAGE: finding.leakage,
        PULL_DOWN: finding.pull_down,
        SAFE: finding.safe_ohm,
    }
    return {name: value for name, value in found.items() if value is not None}


@pytest.mark.parametrize("net", [d1, d2, d3, d4, no_pull_down], ids=lambda net: net.__name__)
@pytest.mark.parametrize("name", BENCHES)
def test_the_budget_comes_to_the_uncertainty_that_is_reported(net: NetCurrent, name: str) -> None:
    finding = analysed(net, BENCHES[name])
    stated = reported(finding)
    assert set(stated) <= set(quantities(finding)) <= {*stated, REQUIRED}
    for quantity, value in stated.items():
        budget = of(finding, quantity).budget
        assert budget.value == pytest.approx(value.value, rel=1e-6, abs=1e-15)
        assert budget.u == pytest.approx(value.u, rel=1e-6, abs=0.0)


@pytest.mark.parametrize("net", [d1, d2, d3, d4, no_pull_down], ids=lambda net: net.__name__)
@pytest.mark.parametrize("name", BENCHES)
def test_every_number_of_every_trial_has_a_budget_that_comes_to_its_uncertainty(net: NetCurrent, name: str) -> None:
    for row in analysed(net, BENCHES[name]).rows:
        decay = None if row.trace is None else row.trace.decay
        tau = None if decay is None or decay.time_constant_s is None or decay.u_s is None else decay
        shown = {SETTLED: row.settled, NET_CURRENT: row.net_current, LEAKAGE: row.leakage}
        if tau is not None and tau.time_constant_s is not None and tau.u_s is not None:
            shown[TIME_CONSTANT] = Value(tau.time_constant_s, tau.u_s)
        values = {quantity: value for quantity, value in shown.items() if value is not None}
        assert {budget.quantity for budget in row.budgets} == set(values)
        assert row.settled is not None
        for budget in row.budgets:
            assert budget.value == pytest.approx(values[budget.quantity].value, rel=1e-6, abs=1e-15)
            assert budget.u == pytest.approx(values[budget.quantity].u, rel=1e-6, abs=0.0)


def test_the_settled_voltage_by_its_sources() -> None:
    """Limits of 0.01 % and 0.5 mV, noise of 40 µV from 80 independent samples: at 2.031 V u is 0.41 mV."""
    budget = of(analysed(d1), SETTLED).budget
    parts = {part.source.name: part for part in budget.contributions}
    assert parts["noise, no resistor, press 1"].amount == pytest.approx(40e-6)
    assert parts["noise, no resistor, press 1"].source.dof == 79.0
    assert parts["meter gain"].amount == pytest.approx(2.0309 * 1e-4 / math.sqrt(3.0), rel=1e-4, abs=0.0)
    accuracy = math.hypot(parts["meter gain"].amount, parts["meter constant part, no resistor"].amount)
    assert accuracy == pytest.approx((0.5e-3 + 2.0309e-4) / math.sqrt(3.0), rel=1e-4, abs=0.0)
    assert {part.source.evaluation for part in budget.contributions} == {"A", "B"}


def test_the_net_pin_current_is_mostly_the_resistors_tolerance() -> None:
    budget = of(analysed(d1), NET_CURRENT).budget
    parts = {part.source.name: abs(part.amount) for part in budget.contributions}
    assert max(parts, key=lambda name: parts[name]) == "trial resistor 10 kΩ"
    assert parts["trial resistor 10 kΩ"] == pytest.approx(1.0155 / 10e3 * 0.01 / math.sqrt(3.0), rel=1e-3, abs=0.0)
    # A resistor that is larger than it says takes less than is reckoned.
    assert all(part.sensitivity < 0.0 for part in budget.contributions if "resistor 10" in part.source.name)


def test_a_leakage_shares_meter_and_resistor_with_the_pull_down_that_stands_in_it() -> None:
    """Against the same model written out by hand with the `uncertainties` package: one press with 10 kΩ alone, the
    pull-down from its own hold level."""
    from uncertainties import ufloat

    bench = Bench()
    [read] = [one for one in trials_of(d1, bench) if one.trial.resistor == "10 kΩ"]
    finding = analyse_pin(record_of(bench, [read.trial]), SETUP, bench.pin, [read])
    assert finding.pull_down_from == "hold level"
    seen, settled = read.observation, read.trace.settled if read.trace else None
    assert seen is not None
    assert settled is not None
    assert seen.hold_v is not None
    root = math.sqrt(3.0)
    gain, own = ufloat(0.0, 1e-4 / root), settled.u_v**2 - (settled.voltage_v * 1e-4 / root) ** 2
    volts = settled.voltage_v * (1 + gain) + ufloat(0.0, math.sqrt(own))
    outside = 1 / (10e3 * (1 + ufloat(0.0, 0.01 / root))) + 1e-7
    held = seen.hold_v * (1 + gain) + ufloat(0.0, 0.5e-3 / root)
    behind = 3.3 * (1 + gain) + ufloat(0.0, 0.5e-3 / root)
    inside = ((behind - held) / (1000.0 * (1 + ufloat(0.0, 5.8e-3))) - held * outside) / held
    leakage = volts * (outside + inside)
    assert finding.leakage is not None
    assert finding.leakage.value == pytest.approx(leakage.nominal_value, rel=1e-9, abs=0.0)
    assert finding.leakage.u == pytest.approx(leakage.std_dev, rel=1e-6, abs=0.0)


def test_the_resistor_drops_out_of_a_leakage_beside_the_pull_down_of_the_same_trial() -> None:
    """What 10 kΩ takes more at rest it took more while held: only 1 kΩ and the meter are left. Taken as independent,
    u would be several times larger."""
    bench = Bench()
    [read] = [one for one in trials_of(d1, bench) if one.trial.resistor == "10 kΩ"]
    finding = analyse_pin(record_of(bench, [read.trial]), SETUP, bench.pin, [read])
    parts = {part.source.name: abs(part.amount) for part in of(finding, LEAKAGE).budget.contributions}
    assert parts["trial resistor 10 kΩ"] < 1e-3 * parts["press resistor"]


def test_a_series_resistance_on_the_board_is_taken_off_the_held_pull_down() -> None:
    """60 kΩ behind 470 Ω: the pin itself is 25 mV below what is touched."""
    budget = of(analysed(d1, BENCHES["470 Ω on the board"]), PULL_DOWN).budget
    assert budget.value == pytest.approx(60e3, rel=1e-4, abs=0.0)


def test_the_gain_of_the_meter_drops_out_of_a_pull_down_behind_a_press_resistor() -> None:
    """Both readings are too large alike, and their ratio is what counts."""
    budget = of(analysed(d1), PULL_DOWN).budget
    parts = {part.source.name: abs(part.amount) for part in budget.contributions}
    assert parts["meter gain"] < 1e-9 * parts["hold reading"]


def test_numbers_of_one_pin_are_correlated_through_meter_and_resistors() -> None:
    finding = analysed(d4)
    settled, current = of(finding, SETTLED).budget, of(finding, NET_CURRENT).budget
    at_pin, leakage = of(finding, AT_PIN).budget, of(finding, LEAKAGE).budget
    # Of two trials the gain alone is common; of one all but the shift, or the resistor.
    assert 0.0 < correlation(settled, current) < 0.1
    assert correlation(settled, at_pin) > 0.9
    assert correlation(current, leakage) > 0.9


def test_repeats_that_scatter_while_held_count_as_type_a() -> None:
    bench = Bench(repeats=3)
    reads = trials_of(d1, bench)
    shifted = [
        with_observation(read, hold_v=read.observation.hold_v + (read.trial.repeat - 2) * 1e-3)
        for read in reads
        if read.observation is not None and read.observation.hold_v is not None
    ]
    record = record_of(bench, [read.trial for read in reads])
    budget = of(analyse_pin(record, SETUP, bench.pin, shifted), PULL_DOWN).budget
    scatter = next(part.source for part in budget.contributions if part.source.name == "scatter while held")
    assert (scatter.evaluation, scatter.dof) == ("A", 12.0)
    # 1 mV over 1 kΩ and 3.25 V, in the mean of 3 with little weight on the resistors that take most of the current.
    assert 1e-6 / 3.25 / math.sqrt(18.0) < scatter.u < 1e-6 / 3.25 / math.sqrt(3.0)
    assert budget.u > of(analysed(d1, bench), PULL_DOWN).budget.u
    assert budget.effective_dof < 1e6


def test_the_accuracy_of_a_source_that_held_the_pin_is_in_the_pull_down() -> None:
    """55 µA read to 0.1 % and 20 nA: u = (55 nA + 20 nA)/√3, in conductance over 3.3 V."""
    bench = Bench()
    reads = [
        with_observation(read, press_v=None, press_ohm=None, press_u_ohm=None, hold_v=3.3, press_current_a=55e-6)
        for read in trials_of(d1, bench)
        if read.trial.resistor == NO_RESISTOR
    ]
    record = replace(record_of(bench, [read.trial for read in reads]), source=SourceModel(1e-3, 20e-9))
    finding = analyse_pin(record, SETUP, bench.pin, reads)
    parts = {part.source.name: abs(part.amount) for part in of(finding, PULL_DOWN).budget.contributions}
    assert finding.pull_down is not None
    ohm = finding.pull_down.value
    assert parts["source gain"] == pytest.approx(55e-9 / math.sqrt(3.0) / 3.3 * ohm**2, rel=1e-6, abs=0.0)
    assert parts["source offset"] == pytest.approx(20e-9 / math.sqrt(3.0) / 3.3 * ohm**2, rel=1e-6, abs=0.0)
    assert finding.pull_down.u == pytest.approx(of(finding, PULL_DOWN).budget.u, rel=1e-9, abs=0.0)


def test_an_inverse_is_compared_with_monte_carlo() -> None:
    finding = analysed(d4)
    for quantity in (SAFE, PULL_DOWN):
        compared = of(finding, quantity).comparison
        assert compared is not None
        assert compared.validated
    assert of(finding, SETTLED).comparison is None


def test_a_pull_down_that_is_barely_known_bends_and_is_said_not_to_be_borne_out() -> None:
    """A meter with 60 mV of constant error: the pull-down behind 1 kΩ is known to a third or so, and 1/G is skew."""
    bench = Bench(meter=replace(METER, accuracy_v=15e-3))
    compared = of(analysed(d1, bench), PULL_DOWN).comparison
    assert compared is not None
    assert not compared.validated
    drawn, budget = compared.simulation, of(analysed(d1, bench), PULL_DOWN).budget
    assert drawn.high - budget.value > 1.3 * (budget.value - drawn.low)


def test_a_leakage_beside_a_pull_down_out_of_the_plan_is_looked_at_too() -> None:
    """Range of 30 kΩ to 90 kΩ: rectangular, so that first order says too much."""
    compared = of(analysed(d1, BENCHES["hold level not known"]), LEAKAGE).comparison
    assert compared is not None
    assert (
        compared.simulation.high - compared.simulation.low
        < 4.0 * of(analysed(d1, BENCHES["hold level not known"]), LEAKAGE).budget.u
    )


def test_the_bare_pins_time_constant_has_its_noise_and_its_change_on_the_way() -> None:
    bench = Bench()
    reads = [
        replace(read, trace=replace(read.trace, decay=Decay(7.1e-3, 5e-5, u_model_s=3e-5, dof=60.0)))
        for read in trials_of(d3, bench)
        if read.trace is not None
    ]
    finding = analyse_pin(record_of(bench, [read.trial for read in reads]), SETUP, bench.pin, reads)
    stated = of(finding, TIME_CONSTANT)
    parts = {part.source.name: part.amount for part in stated.budget.contributions}
    assert stated.about == "no resistor, press 1"
    assert stated.budget.u == pytest.approx(5e-5)
    assert parts == {
        "noise of the decaying samples": pytest.approx(4e-5),
        "change of the time constant on the way": pytest.approx(3e-5),
    }
    # What few samples cost is in u already (JCGM 101:2008, 6.4.9.2), and k = 2 as everywhere.
    assert math.isinf(stated.budget.effective_dof)
    assert stated.budget.expanded == pytest.approx(2.0 * stated.budget.u, rel=1e-4)


def test_an_unknown_load_leaves_currents_without_a_budget() -> None:
    finding = analysed(d1, Bench(meter=replace(METER, input_ohm=None)))
    assert NET_CURRENT not in quantities(finding)
    assert LEAKAGE not in quantities(finding)
    assert SETTLED in quantities(finding)


def test_a_load_that_is_not_exact_counts_in_every_current_alike() -> None:
    """10 MΩ ± 5 % on a bare pin at 2.03 V: 10 nA/√3 of its 0.2 µA."""
    bench = BENCHES["a meter input known to 5 %"]
    finding = analysed(d1, bench)
    [bare] = [row for row in finding.rows if row.trial.resistor == NO_RESISTOR]
    assert bench_load(bench.meter, bench.fixture) == pytest.approx(1e-7)
    assert bare.net_current is not None
    assert bare.net_current.u == pytest.approx(2.0309 * 1e-7 * 0.05 / math.sqrt(3.0), rel=1e-3, abs=0.0)


def test_a_pin_that_was_not_measured_has_no_budget() -> None:
    bench = Bench()
    finding = analyse_pin(record_of(bench), SETUP, bench.pin, [])
    assert finding.budgets == ()
    pin_bench = PinBench(record_of(bench), bench.pin)
    planned = find_pull_down([], None, bench.rules, 3.3, stuck=False)
    assert budgets_of(pin_bench, finding, pull_down_term(pin_bench, planned, [], None), {}) == ()


def test_a_sweep_tells_the_safe_resistance_by_the_limits_of_its_instruments() -> None:
    made = CurveBench(memoryless(mid_level(linear(60e3))), Errors(noise_v=20e-6, noise_a=2e-9))
    observation = forced_sweep(made.as_bench(), SWEEP, settings(SWEEP_RULES))
    known = record(SWEEP_RULES)
    sweep = sweep_finding(known, known.pin("D1"), SWEEP, observation)
    assert sweep.worse is not None
    assert sweep.safe is not None
    finding = replace(analysed(d1), sweep=sweep, safe_ohm=sweep.safe)
    bench = PinBench(record_of(Bench()), Bench().pin)
    stated = {one.budget.quantity: one for one in budgets_of(bench, finding, Term((), lambda x: 1 / 60e3), {})}
    safe, required = stated[SAFE], stated[REQUIRED]
    assert safe.about == f"from the sweep, {sweep.worse.branch} branch"
    assert (safe.budget.value, safe.budget.u) == pytest.approx((sweep.safe.value, sweep.safe.u), rel=1e-9)
    assert required.budget.u == pytest.approx(sweep.worse.required.u, rel=1e-9, abs=0.0)
    assert {"meter gain", "source gain", "source offset"} <= {p.source.name for p in safe.budget.contributions}
    assert safe.comparison is not None
    # The interval of the sweep holds 95 %, this one 95.45 %; what is added as a bound is drawn here.
    assert sweep.safe_low_ohm == pytest.approx(safe.comparison.simulation.low, rel=2e-4)
    assert sweep.safe_high_ohm == pytest.approx(safe.comparison.simulation.high, rel=2e-4)


def test_where_g_req_may_be_zero_it_has_a_budget_and_r_safe_none() -> None:
    part = Contribution(Source("source offset", "B", "rectangular", 5e-9, unit="A"), 1.0)
    branch = SweepBranch("down", Value(1e-9, 5e-9), 8e-9, 0.8, parts=(part,))
    sweep = SweepFinding(SWEEP, None, worse=branch, safe_low_ohm=1 / 9e-9)
    finding = replace(analysed(d3), sweep=sweep, safe_ohm=None)
    bench = PinBench(record_of(Bench()), Bench().pin)
    stated = {one.budget.quantity: one.budget for one in budgets_of(bench, finding, Term((), lambda x: 1 / 60e3), {})}
    assert stated[REQUIRED].u == pytest.approx(5e-9, rel=1e-9, abs=0.0)
    assert SAFE not in stated


@pytest.mark.parametrize("series_ohm", [0.0, 470.0])
@pytest.mark.parametrize("law", [mirrors.mid_level, mirrors.plain, mirrors.sound], ids=lambda law: law.__name__)
def test_a_pin_that_is_pressed_to_ground_has_the_same_budgets(law: mirrors.Law, series_ohm: float) -> None:
    """Its levels at the real node; what the rail's reading adds is told by its name."""
    meter = replace(METER, input_tolerance=0.02)
    run = mirrors.Run(law, meter=meter, tolerance=0.01, series_ohm=series_ohm, to_ground=True)
    [finding] = analyse(*mirrors.observed(run)).pins
    assert {SETTLED, AT_PIN, NET_CURRENT, LEAKAGE} <= set(quantities(finding))
    bare = [row for row in finding.rows if row.trial.resistor == NO_RESISTOR and row.settled is not None]
    lowest = min(bare, key=lambda row: row.settled.value if row.settled else 9.9)
    stated = reported(finding) | {SETTLED: lowest.settled, AT_PIN: lowest.at_pin}
    for quantity, value in stated.items():
        assert value is not None
        budget = of(finding, quantity).budget
        assert budget.value == pytest.approx(value.value, rel=1e-6, abs=1e-12)
        assert budget.u == pytest.approx(value.u, rel=1e-6, abs=0.0)
    names = {part.source.name for part in of(finding, NET_CURRENT).budget.contributions}
    assert "rail reading" in names or of(finding, NET_CURRENT).about.startswith("no resistor")


def test_a_load_taken_off_where_the_curve_may_be_nearly_flat_bends() -> None:
    """The slope is a chord, with a half-width as large as itself: to first order the node moves by as much again at
    most, by Monte Carlo by ten times as much and more, where the true curve is flat."""
    finding = analysed(d1)
    stated = of(finding, AT_PIN)
    assert stated.comparison is not None
    assert not stated.comparison.validated
    [bare] = [row for row in finding.rows if row.trial.resistor == NO_RESISTOR]
    assert bare.settled is not None
    assert bare.at_pin is not None
    shift_v = bare.at_pin.value - bare.settled.value
    drawn = stated.comparison.simulation
    assert drawn.high - bare.at_pin.value > 5.0 * shift_v
    assert abs(bare.at_pin.value - drawn.low) < 3.0 * bare.settled.u


def test_a_line_that_passed_tells_the_slope_well_enough() -> None:
    compared = of(analysed(d4), AT_PIN).comparison
    assert compared is not None
    assert compared.simulation.high - compared.simulation.low < 4.0 * of(analysed(d4), AT_PIN).budget.u
