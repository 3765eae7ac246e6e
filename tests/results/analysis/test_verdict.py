"""Every verdict of the house, at and beside its border."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from results.analysis.findings import Edge, TraceFinding, Value, Verdict
from results.analysis.verdict import ORDER, judge, worst
from results.record.observation import Observation
from results.record.run_record import Levels
from results.record.trace import Trace
from tests.results.analysis.made_pins import RULES, empty_trace, trace_finding

LEVELS = Levels(v_il=0.8, v_ih=2.0)
U_V = 0.005
"""Standard; expanded with k = 2 it is 10 mV."""
SEEN = Observation(empty_trace(), contact="hold level")


def of(volts: float, observation: Observation = SEEN, trace: TraceFinding | None = None) -> tuple[Verdict, str]:
    return judge(observation, trace or trace_finding(volts), Value(volts, U_V), LEVELS, RULES)


@pytest.mark.parametrize(
    ("volts", "verdict"),
    [
        (2.0101, "stuck high"),
        (2.0099, "stuck between"),
        (0.8101, "stuck between"),
        (0.8099, "undecided"),
        (0.7901, "undecided"),
        (0.7899, "released"),
        (-0.02, "released"),
    ],
)
def test_the_whole_of_v_and_u_must_lie_on_one_side(volts: float, verdict: Verdict) -> None:
    trace = replace(trace_finding(0.0), settled=trace_finding(volts).settled)
    assert of(volts, trace=trace)[0] == verdict


def test_the_border_itself_belongs_to_stuck_high_and_to_released() -> None:
    exact = Value(2.0, 0.0)
    assert judge(SEEN, trace_finding(2.0), exact, LEVELS, RULES)[0] == "stuck high"
    assert judge(SEEN, trace_finding(0.8), Value(0.8, 0.0), LEVELS, RULES)[0] == "released"


def test_an_undecided_voltage_is_shown_with_its_uncertainty() -> None:
    assert of(0.8)[1] == "800 mV ± 10 mV straddles V_IL 800 mV"


def test_a_wider_coverage_factor_moves_the_border() -> None:
    wide = replace(RULES, coverage=3.0)
    assert judge(SEEN, trace_finding(2.012), Value(2.012, U_V), LEVELS, wide)[0] == "stuck between"
    assert judge(SEEN, trace_finding(2.012), Value(2.012, U_V), LEVELS, RULES)[0] == "stuck high"


@pytest.mark.parametrize(
    ("rule", "factor", "released", "stuck"),
    [("w = 0", 0.0, 0.8, 0.8), ("w = 0.83 U", 0.83, 0.7917, 0.8083), ("w = 1.5 U", 1.5, 0.785, 0.815)],
)
def test_the_guard_band_of_the_rule_moves_both_acceptance_limits(
    rule: str, factor: float, released: float, stuck: float
) -> None:
    """U is 10 mV: a voltage is released up to V_IL − w, stuck from V_IL + w on, and undecided between."""
    rules = replace(RULES, guard_rule=rule, guard_factor=factor)

    def verdict(volts: float) -> Verdict:
        return judge(SEEN, trace_finding(volts), Value(volts, U_V), LEVELS, rules)[0]

    assert verdict(released - 1e-6) == "released"
    assert verdict(stuck + 1e-6) == "stuck between"
    if factor:
        assert verdict(released + 1e-6) == verdict(stuck - 1e-6) == "undecided"
    assert verdict(2.0 + factor * 0.01 + 1e-6) == "stuck high"
    assert verdict(2.0 + factor * 0.01 - 1e-6) == "stuck between"


def test_an_undecided_voltage_names_a_rule_that_is_not_the_usual_one() -> None:
    rules = replace(RULES, guard_rule="w = 1.5 U", guard_factor=1.5)
    said = judge(SEEN, trace_finding(0.8), Value(0.8, U_V), LEVELS, rules)[1]
    assert said == "800 mV ± 15 mV (w = 1.5 U) straddles V_IL 800 mV"


def test_what_the_board_itself_reads_high_is_stuck_high() -> None:
    high = replace(SEEN, reads_settled="high")
    assert of(1.2, high) == ("stuck high", "the board reads high at 1.2 V")
    assert of(0.1, high)[0] == "stuck high"


def test_a_board_that_reads_low_at_a_high_level_changes_no_verdict_but_is_said() -> None:
    assert of(2.4, replace(SEEN, reads_settled="low")) == ("stuck high", "the board reads low there")


def test_later_than_allowed_is_slow() -> None:
    assert of(0.0, trace=trace_finding(0.0, release_time_s=0.0501)) == ("slow", "50.1 ms to V_IL, allowed 50 ms")
    assert of(0.0, trace=trace_finding(0.0, release_time_s=0.05))[0] == "released"


def test_low_without_a_release_edge_is_not_released() -> None:
    assert of(0.0, trace=trace_finding(0.0, release_time_s=None)) == (
        "undecided",
        "below V_IL at rest, but when it came there cannot be told",
    )


@pytest.mark.parametrize(
    ("holder", "verdict", "reason"),
    [
        ("pin", "stuck high", "held at the press level by the pin itself"),
        ("press path", "failed", "press path welded"),
        ("open", "held at press level", "held at press level, cause open: a strong leak or a welded press path"),
        ("", "held at press level", "held at press level, cause open: a strong leak or a welded press path"),
    ],
)
def test_a_node_that_stays_pressed_is_told_apart_by_who_holds_it(holder: str, verdict: Verdict, reason: str) -> None:
    trace = replace(trace_finding(3.3), edge=None, at_press_level=True)
    assert of(3.3, replace(SEEN, holder=holder), trace) == (verdict, reason)  # type: ignore[arg-type]


def test_a_node_that_left_the_press_level_after_the_log_is_not_called_held_there() -> None:
    """The board read high while held and low afterwards: where the log came too early, nothing is shown either way."""
    trace = replace(trace_finding(3.3), edge=None, at_press_level=True)
    late = replace(SEEN, holder="pin", reads_held="high", reads_settled="low")
    assert of(3.3, late, trace) == (
        "undecided",
        "at the press level to the end of the log, but low at the board after it",
    )
    for word in ("high", ""):
        assert of(3.3, replace(late, reads_settled=word), trace)[0] == "stuck high"  # type: ignore[arg-type]


def test_no_contact_is_never_released() -> None:
    assert of(0.0, replace(SEEN, contact="disproven")) == ("no contact", "contact disproven")
    assert of(0.0, replace(SEEN, outcome="no contact"))[0] == "no contact"
    assert of(3.3, replace(SEEN, contact="disproven"))[0] == "no contact"


def test_a_failed_procedure_stays_failed() -> None:
    assert of(0.0, replace(SEEN, outcome="failed"))[0] == "failed"


def test_a_trace_that_cannot_be_read_fails_with_its_own_line() -> None:
    broken = TraceFinding(None, None, None, None, None, problem="trace: times must increase: sample 3")
    assert judge(SEEN, broken, None, LEVELS, RULES) == ("failed", "trace: times must increase: sample 3")
    assert judge(SEEN, None, None, LEVELS, RULES) == ("failed", "no trace")


def test_hum_that_hides_in_the_sample_rate_is_not_the_pins_fault() -> None:
    hidden = TraceFinding(None, None, None, None, None, problem="trace: hum cannot be told from a steady voltage")
    assert judge(SEEN, hidden, None, LEVELS, RULES)[0] == "undecided"


def falling(tau_s: float, level_v: float, length_s: float, from_v: float = 3.3) -> tuple[Observation, TraceFinding]:
    """A node that is still on its way when the log ends; release at 20 ms."""
    time = np.arange(0.0, length_s, 1e-4)
    free = np.clip(time - 0.02, 0.0, None)
    noise = np.random.default_rng(3).normal(0.0, 4e-4, time.size)
    volts = level_v + (from_v - level_v) * np.exp(-free / tau_s) + noise
    last = float(volts[-20:].mean())
    below = tau_s * np.log((from_v - level_v) / (0.8 - level_v)) if last < 0.8 else None
    edge = Edge(199, 200, 0.02, 3e-5, from_v, False, 0)
    finding = TraceFinding(edge, None, None, below, Value(last, 1e-3), moving=True)
    return replace(SEEN, trace=Trace(time, volts)), finding


def verdict_of(made: tuple[Observation, TraceFinding]) -> Verdict:
    observation, finding = made
    return judge(observation, finding, finding.last_v, LEVELS, RULES)[0]


def test_a_moving_node_below_v_il_in_time_and_falling_is_released() -> None:
    assert verdict_of(falling(tau_s=0.03, level_v=0.0, length_s=0.14)) == "released"


def test_a_moving_node_below_v_il_too_late_is_slow() -> None:
    assert verdict_of(falling(tau_s=0.06, level_v=0.0, length_s=0.14)) == "slow"


def test_a_moving_node_about_to_pass_v_il_after_the_time_allowed_is_slow() -> None:
    """At 0.88 V after 120 ms, falling by 0.2 V a window."""
    assert verdict_of(falling(tau_s=0.09, level_v=0.0, length_s=0.14)) == "slow"


def test_a_moving_node_far_above_v_il_is_undecided_whatever_its_curve_promises() -> None:
    """At 1.8 V: the leak may yet hold it at a level that it has not passed."""
    assert verdict_of(falling(tau_s=0.2, level_v=0.0, length_s=0.14)) == "undecided"


def test_a_node_that_comes_to_rest_just_above_v_il_is_not_on_its_way() -> None:
    assert verdict_of(falling(tau_s=0.05, level_v=0.85, length_s=0.14)) == "undecided"


def test_a_log_shorter_than_the_time_allowed_cannot_show_slow() -> None:
    assert verdict_of(falling(tau_s=0.02, level_v=0.0, length_s=0.048)) == "undecided"


def test_a_node_below_v_il_that_rises_is_undecided() -> None:
    assert verdict_of(falling(tau_s=0.1, level_v=0.9, length_s=0.14, from_v=0.2)) == "undecided"


def test_the_worst_counts_and_what_is_no_evidence_only_where_nothing_else_is() -> None:
    assert worst(["released", "stuck between", "slow"]) == "stuck between"
    assert worst(["released", "no contact", "failed"]) == "released"
    assert worst(["failed", "no contact"]) == "no contact"
    assert worst([]) == "not tested"


def test_the_order_is_that_of_the_design() -> None:
    assert ORDER == (
        "stuck high",
        "stuck low",
        "stuck between",
        "held at press level",
        "undecided",
        "slow",
        "released",
        "no contact",
        "failed",
        "not tested",
    )
