"""What clears a pin that latches, from what was seen of each remedy; a margin only where it is known."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from procedures.changeover import changeover
from procedures.driven_low import driven_low
from procedures.forced_sweep import forced_sweep
from procedures.polled_buffer import polled_buffer
from procedures.press_release import press_release
from procedures.unlatch import unlatch
from results.analysis.analysis import analyse
from results.analysis.findings import RunFinding
from results.analysis.found.remedy import RemedyFinding
from results.analysis.pin_bench import PinBench
from results.analysis.remedies.remedies import with_remedies
from results.analysis.remedies.remedy_polled import polled_step
from results.analysis.remedies.remedy_steps import fall_time
from results.analysis.remedies.remedy_text import clears_text, margin_text, side_by_side, step_text
from results.record.observation import Observation, Probe
from results.record.run_record import Remedy, RemedyRules, RunRecord
from results.record.trace import Trace
from results.record.trial import NO_RESISTOR, Condition, Kind, Pin, Trial
from tests.procedures.curve_bench import SWEEP, CurveBench, Errors, Law, memoryless, record, settings
from tests.procedures.latch_bench import LATCHES, LatchBench

ALL: tuple[Remedy, ...] = ("external pull-down", "driven low", "changeover contact", "polled buffer")
CONDITION = Condition("reset default", 3.3)
RULES = RemedyRules(ALL, 4e-3, "polled buffer", 0.05, 20e-6, polls=3)
PROCEDURES: dict[str, Callable[..., Observation]] = {
    "press_release": press_release,
    "unlatch": unlatch,
    "driven_low": driven_low,
    "changeover": changeover,
    "polled_buffer": polled_buffer,
}
KINDS: dict[str, Kind] = {"press_release": "trial", "unlatch": "unlatch"}


def run(
    law: Law = LATCHES,
    *,
    rules: RemedyRules = RULES,
    resistors: tuple[str, ...] = (NO_RESISTOR, "10 kΩ", "8.2 kΩ", "4.7 kΩ"),
    steps: tuple[str, ...] = ("unlatch", "driven_low", "changeover", "polled_buffer"),
    swept: bool = False,
    bench: Callable[[], LatchBench] | None = None,
) -> RunFinding:
    """Trials with these resistors, then these steps, each on a fresh bench in memory."""
    made: list[tuple[Trial, Observation]] = []
    for name, resistor in [*(("press_release", r) for r in resistors), *((step, NO_RESISTOR) for step in steps)]:
        repeat = 1 + sum(trial.procedure == name and trial.resistor == resistor for trial, _ in made)
        kind = KINDS.get(name, "remedy")
        trial = Trial(len(made) + 1, name, "D1", resistor, CONDITION, repeat, kind=kind)
        there = (bench or (lambda: LatchBench(law=law)))()
        made.append((trial, PROCEDURES[name](there.as_bench(), trial, settings(remedies=rules))))
    if swept:
        sweep = replace(SWEEP, sequence=len(made) + 1)
        on = CurveBench(memoryless(law), Errors(noise_v=5e-6, noise_a=1e-9)).as_bench()
        made.append((sweep, forced_sweep(on, sweep, settings())))
    return analyse(replace(record(), planned=tuple(trial for trial, _ in made), remedies=rules), made)


def remedies(finding: RunFinding) -> dict[str, RemedyFinding]:
    return {one.remedy: one for one in finding.pins[0].remedies}


def test_every_remedy_clears_a_pin_that_latches() -> None:
    """Common practice, no source: an external 8.2 kΩ, a source that drives low, a changeover contact and a buffer that
    is polled each clear such a pin."""
    found = remedies(run())
    assert {one.remedy: one.verdict for one in found.values()} == dict.fromkeys(ALL, "clears")
    assert {one.remedy: (one.cleared, one.tries) for one in found.values()} == dict.fromkeys(ALL, (1, 1))
    assert found["external pull-down"].resistor in ("8.2 kΩ", "4.7 kΩ")


def test_a_resistor_takes_current_and_power_while_the_pin_is_pressed() -> None:
    """Ohm: 3.3 V over 8.2 kΩ is 402 µA and 1.33 mW."""
    found = remedies(run(resistors=(NO_RESISTOR, "10 kΩ", "8.2 kΩ")))["external pull-down"]
    assert (found.resistor, found.margin) == ("8.2 kΩ", None)
    assert found.extra_current_a == pytest.approx(402.4e-6, rel=1e-3)
    assert found.power_w == pytest.approx(1.328e-3, rel=1e-3)
    assert found.note.startswith("no margin is shown")


def test_with_a_sweep_the_margin_of_a_resistor_is_that_to_its_lower_limit() -> None:
    """9.38 kΩ are safe, 8.2 kΩ and 1 % were tried: 13 %."""
    found = remedies(run(resistors=(NO_RESISTOR, "10 kΩ", "8.2 kΩ"), swept=True))["external pull-down"]
    assert found.margin == pytest.approx(9377.77 / (8200.0 * 1.01) - 1.0, abs=0.01)
    assert found.note == (
        "less than the margin of 20 % that the plan asks for: 6.8 kΩ, which is recommended, was not tried"
    )


def test_a_driver_must_sink_the_overdrive_current_and_has_a_margin_to_it() -> None:
    """The made curve drives 101.8 µA at most; 4 mA are 39 times that."""
    with_sweep = remedies(run(swept=True))["driven low"]
    assert with_sweep.needed is not None
    assert with_sweep.needed.value == pytest.approx(101.8e-6, rel=0.005)
    assert with_sweep.margin == pytest.approx(4e-3 / 101.8e-6 - 1.0, rel=0.01)
    by_resistors = remedies(run())["driven low"]
    assert by_resistors.margin is not None
    # What resistors show to be enough is more than what is needed: a smaller margin, never a larger one.
    assert by_resistors.margin < with_sweep.margin


def test_no_margin_is_made_up() -> None:
    unknown = remedies(run(steps=("driven_low",)))["driven low"]
    assert (unknown.verdict, unknown.margin) == ("clears", None)
    assert unknown.note == "no margin: the overdrive current is not known ([sweep] or [unlatch])"
    unsaid = remedies(run(rules=replace(RULES, driver_current_a=None)))["driven low"]
    assert unsaid.note == "no margin: the plan does not say what the driver can sink (remedies.driver_current)"


def test_a_pin_that_does_not_latch_has_nothing_to_be_cleared_and_is_not_counted() -> None:
    finding = run(lambda v: -v / 60e3)
    assert {one.verdict for one in remedies(finding).values()} == {"nothing to clear"}
    assert {clears_text(row) for row in side_by_side(finding)} == {"no pin latches"}


def test_a_try_before_which_the_pin_did_not_latch_says_nothing() -> None:
    """Of a pin that latches in every other press."""
    turns = itertools.cycle((True, False))

    def in_every_other_press() -> LatchBench:
        takes = next(turns)
        return LatchBench(latches=lambda _: takes)

    finding = run(
        resistors=(NO_RESISTOR,) * 2,
        steps=("driven_low",) * 4,
        rules=replace(RULES, tried=("driven low",)),
        bench=in_every_other_press,
    )
    found = remedies(finding)["driven low"]
    assert (found.verdict, found.tries, found.cleared) == ("clears", 2, 2)
    assert found.note.startswith("the pin did not latch in 2 of 4 tries, which say nothing")


def test_what_a_pin_that_latches_only_sometimes_needs_is_not_told_by_luck() -> None:
    """Two bare trials, one of which stuck; then it was low while grounded, polled, and on 8.2 kΩ: perhaps by itself."""
    turns = itertools.cycle((True, False))

    def in_every_other_press() -> LatchBench:
        takes = next(turns)
        return LatchBench(latches=lambda _: takes)

    resistors = (NO_RESISTOR, NO_RESISTOR, "8.2 kΩ", "8.2 kΩ")
    steps = ("changeover", "polled_buffer", "driven_low", "driven_low")
    found = remedies(run(resistors=resistors, steps=steps, bench=in_every_other_press))
    assert {one.remedy: one.verdict for one in found.values()} == {
        "external pull-down": "undecided",
        "driven low": "clears",
        "changeover contact": "undecided",
        "polled buffer": "undecided",
    }
    assert "latches only sometimes" in found["changeover contact"].note


def test_a_resistor_that_is_too_large_does_not_clear() -> None:
    found = remedies(run(resistors=(NO_RESISTOR, "22 kΩ", "10 kΩ")))["external pull-down"]
    assert (found.verdict, found.resistor, found.margin) == ("does not clear", "10 kΩ", None)


def test_a_board_that_reads_a_released_pin_high_is_not_cleared_by_polling() -> None:
    """A plain leak on a small node lifts it within the 20 µs of a poll: between the polls it is low all the same."""
    finding = run(bench=lambda: LatchBench(polled_high=lambda: True))
    found = remedies(finding)["polled buffer"]
    assert (found.verdict, found.cleared, found.polls_right, found.polls) == ("does not clear", 0, 3, 6)
    assert "the board read polls wrong" in found.note
    assert "the board did not follow a release within poll_period of 50 ms" in found.note
    [row] = [row for row in side_by_side(finding) if row.remedy == "polled buffer"]
    assert clears_text(row) == "0 of 1, not D1"


def test_what_rises_again_once_nothing_grounds_it_is_said() -> None:
    found = remedies(run(lambda v: 34e-6 - v / 60e3))
    assert found["changeover contact"].verdict == "clears"
    assert found["changeover contact"].note == "the pin goes up again once the contact opens"
    assert "the pin goes up again once the source lets go" in found["driven low"].note


def test_what_was_not_made_or_failed_is_no_evidence() -> None:
    found = remedies(run(steps=()))
    assert (found["driven low"].verdict, found["driven low"].note) == ("not tried", "not made")
    finding = run(steps=("driven_low",))
    made = [(row.trial, row.observation) for row in finding.trials if row.observation is not None]
    trial = Trial(5, "driven_low", "D1", NO_RESISTOR, CONDITION, 1, kind="remedy")
    failed = Observation(Trace(np.empty(0), np.empty(0)), outcome="failed", notes=("a short",))
    again = remedies(analyse(finding.record, [*made, (trial, failed)]))["driven low"]
    assert (again.verdict, again.note) == ("failed", "a short; failed")


def fallen(tau_s: float, interval_s: float = 1e-4) -> tuple[RunRecord, Observation]:
    """A polled release at 20 ms of a node that falls from 3.3 V with this time constant."""
    time_s = interval_s * np.arange(2200)
    volts = np.where(time_s < 0.02, 3.3, 3.3 * np.exp(-np.maximum(time_s - 0.02, 0.0) / tau_s))
    volts = volts + np.random.default_rng(2).normal(0.0, 1e-4, time_s.size)
    marks = np.array([0.02, 0.021, 0.03, 0.031, 0.06, 0.062])
    whole = np.concatenate((volts, np.full(6, math.nan), [3.3, 1e-5]))
    probes = (
        Probe("released", 0, 2200),
        Probe("released", 2200, 2, repeat=0),
        Probe("polled", 2202, 2, reads="high", repeat=0),
        Probe("polled", 2204, 2, reads="low", repeat=0),
        Probe("polled", 2206, 1, level_v=3.3, reads="high"),
        Probe("polled", 2207, 1, reads="low"),
    )
    trace = Trace(np.concatenate((time_s, marks, [0.3, 0.4])), whole)
    seen = Observation(trace, rail_v=3.3, hold_v=3.3, released_after_s=0.02, probes=probes, contact="board reading")
    return replace(record(), remedies=RULES), seen


@pytest.mark.parametrize("tau_s", [1.3e-3, 6e-3])
def test_the_safe_gap_is_the_fall_from_the_rail_to_v_il_with_its_u(tau_s: float) -> None:
    """Any textbook: V = V_0 · exp(−t/τ), so that t = τ · ln(V_0/V); from 3.3 V to 0.8 V 1.4171 τ."""
    known, seen = fallen(tau_s)
    step = polled_step(PinBench(known, Pin("D1")), seen)
    assert step is not None
    assert step.safe_gap is not None
    assert abs(step.safe_gap.value - 1.41707 * tau_s) <= 3.0 * step.safe_gap.u
    assert 0.0 < step.safe_gap.u < 0.01 * step.safe_gap.value
    assert not step.safe_gap_is_bound
    assert step.release_time_s == pytest.approx(1.41707 * tau_s, rel=0.02)


def test_of_a_node_too_fast_to_be_seen_the_safe_gap_is_an_upper_bound() -> None:
    known, seen = fallen(8e-6)
    step = polled_step(PinBench(known, Pin("D1")), seen)
    assert step is not None
    assert step.safe_gap is not None
    assert step.safe_gap_is_bound
    assert 1.41707 * 8e-6 < step.safe_gap.value < 1e-3


def test_how_long_the_board_took_is_told_from_the_command_to_the_answer() -> None:
    """Commanded at 20 ms and made at 21 ms; asked at 30 ms, it read high; asked at 60 ms, it had answered at 62 ms.

    The node took 1.8 ms to fall, so that for 7.2 ms at least there was no poll.
    """
    known, seen = fallen(1.3e-3)
    step = polled_step(PinBench(known, Pin("D1")), seen)
    assert step is not None
    assert step.followed_s == pytest.approx(0.042)
    assert step.period_at_least_s == pytest.approx(0.009 - 1.41707 * 1.3e-3, abs=2e-4)
    assert step.notes == ()


def test_a_poll_period_below_the_safe_gap_has_a_negative_margin_and_does_not_count_as_cleared() -> None:
    """60 ms of time constant: 85 ms of fall, and a poll every 50 ms meets a node that is still high."""
    finding = run(steps=("polled_buffer",), rules=replace(RULES, tried=("polled buffer",)))
    _, seen = fallen(0.012)
    slow = replace(
        seen, trace=Trace(seen.trace.time_s * np.where(np.arange(2208) < 2200, 5.0, 1.0), seen.trace.voltage_v)
    )
    made = [(row.trial, row.observation) for row in finding.trials if row.observation is not None]
    trial = Trial(5, "polled_buffer", "D1", NO_RESISTOR, CONDITION, 1, kind="remedy")
    slow = replace(slow, released_after_s=0.1)
    patient = replace(finding.record, rules=replace(finding.record.rules, allowed_s=0.2))
    found = remedies(analyse(patient, [*made, (trial, slow)]))["polled buffer"]
    assert found.verdict == "undecided"
    assert found.note == "it cleared the pin in these tries, but may be short of the time that is needed"
    assert found.margin is not None
    assert found.margin < 0.0
    assert margin_text(found.margin, found.margin_of).startswith("-")
    late = remedies(analyse(finding.record, [*made, (trial, slow)]))["polled buffer"]
    assert (late.verdict, late.margin) == ("does not clear", None)
    assert late.note == "below V_IL later than release.allowed of 50 ms"


def test_the_overdrive_current_of_a_sweep_is_no_more_certain_than_the_load_of_the_bench() -> None:
    """Half of 10 MΩ in doubt: at 2 V at most 0.1 µA, rectangular, on top of what meter and source leave."""
    finding = run(swept=True, steps=())
    made = [(row.trial, row.observation) for row in finding.trials if row.observation is not None]
    sweep = finding.pins[0].sweep
    assert sweep is not None
    assert sweep.observation is not None
    vague = replace(finding.record, meter=replace(finding.record.meter, input_tolerance=0.5))
    doubtful = analyse(vague, [*made, (sweep.trial, sweep.observation)]).pins[0].overdrive
    certain = finding.pins[0].overdrive
    assert doubtful is not None
    assert certain is not None
    assert doubtful.swept is not None
    assert certain.swept is not None
    assert certain.latched_v is not None
    assert certain.latched_v.value == pytest.approx(2.0309, abs=5e-3)
    assert 0.5e-3 / math.sqrt(3.0) < certain.latched_v.u < 2e-3
    more_a = math.sqrt(doubtful.swept.u**2 - certain.swept.u**2)
    assert 0.8 * 0.05e-6 / math.sqrt(3.0) < more_a < 2.03 * 0.05e-6 / math.sqrt(3.0)


def test_a_driver_that_cannot_sink_what_is_needed_is_not_said_to_clear() -> None:
    """The source of the bench sank 100 µA; the driver of the product, 50 µA, need not."""
    found = remedies(run(rules=replace(RULES, driver_current_a=50e-6)))["driven low"]
    assert (found.verdict, found.cleared) == ("undecided", 1)
    assert found.margin is not None
    assert found.margin < 0.0
    assert found.note.endswith("may be short of the current that is needed")


def test_a_resistor_beyond_the_lower_limit_of_the_sweep_is_not_said_to_clear() -> None:
    """9.1 kΩ released with the meter beside it; as bought it may have 10 % more, and 9.38 kΩ are safe."""
    finding = run(resistors=(NO_RESISTOR, "10 kΩ", "8.2 kΩ"), swept=True)
    made = [(row.trial, row.observation) for row in finding.trials if row.observation is not None]
    sweep = finding.pins[0].sweep
    assert sweep is not None
    assert sweep.observation is not None
    wide = replace(finding.record, rules=replace(finding.record.rules, advised_tolerance=0.2))
    found = remedies(analyse(wide, [*made, (sweep.trial, sweep.observation)]))["external pull-down"]
    assert (found.verdict, found.cleared, found.tries) == ("undecided", 1, 1)
    assert found.margin == pytest.approx(9377.77 / (8200.0 * 1.2) - 1.0, abs=0.01)


def test_the_safe_gap_is_that_of_the_pin_without_the_meter() -> None:
    """10 MΩ beside 90 kΩ, the weakest pull-down that the plan expects, make the node faster by 0.9 %."""
    finding = run(steps=("polled_buffer",), rules=replace(RULES, tried=("polled buffer",)))
    known, seen = fallen(1.3e-3)
    step = polled_step(PinBench(known, Pin("D1")), seen)
    made = [(row.trial, row.observation) for row in finding.trials if row.observation is not None]
    trial = Trial(5, "polled_buffer", "D1", NO_RESISTOR, CONDITION, 1, kind="remedy")
    found = remedies(analyse(finding.record, [*made, (trial, seen)]))["polled buffer"]
    assert step is not None
    assert step.safe_gap is not None
    assert found.safe_gap is not None
    assert found.safe_gap.value / step.safe_gap.value == pytest.approx(1.009, abs=2e-4)


def test_a_node_that_only_the_meter_pulled_low_is_not_cleared_by_polling() -> None:
    """Without a pull-down of its own nothing takes a polled pin low on the unit."""
    finding = run(steps=("polled_buffer",), rules=replace(RULES, tried=("polled buffer",)))
    _, seen = fallen(1.3e-3)
    trial = Trial(5, "polled_buffer", "D1", NO_RESISTOR, CONDITION, 1, kind="remedy")
    assert remedies(finding)["polled buffer"].verdict == "clears"
    bare = replace(finding.pins[0], pull_down=None, pull_down_from="not found")
    [found] = with_remedies(finding.record, (bare,), [(trial, seen)])[0].remedies
    assert (found.verdict, found.safe_gap) == ("undecided", None)
    assert found.note.endswith("the meter may be what pulled the node low")


def test_where_the_fall_is_no_exponential_the_safe_gap_is_no_less_than_what_was_seen() -> None:
    """A transistor that draws the less the higher the node: slow at first."""
    known, seen = fallen(6e-3)
    time_s, count = seen.trace.time_s, 2200
    fall = np.maximum(time_s[:count] - 0.02, 0.0) / 6e-3
    slow = 3.3 / (1.0 + np.expm1(fall) * 0.15)
    volts = np.concatenate((slow + np.random.default_rng(3).normal(0.0, 1e-4, count), seen.trace.voltage_v[count:]))
    step = polled_step(PinBench(known, Pin("D1")), replace(seen, trace=Trace(time_s, volts)))
    assert step is not None
    assert step.safe_gap is not None
    assert step.release_time_s is not None
    assert step.safe_gap.value >= step.release_time_s > 1.8 * 1.41707 * 6e-3
    assert step.notes[-1].endswith("no less than the fall that was seen")


def test_of_a_log_that_was_cut_short_it_is_not_told_how_long_the_board_took() -> None:
    known, seen = fallen(1.3e-3)
    cut = replace(seen, trace=Trace(seen.trace.time_s[:2200], seen.trace.voltage_v[:2200]))
    step = polled_step(PinBench(known, Pin("D1")), cut)
    assert step is not None
    assert (step.followed_s, step.period_at_least_s) == (None, None)


def test_a_rail_below_v_il_has_no_safe_gap() -> None:
    known, seen = fallen(1.3e-3)
    step = polled_step(PinBench(known, Pin("D1")), replace(seen, rail_v=0.0))
    assert step is not None
    assert step.safe_gap is None
    assert "the safe gap is not determined" in step.notes[0]


def test_how_late_a_contact_is_may_be_the_doing_of_the_relays() -> None:
    finding = run(steps=("changeover",), rules=replace(RULES, tried=("changeover contact",)))
    hurried = replace(finding.record, rules=replace(finding.record.rules, allowed_s=1e-5))
    made = [(row.trial, row.observation) for row in finding.trials if row.observation is not None]
    trial = finding.record.planned[-1]
    seen = changeover(LatchBench().as_bench(), trial, settings(remedies=RULES))
    found = remedies(analyse(hurried, [*made, (trial, seen)]))["changeover contact"]
    assert found.verdict == "undecided"
    assert found.note.endswith("the time that two relays take included")
    [row] = side_by_side(analyse(hurried, [*made, (trial, seen)]))
    assert clears_text(row) == "0 of 1; open: D1"


def test_a_pin_that_nobody_could_try_is_not_counted_among_those_that_latch() -> None:
    finding = run(lambda v: -v / 60e3, steps=())
    rows = {row.remedy: clears_text(row) for row in side_by_side(finding)}
    assert rows["driven low"] == "no pin latches; open: D1"


def test_a_fall_is_timed_from_the_last_sample_at_its_level_to_the_first_that_stays_low() -> None:
    time_s = 1e-3 * np.arange(20)
    volts = np.array([3.3] * 8 + [2.0, 0.3, 2.0, 0.3] + [0.0] * 8)
    assert fall_time(time_s, volts, 0.8, 0.1) == pytest.approx(4e-3)
    assert fall_time(time_s, volts[::-1].copy(), 0.8, 0.1) is None
    assert fall_time(time_s, np.zeros(20), 0.8, 0.1) is None


def test_margins_and_steps_in_words() -> None:
    assert margin_text(0.134, "conductance") == "13 % in conductance"
    assert margin_text(38.3, "current") == "39.3 × in current"
    assert margin_text(None, "time") == "not determined"
    one = RemedyFinding("polled buffer", "clears", tries=1, cleared=1, polls=6, polls_right=6)
    assert step_text(one) == "the pin is released, 6 of 6 polls right"
    assert step_text(RemedyFinding("driven low", "failed", note="a short")) == "failed  (a short)"
