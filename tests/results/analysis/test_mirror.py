"""Pull-up inputs pressed to ground: the mirror image of what is found of pull-down inputs, by the same code."""

from __future__ import annotations

import typing
from dataclasses import fields, is_dataclass, replace

import numpy as np
import pytest

from results.analysis.analysis import analyse
from results.analysis.findings import PinFinding, RunFinding, Value
from results.analysis.mirror import LEVELS, REVERSED, finding_image, observation_image, record_image
from results.analysis.sweep.sweep import _Model
from results.errors import RecordError
from results.record.observation import SweepStep
from results.record.run_record import MeterModel, RailLevels, SourceModel, SweepRules
from results.record.trace import Trace
from tests.results.analysis.made_mirrors import RAIL_V, Run, mid_level, observed, plain, rest_v, sound

LAWS = {"mid level": mid_level, "plain": plain, "sound": sound}
VERDICTS = {"stuck high": "stuck low"}
METER = MeterModel(accuracy_reading=1e-4, accuracy_v=0.5e-3, input_ohm=10e6)


def analysed(run: Run) -> RunFinding:
    return analyse(*observed(run))


def pin_of(run: Run) -> PinFinding:
    return analysed(run).pins[0]


@pytest.fixture(scope="module", params=LAWS)
def both(request: pytest.FixtureRequest) -> tuple[RunFinding, RunFinding]:
    """A run to the rail and its mirror image, read by an instrument without errors and without a load."""
    run = Run(LAWS[request.param])
    return analysed(run), analysed(replace(run, to_ground=True))


def test_every_trial_is_the_mirror_image_of_the_trial_to_the_rail(both: tuple[RunFinding, RunFinding]) -> None:
    """Settled voltages are those of the real node; currents have the same size; verdicts are named for the level."""
    to_rail, to_ground = both
    for one, other in zip(to_rail.trials, to_ground.trials, strict=True):
        assert other.verdict == VERDICTS.get(one.verdict, one.verdict)
        assert one.settled is not None
        assert other.settled is not None
        assert other.settled.value == pytest.approx(RAIL_V - one.settled.value, abs=1e-9)
        assert other.settled.u == pytest.approx(one.settled.u, rel=1e-6)
        assert one.at_pin is not None
        assert other.at_pin is not None
        assert other.at_pin.value == pytest.approx(RAIL_V - one.at_pin.value, abs=1e-9)
        for name in ("net_current", "leakage"):
            mine, its = getattr(one, name), getattr(other, name)
            assert its.value == pytest.approx(mine.value, rel=1e-6, abs=1e-15)
            assert its.u == pytest.approx(mine.u, rel=1e-5, abs=1e-15)
        assert one.trace is not None
        assert other.trace is not None
        if one.trace.release_time_s is None:
            assert other.trace.release_time_s is None
        else:
            assert other.trace.release_time_s == pytest.approx(one.trace.release_time_s, rel=1e-6)


def test_bracket_line_safe_resistance_and_advice_are_the_same(both: tuple[RunFinding, RunFinding]) -> None:
    one, other = both[0].pins[0], both[1].pins[0]
    assert other.verdict == VERDICTS.get(one.verdict, one.verdict)
    for name in ("low", "high", "state"):
        assert getattr(other.bracket, name) == getattr(one.bracket, name)
    assert other.advice.ohm == one.advice.ohm
    assert other.plain_leak == one.plain_leak
    assert other.pull_down_from == one.pull_down_from
    assert (other.safe_ohm is None) == (one.safe_ohm is None)
    if one.safe_ohm is not None and other.safe_ohm is not None:
        assert other.safe_ohm.value == pytest.approx(one.safe_ohm.value, rel=1e-6)
    assert one.pull_down is not None
    assert other.pull_down is not None
    assert other.pull_down.value == pytest.approx(one.pull_down.value, rel=1e-6)


def test_what_is_reported_are_the_observations_as_made_and_the_record_as_written() -> None:
    record, seen = observed(Run(mid_level, to_ground=True))
    found = analyse(record, seen)
    assert found.record is record
    assert [row.observation for row in found.trials] == [made for _, made in seen]
    assert found.pins[0].rows[0].observation is seen[0][1]
    edge = found.trials[0].trace.edge if found.trials[0].trace else None
    assert edge is not None
    assert edge.rising
    assert edge.held_v == pytest.approx(seen[0][1].hold_v, abs=1e-3)


@pytest.mark.parametrize("series_ohm", [0.0, 4.7e3])
@pytest.mark.parametrize("law", ["mid level", "plain"])
def test_a_meter_to_ground_is_corrected_as_the_node_equation_says(law: str, series_ohm: float) -> None:
    """Independent: the pin's own law at the pin's voltage, from scipy's root of the node equation in real volts.

    A meter of 1 MΩ to ground takes up to 3.3 µA that the trial resistor to the rail brings: with its load left at 0 V
    of the mirror image the currents would be wrong by that.
    """
    meter = MeterModel(0.0, 0.0, input_ohm=1e6)
    run = Run(LAWS[law], meter=meter, to_ground=True, noise_v=2e-5, series_ohm=series_ohm)
    for row in analysed(run).trials:
        fitted_s = {one.name: one for one in run.fitted()}[row.trial.resistor].conductance_s
        node_v = rest_v(run, fitted_s)
        assert row.settled is not None
        assert row.settled.value == pytest.approx(node_v, abs=5e-6)
        into_pin_a = (RAIL_V - node_v) * fitted_s - node_v / 1e6
        assert row.net_current is not None
        assert row.net_current.value == pytest.approx(into_pin_a, abs=5e-6 * (fitted_s + 1e-6))
        assert row.net_current.u < 5e-6 * (fitted_s + 1e-6)


def test_the_verdict_is_about_the_pin_without_the_meter() -> None:
    """A plain leak and a pull-up are a straight line, for which the correction is exact: the root without the meter."""
    run = Run(plain, meter=MeterModel(0.0, 0.0, input_ohm=1e6), to_ground=True, noise_v=2e-5)
    bare = next(row for row in analysed(run).trials if row.trial.resistor == "none")
    with_v, without_v = rest_v(run, 0.0), rest_v(run, 0.0, loaded=False)
    assert without_v - with_v > 0.03
    assert bare.at_pin is not None
    assert bare.at_pin.value == pytest.approx(without_v, abs=max(3.0 * bare.at_pin.u, 1e-4))
    assert bare.at_pin.u < 2e-3


def test_the_largest_safe_resistance_of_a_plain_leak_leaves_the_meter_out() -> None:
    """By hand at V_IH = 2.5 V, 0.8 V below the rail: 34 µA / 0.8 V − 1/60 kΩ = 25.8 µS, 38.7 kΩ, whatever the meter."""
    by_hand_ohm = 1.0 / (34e-6 / 0.8 - 1.0 / 60e3)
    for ohm in (1e18, 10e6, 1e6):
        run = Run(plain, meter=MeterModel(0.0, 0.0, input_ohm=ohm), to_ground=True, noise_v=2e-5)
        safe = pin_of(run).safe_ohm
        assert safe is not None
        assert safe.value == pytest.approx(by_hand_ohm, rel=2e-4)


def test_bus_hold_pull_up_of_the_published_sizing_example() -> None:
    """A holding current of 500 µA that a pull-up must overcome up to 1.5 V from 3.1 V: 3.2 kΩ (public tutorial on
    bus-hold inputs, (3.1 − 1.5) V / 500 µA), to 1 %."""
    run = Run(
        lambda volts: float(500e-6 * np.tanh(volts / 0.02)),
        pull_ohm=10e6,
        rules=replace(observed(Run(sound))[0].rules, pull_down_low_ohm=1e6, pull_down_high_ohm=100e6),
        # In the mirror image: V_IH of 1.5 V is 1.6 V below the rail.
        levels=replace(observed(Run(sound))[0].levels, v_il=1.6, v_ih=2.3),
        resistors=(2.0e3, 2.7e3, 3.9e3, 4.7e3),
        rail_v=3.1,
        rail_read_v=3.1,
        to_ground=True,
        noise_v=2e-5,
        seeds=(1,),
    )
    record, seen = observed(run)
    assert record.levels.v_ih == pytest.approx(1.5)
    pin = analyse(record, seen).pins[0]
    assert pin.safe_ohm is not None
    assert pin.safe_ohm.value == pytest.approx(3.2e3, rel=0.01)
    assert (pin.bracket.low, pin.bracket.high) == ("2.7 kΩ", "3.9 kΩ")


def test_uncertainty_of_the_net_current_against_a_simulation_of_the_two_readings() -> None:
    """The meter reads node and rail: one gain for both, a constant part for each; drawn 200,000 times (JCGM 101).

    I = (V_rail − V)·G_t − V·G_m. The gain acts on the difference; the constant part counts twice.
    """
    run = Run(mid_level, meter=METER, to_ground=True, noise_v=1e-6, resistors=(None, 22e3), seeds=(1,))
    row = next(row for row in analysed(run).trials if row.trial.resistor == "22 kΩ")
    node_v = rest_v(run, 1 / 22e3)
    rng = np.random.default_rng(20)
    gain, own_v, own_rail = (rng.uniform(-1.0, 1.0, 200_000) for _ in range(3))
    read_v = node_v * (1.0 + METER.accuracy_reading * gain) + METER.accuracy_v * own_v
    read_rail_v = RAIL_V * (1.0 + METER.accuracy_reading * gain) + METER.accuracy_v * own_rail
    drawn = (read_rail_v - read_v) / 22e3 - read_v / 10e6
    assert row.net_current is not None
    # The accuracy limit of one reading is taken as one rectangle of both parts, which is the wider choice.
    assert float(drawn.std()) < row.net_current.u < 1.35 * float(drawn.std())


def test_a_gain_error_alone_scales_the_current() -> None:
    """Node and rail are read by one meter: (V_rail − V)·G errs by its gain and no more, u = I · 1e-3/√3."""
    meter = MeterModel(accuracy_reading=1e-3, accuracy_v=0.0, input_ohm=10e6)
    row = analysed(Run(mid_level, meter=meter, to_ground=True, noise_v=1e-7, resistors=(22e3,), seeds=(1,))).trials[0]
    assert row.net_current is not None
    assert row.net_current.u == pytest.approx(row.net_current.value * 1e-3 / np.sqrt(3.0), rel=2e-3)


def test_a_stuck_press_proves_less_where_the_meter_helped_to_hold_the_node() -> None:
    """At V_IH = 2.5 V a meter of 1 MΩ takes 2.5 µA from the node: −2.5 µA / 0.8 V = −3.1 µS to the rail.
    A press that stuck with 10 kΩ (100 µS) proves 96.9 µS to be too little, 10.32 kΩ. A release is not helped by it."""
    run = Run(mid_level, meter=MeterModel(0.0, 0.0, input_ohm=1e6), to_ground=True, noise_v=2e-5)
    bracket = pin_of(run).bracket
    assert (bracket.low, bracket.high) == ("8.2 kΩ", "10 kΩ")
    assert bracket.below_ohm == pytest.approx(1.0 / (1e-4 - 2.5e-6 / 0.8), rel=1e-9)
    assert bracket.at_least_ohm == pytest.approx(8.2e3, rel=1e-9)


def test_a_rail_that_nobody_measured_counts_in_the_currents_and_not_in_the_verdict() -> None:
    """5 % of 3.3 V as a half-width, over 22 kΩ: u = 4.3 µA; the verdict compares volts with V_IH, where the rail drops
    out."""
    run = Run(mid_level, meter=METER, to_ground=True, resistors=(None, 22e3), rail_read_v=None)
    rows = {row.trial.resistor: row for row in analysed(run).trials}
    net = rows["22 kΩ"].net_current
    assert net is not None
    assert net.u == pytest.approx(0.05 * 3.3 / np.sqrt(3.0) / 22e3, rel=0.02)
    assert rows["22 kΩ"].verdict == "stuck between"
    assert rows["22 kΩ"].settled is not None
    assert rows["22 kΩ"].settled.u < 1e-3


def test_accuracy_is_that_of_the_voltage_that_was_read() -> None:
    """A sound pull-up input rests at the rail, where the meter's gain error is largest: (3.3 · 1e-4 + 0.5 mV)/√3."""
    run = Run(sound, meter=METER, to_ground=True, noise_v=1e-6, resistors=(10e3,), seeds=(1,))
    settled = analysed(run).trials[0].settled
    assert settled is not None
    assert settled.u == pytest.approx((settled.value * 1e-4 + 0.5e-3) / np.sqrt(3.0), rel=1e-3)


def test_a_rail_that_drifts_is_taken_off_each_trial_by_itself() -> None:
    """Two trials at rails 20 mV apart: the trial resistor's current follows its own rail, not the mean."""
    run = Run(mid_level, to_ground=True, resistors=(22e3,), noise_v=2e-5, seeds=(1,))
    low, high = replace(run, rail_v=3.29, rail_read_v=3.29), replace(run, rail_v=3.31, rail_read_v=3.31)
    record, first = observed(low)
    second = observed(high)[1]
    trials = [(first[0][0], first[0][1]), (replace(first[0][0], sequence=2, repeat=2), second[0][1])]
    found = analyse(replace(record, planned=tuple(trial for trial, _ in trials)), trials).trials
    for row, made, rail_v in zip(found, (low, high), (3.29, 3.31), strict=True):
        assert row.settled is not None
        assert row.settled.value == pytest.approx(rest_v(made, 1 / 22e3), abs=5e-6)
        assert row.net_current is not None
        assert row.net_current.value == pytest.approx((rail_v - row.settled.value) / 22e3, rel=1e-6)


def test_each_rail_that_the_plan_steps_through_has_a_mirror_of_its_own() -> None:
    """3.0 V and 3.6 V, with levels that follow the rail: each node is reported where it is."""
    runs = [Run(mid_level, rail_v=v, rail_read_v=v, to_ground=True, noise_v=2e-5, seeds=(1,)) for v in (3.0, 3.6)]
    made = [observed(run) for run in runs]
    trials = [
        (replace(trial, sequence=trial.sequence + 100 * number), seen)
        for number, (_, observations) in enumerate(made)
        for trial, seen in observations
    ]
    levels = tuple(RailLevels(run.rail_v, record.levels) for run, (record, _) in zip(runs, made, strict=True))
    record = replace(made[0][0], planned=tuple(trial for trial, _ in trials), rail_levels=levels)
    found = analyse(record, trials)
    assert [pin.condition.rail_v for pin in found.pins] == [3.0, 3.6]
    for pin, run in zip(found.pins, runs, strict=True):
        assert (pin.bracket.low, pin.bracket.high) == ("8.2 kΩ", "10 kΩ")
        for row in pin.rows:
            fitted_s = {one.name: one for one in run.fitted()}[row.trial.resistor].conductance_s
            assert row.settled is not None
            assert row.settled.value == pytest.approx(rest_v(run, fitted_s), abs=1e-5)


def test_notes_speak_of_the_real_node() -> None:
    """Levels are those of the node, and every word has its partner."""
    run = Run(mid_level, to_ground=True, resistors=(None,), seeds=(1,))
    record, seen = observed(run)
    trial, made = seen[0]
    low = replace(made, before_v=0.4, reads_settled="low", notes=("low before the press: 0.400 V",))
    note = analyse(record, [(trial, low)]).trials[0].note
    assert "low before the press: 0.400 V" in note
    assert "high before" not in note
    unreadable = replace(made, notes=(), before_v=0.4)
    assert "low before the press: 400 mV" in analyse(record, [(trial, unreadable)]).trials[0].note


def test_a_node_that_never_left_ground_says_where_it_stayed() -> None:
    record, seen = observed(Run(mid_level, to_ground=True, resistors=(None,), seeds=(1,)))
    trial, made = seen[0]
    flat = Trace(made.trace.time_s, np.full(len(made.trace), made.hold_v) + 1e-5 * np.sin(made.trace.time_s * 9e3))
    row = analyse(record, [(trial, replace(made, trace=flat, holder="pin"))]).trials[0]
    assert row.verdict == "stuck low"
    assert f"the node stays at the press level, {made.hold_v:.3f} V" in row.note
    row = analyse(record, [(trial, replace(made, trace=flat, holder="press path"))]).trials[0]
    assert (row.verdict, row.note.split(";")[0]) == ("failed", "press path welded")
    row = analyse(record, [(trial, replace(made, trace=flat, holder="open"))]).trials[0]
    assert row.verdict == "held at press level"


def test_the_board_that_reads_low_is_believed() -> None:
    """Settled at 2.6 V, above V_IH of 2.5 V, and the board reads low: stuck low; the mirror image of stuck high."""
    run = Run(lambda volts: 0.7 / 60e3 * float(volts > 0.0), to_ground=True, resistors=(None,), seeds=(1,))
    record, seen = observed(run)
    trial, made = seen[0]
    row = analyse(record, [(trial, replace(made, reads_settled="low"))]).trials[0]
    assert row.verdict == "stuck low"
    assert row.note.startswith("the board reads low at 2.6")
    assert analyse(record, [(trial, made)]).trials[0].verdict == "released"


def test_v_ih_must_lie_below_the_rail_as_measured() -> None:
    record, seen = observed(Run(sound, to_ground=True, resistors=(None,), seeds=(1,)))
    trial, made = seen[0]
    with pytest.raises(RecordError, match=r"levels.v_ih: must be below the rail of 2.4 V .*: 2.5 V"):
        analyse(record, [(trial, replace(made, rail_v=2.4))])


def test_the_image_of_an_image_is_the_thing_itself() -> None:
    record, seen = observed(Run(plain, to_ground=True, resistors=(None, 22e3), seeds=(1,)))
    made = replace(seen[0][1], reads_held="low", notes=("low before the press: 0.400 V",))
    again = observation_image(observation_image(made, 3.25), 3.25)
    assert np.allclose(again.trace.voltage_v, made.trace.voltage_v, atol=1e-12)
    assert (again.reads_held, again.notes) == (made.reads_held, made.notes)
    found = analyse(record, seen)
    rails = {3.3: 3.25}
    twice = finding_image(finding_image(found, rails), rails)
    assert twice.pins[0].note == found.pins[0].note
    assert twice.trials[0].settled is not None
    assert found.trials[0].settled is not None
    assert twice.trials[0].settled.value == pytest.approx(found.trials[0].settled.value, abs=1e-12)
    assert record_image(record, []).levels.v_il == pytest.approx(0.8)


NO_LEVELS = {
    "hum_v": "an amplitude",
    "net_current": "counted as the leak drives it",
    "leakage": "counted as the leak drives it",
    "leak_a": "counted as the leak drives it",
    "largest": "counted as the leak drives it",
    "pull_down_s": "a conductance",
    "required": "a conductance",
    "pull_down": "a resistance",
    "safe_ohm": "a resistance",
    "safe": "a resistance",
    "claimed_v": "an uncertainty",
    "extra": "a current of the supply",
    "OverdriveFinding.at_least": "a current",
    "OverdriveFinding.at_most": "a current",
    "OverdriveFinding.swept": "a current",
    "RemedyFinding.first": "a current",
    "RemedyFinding.settled": "a current",
    "RemedyFinding.needed": "a current",
    "RemedyFinding.safe_gap": "a time",
    "by_leak": "counted from the level that pins rest at",
    "net_drift": "counted as the leak drives it",
    "leak_drift": "counted as the leak drives it",
    "leak": "counted as the leak drives it",
    "share": "a ratio",
    "slowest": "a pace",
    "rail_v": "the rail is what the mirror stands at",
}
"""Numbers of a finding that are the same in the mirror, and why."""


def test_every_number_of_a_finding_is_known_to_the_mirror() -> None:
    """Whoever adds a voltage or a value with its uncertainty to a finding must say what the mirror does to it."""
    unknown = []
    for kind in _kinds(RunFinding):
        known = {*LEVELS.get(kind, ()), *REVERSED.get(kind, ())}
        hints = typing.get_type_hints(kind)
        for field in fields(kind):
            is_value = Value in (hints[field.name], *typing.get_args(hints[field.name]))
            is_number = is_value or (field.name.endswith("_v") and not field.name.startswith("u_"))
            name = f"{kind.__name__}.{field.name}"
            if is_number and field.name not in known | NO_LEVELS.keys() and name not in NO_LEVELS:
                unknown.append(name)
    assert not unknown


def _kinds(start: type) -> list[type]:
    """Every dataclass that a finding holds, except what was observed and recorded."""
    found: list[type] = []

    def visit(hint: object) -> None:
        for one in (hint, *typing.get_args(hint)):
            if one is not hint:
                visit(one)
        known = not (isinstance(hint, type) and is_dataclass(hint)) or hint in (*found, Value)
        if (
            not known
            and isinstance(hint, type)
            and (hint.__module__.startswith("results.analysis") or hint is SweepStep)
        ):
            found.append(hint)
            for inner in typing.get_type_hints(hint).values():
                visit(inner)

    visit(start)
    return found


def test_the_gain_of_the_meter_scales_a_ratio_of_a_sweep_and_does_no_more() -> None:
    """I/(V_rail − V) with both voltages read by one meter: its gain error changes the ratio by itself, −ratio · g, not
    by the 3.3 V that were read."""
    record, _ = observed(Run(mid_level, meter=METER, to_ground=True, resistors=(None,), seeds=(1,)))
    image = record_image(replace(record, source=SourceModel(0.0, 0.0)), [])
    model = _Model(image, SourceModel(0.0, 0.0), SweepRules(33, 8, 2e-8, 1.0), 0.0, 0.0, rail_is_read=True)
    ratio_s, below_v = 106e-6, 0.9
    gain = model.limits(below_v, 0.0, -ratio_s / below_v, -1.0 / below_v, ratio_s / below_v)[0]
    assert gain.source.name == "meter gain"
    assert gain.sensitivity == pytest.approx(-ratio_s, rel=1e-9)
    not_read = replace(model, rail_is_read=False).limits(below_v, 0.0, 0.0, 0.0, ratio_s / below_v)[-1]
    assert abs(not_read.amount) == pytest.approx(ratio_s / below_v * 0.05 * 3.3 / np.sqrt(3.0), rel=1e-9)


def test_a_drawn_interval_lies_about_the_voltage_of_the_real_node() -> None:
    """It used to stay that of the image: 2.02 to 2.03 V beside a voltage of 1.27 V."""
    pin = pin_of(Run(mid_level, to_ground=True, meter=METER))
    drawn = [one for one in pin.budgets if one.budget.unit == "V" and one.comparison is not None]
    assert drawn
    for one in drawn:
        assert one.comparison is not None
        simulation = one.comparison.simulation
        assert simulation.low < one.budget.value < simulation.high
        assert simulation.low < simulation.mean < simulation.high
        # The ends are as far apart as is said of each of them.
        expanded = one.budget.expanded
        assert abs(one.budget.value - expanded - simulation.low) == pytest.approx(one.comparison.low_apart, rel=1e-6)
        assert abs(one.budget.value + expanded - simulation.high) == pytest.approx(one.comparison.high_apart, rel=1e-6)
