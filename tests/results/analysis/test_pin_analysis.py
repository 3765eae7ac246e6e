"""All trials of a pin together: verdicts, net current, leakage, pull-down, line, bracket and advice."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from results.analysis.findings import Decay, PinFinding, TrialFinding, Value
from results.analysis.load_line import NetCurrent, required_conductance
from results.analysis.pin_analysis import analyse_pin
from results.analysis.pin_bench import ReadTrial
from results.errors import RecordError
from results.record.run_record import MeterModel
from results.record.trace import FloatArray
from results.record.trial import NO_RESISTOR, Condition, Pin, Resistor, Trial
from tests.results.analysis.made_pins import (
    RAIL_V,
    RESISTORS,
    SETUP,
    V_IL,
    Bench,
    analysed,
    d1,
    d2,
    d3,
    d4,
    logistic,
    no_pull_down,
    record_of,
    trace_finding,
    trials_of,
    with_observation,
)


def analysed_trials(trials: list[ReadTrial], bench: Bench | None = None) -> PinFinding:
    bench = bench or Bench()
    return analyse_pin(record_of(bench), SETUP, bench.pin, trials)


def row(pin: PinFinding, resistor: str) -> TrialFinding:
    return next(one for one in pin.rows if one.trial.resistor == resistor)


def within_u(found: Value | None, true: float) -> bool:
    return found is not None and abs(found.value - true) <= 2.0 * found.u


# What an independent circuit simulator (ngspice) finds for these curves: settled voltage, net current, leakage.
SIMULATED = [
    (d1, NO_RESISTOR, "stuck high", 2.030920839, 2.030920839e-07, 3.405177274e-05),
    (d1, "47 kΩ", "stuck between", 1.953244149, 4.175371057e-05, 7.430777972e-05),
    (d1, "22 kΩ", "stuck between", 1.823203173, 8.305519183e-05, 1.134419114e-04),
    (d1, "10 kΩ", "stuck between", 1.015535547, 1.016551083e-04, 1.185807007e-04),
    (d1, "8.2 kΩ", "released", 0.0, 0.0, 0.0),
    (d2, "22 kΩ", "stuck between", 1.466120331, 6.678844525e-05, 9.498306699e-05),
    (d2, "10 kΩ", "released", 0.0, 0.0, 0.0),
    (d3, NO_RESISTOR, "released", 0.0, 0.0, 0.0),
    (d4, NO_RESISTOR, "stuck high", 2.162121467, 2.162121467e-07, 3.399936007e-05),
    (d4, "47 kΩ", "stuck between", 0.918874554, 1.964240988e-05, 3.399982479e-05),
    (d4, "22 kΩ", "released", 0.555733529, 2.531618833e-05, 3.399952473e-05),
]


@pytest.mark.parametrize(("net", "resistor", "verdict", "volts", "net_a", "leak_a"), SIMULATED)
def test_every_trial_agrees_with_the_circuit_simulation(
    net: NetCurrent, resistor: str, verdict: str, volts: float, net_a: float, leak_a: float
) -> None:
    found = row(analysed(net), resistor)
    assert found.verdict == verdict
    assert found.settled is not None
    assert found.settled.value == pytest.approx(volts, abs=2e-5)
    assert within_u(found.net_current, net_a)
    assert within_u(found.leakage, leak_a)


def test_a_mid_level_leak_is_bracketed_by_trials_and_not_extrapolated() -> None:
    pin = analysed(d1)
    assert (pin.verdict, pin.plain_leak, pin.safe_ohm, pin.safe_from) == ("stuck high", "no", None, "trials")
    assert (pin.bracket.low, pin.bracket.high, pin.bracket.state) == ("8.2 kΩ", "10 kΩ", "bracketed")
    assert (pin.advice.ohm, pin.advice.needed) == (4.7e3, True)
    assert within_u(pin.leakage, 118.58e-6)


def test_the_bracket_contains_the_true_safe_resistance() -> None:
    for net in (d1, d2, d4):
        pin = analysed(net)
        assert pin.bracket.low_ohm is not None
        assert pin.bracket.high_ohm is not None
        assert pin.bracket.low_ohm < 1.0 / required_conductance(net, V_IL, RAIL_V) < pin.bracket.high_ohm


def test_a_plain_leak_gives_its_safe_resistance_from_the_line() -> None:
    """37.2093 kΩ, worked out from the curve itself; the line comes within 3 % and says how well it knows."""
    pin = analysed(d4)
    assert (pin.plain_leak, pin.safe_from) == ("yes", "line")
    assert within_u(pin.safe_ohm, 37209.3)
    assert pin.safe_ohm is not None
    assert pin.safe_ohm.value == pytest.approx(37209.3, rel=0.03)
    assert 0.001 < pin.safe_ohm.u / pin.safe_ohm.value < 0.01
    assert pin.advice.ohm == 22e3


def test_a_sound_pin_needs_nothing() -> None:
    pin = analysed(d3, Bench(repeats=5))
    assert (pin.verdict, pin.trials, pin.stuck_trials, pin.plain_leak) == ("released", 5, 0, "untested")
    assert pin.stuck_rate_upper95 == pytest.approx(0.4507, abs=5e-5)
    assert (pin.bracket.state, pin.advice.needed) == ("none needed", False)
    assert pin.note == ""


def test_the_pull_down_is_measured_at_the_hold_level() -> None:
    pin = analysed(d1)
    assert pin.pull_down_from == "hold level"
    assert within_u(pin.pull_down, 60e3)


def test_without_a_press_path_the_plain_leak_takes_its_pull_down_from_the_line() -> None:
    assert analysed(d4, Bench(hold_known=False)).pull_down_from == "line"
    assert within_u(analysed(d4, Bench(hold_known=False)).pull_down, 64e3)
    assert analysed(d1, Bench(hold_known=False)).pull_down_from == "plan range"


def test_leakage_from_the_plans_range_carries_the_width_of_that_range() -> None:
    found = row(analysed(d1, Bench(hold_known=False)), NO_RESISTOR).leakage
    measured = row(analysed(d1), NO_RESISTOR).leakage
    assert found is not None
    assert measured is not None
    assert found.u > 10.0 * measured.u
    assert within_u(found, 34.05e-6)


def test_the_verdict_is_about_the_pin_without_the_meter() -> None:
    """34.2 µA on 60 kΩ rest at 2.052 V; a 1 MΩ meter pulls that to 1.936 V, below V_IH."""

    def plain(volts: FloatArray) -> FloatArray:
        return 34.2e-6 * np.tanh(volts / 0.02) - volts / 60e3

    coarse = MeterModel(accuracy_reading=1e-4, accuracy_v=0.5e-3, input_ohm=1e6)
    bare = row(analysed(plain, Bench(meter=coarse, resistors=RESISTORS[:4])), NO_RESISTOR)
    assert bare.settled is not None
    assert bare.settled.value < 1.94
    assert within_u(bare.at_pin, 34.2e-6 * 60e3)
    assert bare.verdict == "stuck high"


def test_a_heavy_meter_may_be_what_released_a_pin_and_that_is_said() -> None:
    """A leak of a little more than the pull-down around 1 V holds a bare pin; the 1 MΩ of the meter lets it fall."""

    def barely(volts: FloatArray) -> FloatArray:
        return 19e-6 * logistic((volts - 0.9) / 0.05) * logistic(-(volts - 1.3) / 0.05) - volts / 60e3

    assert 0.0 < required_conductance(barely, V_IL, RAIL_V) < 1e-6
    said = "released with 1 MΩ of the bench on the node: a leak which that clears is not seen"
    heavy = analysed(barely, Bench(meter=MeterModel(accuracy_reading=1e-4, accuracy_v=0.5e-3, input_ohm=1e6)))
    assert (heavy.verdict, heavy.bracket.state) == ("released", "none needed")
    assert heavy.bracket.at_least_ohm == pytest.approx(1e6)
    assert said in heavy.note
    assert "of the bench on the node" not in analysed(d3).note


def test_a_leakage_that_takes_the_pull_down_as_linear_says_so() -> None:
    """A transistor that draws 55 µA at the rail and nearly as much at 2 V: the leak there is 18 µA more than stated."""

    def saturated(volts: FloatArray) -> FloatArray:
        share = np.clip(volts / 1.2, None, 1.0)
        return 120e-6 * logistic((volts - 0.75) / 0.06) * logistic(-(volts - 1.98) / 0.055) - 55e-6 * share * (
            2 - share
        )

    said = "leakage takes the pull-down as linear"
    assert said in analysed(saturated).note
    assert said in analysed(d1, Bench(hold_known=False)).note
    assert said not in analysed(d3).note
    assert said not in analysed(d4).note


def test_a_leak_without_a_pull_down_may_take_the_bare_pin_to_the_rail() -> None:
    """0.2 µA into the 10 MΩ of the meter rest at 2 V; without it nothing holds the pin below the rail."""

    def floating(volts: FloatArray) -> FloatArray:
        return 0.2e-6 * np.tanh(volts / 0.05) * (1.0 - np.exp(np.minimum(volts - RAIL_V, 0.0) / 0.03))

    bare = row(analysed(floating, Bench(contact="board reading")), NO_RESISTOR)
    assert bare.settled is not None
    assert bare.at_pin is not None
    assert bare.settled.value == pytest.approx(2.0, abs=1e-3)
    assert bare.at_pin.value - 2.0 * bare.at_pin.u < 2.0
    assert bare.at_pin.value + 2.0 * bare.at_pin.u > RAIL_V
    assert bare.verdict == "stuck between"


def test_a_stated_fixture_leakage_counts_as_load() -> None:
    from results.record.run_record import Fixture

    pin = analysed(d4, Bench(fixture=Fixture(conductance_s=5e-7)))
    assert within_u(pin.safe_ohm, 37209.3)


def test_a_meter_whose_input_is_not_stated_gives_no_current() -> None:
    unknown = MeterModel(accuracy_reading=1e-4, accuracy_v=0.5e-3, input_ohm=None)
    pin = analysed(d1, Bench(meter=unknown))
    bare = row(pin, NO_RESISTOR)
    assert (bare.verdict, bare.net_current, bare.leakage, pin.line, pin.leakage) == (
        "stuck high",
        None,
        None,
        None,
        None,
    )
    assert "the meter's input resistance is not stated" in bare.note
    assert "the meter's input resistance is not stated" in pin.note


def test_a_pin_that_only_the_meter_pulls_low_is_not_released() -> None:
    """No pull-down, the board reads the press: without the meter the pin would float."""
    pin = analysed(no_pull_down, Bench(contact="board reading"))
    bare = row(pin, NO_RESISTOR)
    assert bare.verdict == "undecided"
    assert bare.note == "no pull-down found: while held the pin draws no more than 1.3 µA: only the meter pulled it low"
    assert row(pin, "47 kΩ").verdict == "released"
    assert (pin.verdict, pin.pull_down, pin.pull_down_from) == ("undecided", None, "not found")
    assert pin.note.startswith("no pull-down found: ")
    assert pin.stuck_rate_upper95 == 1.0
    assert (pin.advice.ohm, pin.advice.needed) == (22e3, True)


def test_a_series_resistance_on_the_board_is_part_of_the_safe_resistance() -> None:
    """Behind 10 kΩ the pin itself still allows 37.2 kΩ; 27.2 kΩ of it outside."""
    pin = analysed(d4, Bench(pin=Pin("D1", series_ohm=10e3)))
    assert within_u(pin.safe_ohm, 37209.3)
    assert "largest safe resistance is that of the pin itself: 27.2" in pin.note
    assert "kΩ of it outside, 10 kΩ on the board" in pin.note
    assert pin.advice.ohm == 22e3
    # At the lower limit of the line: 1 % resistors may all be off by the same.
    assert pin.advice.margin == pytest.approx(27.2 / (22 * 1.01) - 1, abs=0.03)


def test_every_pin_verdict_is_the_worst_without_a_resistor() -> None:
    trials = trials_of(d1, Bench(repeats=3))
    rested = replace(trials[1], trace=trace_finding(0.0))
    pin = analysed_trials([trials[0], rested, *trials[2:]])
    assert (pin.verdict, pin.trials, pin.stuck_trials) == ("stuck high", 3, 2)
    assert pin.stuck_rate_upper95 == pytest.approx(0.98305, abs=1e-5)


def test_an_open_press_is_taken_as_stuck_in_the_upper_limit() -> None:
    trials = trials_of(d3, Bench(repeats=3))[:3]
    open_one = replace(trials[1], trace=trace_finding(0.8))
    pin = analysed_trials([trials[0], open_one, trials[2]])
    assert (pin.verdict, pin.trials, pin.stuck_trials) == ("undecided", 3, 0)
    assert pin.stuck_rate_upper95 == pytest.approx(0.86465, abs=1e-5)
    assert "open trials taken as stuck in the upper limit of the stuck rate: 1" in pin.note


def test_a_pin_without_contact_gets_that_verdict_and_no_numbers() -> None:
    trials = [with_observation(read, outcome="no contact", contact="disproven") for read in trials_of(d1, Bench())]
    pin = analysed_trials(trials)
    assert (pin.verdict, pin.trials, pin.stuck_rate_upper95) == ("no contact", 0, None)
    assert (pin.pull_down, pin.pull_down_from, pin.leakage, pin.line) == (None, "", None, None)
    assert (pin.advice.ohm, pin.advice.needed, pin.contact_proven) == (None, None, False)
    assert all(one.settled is None and one.net_current is None for one in pin.rows)


def test_a_disproven_contact_is_never_released_whatever_its_trace_says() -> None:
    trials = [with_observation(read, contact="disproven") for read in trials_of(d3, Bench())]
    assert {one.verdict for one in analysed_trials(trials).rows} == {"no contact"}


def test_unproven_contact_keeps_the_verdict_and_is_said_everywhere() -> None:
    pin = analysed(d3, Bench(contact="not proven"))
    assert {one.verdict for one in pin.rows} == {"released"}
    assert {one.note for one in pin.rows} == {"contact not proven"}
    assert (pin.contact_proven, pin.note) == (False, "contact not proven")
    one_bad = trials_of(d3, Bench())
    one_bad[2] = with_observation(one_bad[2], contact="not proven")
    assert analysed_trials(one_bad).note == "contact not proven in 1 of 6 trials"
    assert not analysed_trials(one_bad).contact_proven


def test_a_node_held_by_the_pin_is_stuck_high_and_no_point_of_the_line() -> None:
    trials = trials_of(d4, Bench())
    held = replace(trace_finding(3.29), at_press_level=True, edge=None)
    trials[0] = replace(with_observation(trials[0], holder="pin"), trace=held)
    pin = analysed_trials(trials)
    bare = row(pin, NO_RESISTOR)
    assert bare.verdict == "stuck high"
    assert bare.note == "held at the press level by the pin itself"
    assert within_u(bare.net_current, 3.29e-7)
    assert pin.line is not None
    assert pin.line.points == 2


def test_a_node_held_by_a_welded_press_path_says_nothing_about_the_pin() -> None:
    trials = trials_of(d4, Bench())
    held = replace(trace_finding(3.29), at_press_level=True, edge=None)
    trials[0] = replace(with_observation(trials[0], holder="press path"), trace=held)
    bare = row(analysed_trials(trials), NO_RESISTOR)
    assert (bare.verdict, bare.note) == ("failed", "press path welded")
    assert (bare.settled, bare.net_current) == (None, None)


def test_high_before_the_press_is_a_finding_of_its_own() -> None:
    trials = trials_of(d3, Bench())
    trials[0] = with_observation(trials[0], before_v=1.9)
    trials[1] = with_observation(trials[1], reads_before="high", before_v=None)
    trials[2] = with_observation(trials[2], before_v=1.9, notes=("high before the press: 1.900 V",))
    pin = analysed_trials(trials)
    assert [one.note for one in pin.rows[:3]] == [
        "high before the press: 1.9 V",
        "high before the press",
        "high before the press: 1.900 V",
    ]
    assert pin.note == "high before the press in 3 of 6 trials"


def test_a_rail_outside_its_tolerance_is_said() -> None:
    trials = trials_of(d3, Bench())
    trials[0] = with_observation(trials[0], rail_v=3.5)
    trials[1] = with_observation(trials[1], rail_v=3.46)
    pin = analysed_trials(trials)
    assert pin.rows[0].note == "rail 3.5 V is outside 3.3 V ± 5 %"
    assert pin.rows[1].note == ""


def test_an_as_found_trial_counts_in_the_verdict_but_not_in_the_line() -> None:
    trials = trials_of(d4, Bench())
    sound = [replace(read, trace=trace_finding(0.0)) for read in trials]
    found = replace(trials[0], trial=replace(trials[0].trial, sequence=99, as_found=True))
    pin = analysed_trials([found, *sound])
    assert (pin.verdict, pin.trials, pin.stuck_trials, pin.line) == ("stuck high", 2, 1, None)
    assert pin.rows[0].note == "as found: before the first reset, pin setup not known"
    assert "as-found trials are counted: their pin setup is not known" in pin.note


def test_what_was_never_made_is_not_tested() -> None:
    trials = trials_of(d1, Bench())
    trials[0] = ReadTrial(trials[0].trial)
    pin = analysed_trials(trials)
    assert (pin.verdict, pin.trials, row(pin, NO_RESISTOR).verdict) == ("not tested", 0, "not tested")
    assert (pin.bracket.low, pin.bracket.high) == ("8.2 kΩ", "10 kΩ")
    assert pin.note.endswith("1 of 6 trials are no evidence")


def test_a_plan_without_a_bare_trial_says_so() -> None:
    pin = analysed(d3, Bench(resistors=RESISTORS[1:]))
    assert (pin.verdict, pin.bracket.state, pin.advice.needed) == ("not tested", "all released", None)
    assert "no trial without a resistor" in pin.note
    assert pin.advice.ohm == 22e3


def test_a_line_that_contradicts_the_trials_is_said() -> None:
    """The board reads 10 kΩ high once although the line lies far from it: the trial is not explained away."""
    trials = trials_of(d4, Bench(repeats=4))
    reads_high = with_observation(trials[12], reads_settled="high")
    assert reads_high.trial.resistor == "10 kΩ"
    pin = analysed_trials([*trials[:12], reads_high, *trials[13:]])
    assert pin.plain_leak == "yes"
    assert "disagreement: 10 kΩ stuck, but the line allows 37.21 kΩ" in pin.note
    assert pin.bracket.state == "intermittent"
    assert pin.advice.ohm == 4.7e3


def test_a_mid_level_leak_that_looks_straight_is_found_out_by_a_resistor_that_released() -> None:
    """Three points on a slope of 60 kΩ, but a step at 1.0 V: with 22 kΩ the line rests at 0.77 V, the pin fell to 0.

    It used to pass, and to state 23.6 kΩ where 36 kΩ is true.
    """

    def stepped(volts: FloatArray) -> FloatArray:
        return 47.5e-6 * logistic((volts - 1.0) / 0.01) - volts / 60e3

    resistors = tuple(r for r in (*RESISTORS, Resistor("100 kΩ", 100e3, 0.01)) if r.name != "8.2 kΩ")
    pin = analysed(stepped, Bench(resistors=resistors))
    assert pin.line is not None
    assert pin.line.p_value is not None
    assert pin.line.p_value > 0.05
    assert (pin.plain_leak, pin.safe_ohm) == ("no", None)
    assert pin.line.reason == "the line would hold the pin above 400 mV with 22 kΩ, which rested at 0 V"
    assert (pin.bracket.low, pin.bracket.high) == ("22 kΩ", "47 kΩ")


def test_the_bracket_with_load_and_tolerance_contains_the_truth_where_the_nominal_one_need_not() -> None:
    """10 kΩ that is 9.9 kΩ releases a pin which 9.95 kΩ is the limit of."""

    def at_limit(volts: FloatArray) -> FloatArray:
        lifted = 0.8 / 9.95e3 - float(d4(np.array([0.8]))[0])
        return d4(volts) + lifted * np.tanh(volts / 0.05) * logistic(-(volts - 2.6) / 0.04)

    off = Resistor("10 kΩ", 10e3, 0.01)
    trials = trials_of(at_limit, Bench(resistors=(RESISTORS[0], RESISTORS[2], replace(off, nominal_ohm=9.9e3))))
    pin = analysed_trials(trials, Bench(resistors=(RESISTORS[0], RESISTORS[2], off)))
    true = 1.0 / required_conductance(at_limit, V_IL, RAIL_V)
    assert pin.bracket.low_ohm is not None
    assert pin.bracket.at_least_ohm is not None
    assert pin.bracket.below_ohm is not None
    assert pin.bracket.at_least_ohm < true < pin.bracket.low_ohm
    assert true < pin.bracket.below_ohm


def test_a_resistor_that_the_record_does_not_hold_is_refused() -> None:
    trial = Trial(1, "press_release", "D1", "33 kΩ", Condition("reset default", RAIL_V), 1)
    with pytest.raises(RecordError, match=r"run\.json: resistors: no resistor named '33 kΩ'"):
        analysed_trials([ReadTrial(trial, trials_of(d3, Bench())[0].observation, trace_finding(0.0))])


def test_measured_resistors_sharpen_the_line() -> None:
    nominal = analysed(d4)
    measured = tuple(
        r if r.nominal_ohm is None else Resistor(r.name, r.nominal_ohm, 0.01, r.nominal_ohm, 2.0) for r in RESISTORS
    )
    sharp = analysed(d4, Bench(resistors=measured))
    assert nominal.safe_ohm is not None
    assert sharp.safe_ohm is not None
    assert sharp.safe_ohm.u < 0.5 * nominal.safe_ohm.u
    assert within_u(sharp.safe_ohm, 37209.3)


@pytest.mark.parametrize(
    ("decay", "note"),
    [
        (
            Decay(7.1e-3, 5e-5, one_exponential=False),
            "the decay is more than one exponential: its time constant is a mean",
        ),
        (Decay(None, reason="only 3 samples"), "time constant not determined: only 3 samples"),
        (Decay(7.1e-3, 5e-5), ""),
        (Decay(1e-4, is_upper_bound=True, one_exponential=False), ""),
    ],
)
def test_what_a_time_constant_does_not_say_by_itself_is_said_in_words(decay: Decay, note: str) -> None:
    trials = trials_of(d3, Bench())
    assert trials[0].trace is not None
    trials[0] = replace(trials[0], trace=replace(trials[0].trace, decay=decay))
    assert analysed_trials(trials).rows[0].note == note
