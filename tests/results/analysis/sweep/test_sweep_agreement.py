"""Sweep and trials agree or disagree, in numbers; the worse one is advised, and nothing is averaged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from results.analysis.findings import Advice, SweepBranch, SweepFinding, Value, Verdict
from results.analysis.resistor.sweep_advice import advise_with_sweep
from results.analysis.sweep.sweep_agreement import branch_text, compared
from results.record.observation import Branch
from results.record.trial import NO_RESISTOR, Resistor
from tests.procedures.curve_bench import SWEEP
from tests.results.analysis.made_pins import RULES

OK: Verdict = "released"
HIGH: Verdict = "stuck high"
LOAD_S = 1e-7


def branch(ohm: float, half: float = 0.01, name: Branch = "down") -> SweepBranch:
    return SweepBranch(name, Value(1.0 / ohm, half / ohm / 2.0), half / ohm, 0.9)


def sweep_of(down: SweepBranch, up: SweepBranch | None = None) -> SweepFinding:
    """As the analysis makes it: the worse branch and the limits of its interval."""
    worse = max(down, up or down, key=lambda one: one.required.value)
    least_s, most_s = worse.required.value - worse.half_width_s, worse.required.value + worse.half_width_s
    finding = SweepFinding(SWEEP, None, down=down, up=up or down, worse=worse)
    if most_s <= 0.0:
        return replace(finding, needed=False)
    return replace(
        finding,
        needed=True if least_s > 0.0 else None,
        safe=Value(1.0 / worse.required.value, 1.0) if least_s > 0.0 else None,
        safe_low_ohm=1.0 / most_s,
        safe_high_ohm=1.0 / least_s if least_s > 0.0 else None,
    )


def against(
    sweep: SweepFinding, *tried: tuple[float | None, Sequence[Verdict]], series_ohm: float = 0.0
) -> SweepFinding:
    verdicts = {
        Resistor(NO_RESISTOR if ohm is None else f"{ohm / 1e3:g} kΩ", ohm, 0.01): list(seen) for ohm, seen in tried
    }
    return compared(sweep, verdicts, load_s=LOAD_S, series_ohm=series_ohm, coverage=2.0)


BRACKET = ((None, [HIGH] * 3), (10e3, [HIGH] * 3), (8.2e3, [OK] * 3))


def test_a_sweep_inside_the_bracket_agrees() -> None:
    finding = against(sweep_of(branch(9.378e3)), *BRACKET)
    assert finding.agreement == "agrees"
    assert finding.agreement_text == (
        "agreement: down branch of the sweep: 9.378 kΩ (9.285 kΩ to 9.473 kΩ); 8.2 kΩ released every time, 10 kΩ stuck"
    )


def test_a_resistor_that_released_although_the_sweep_asks_for_more_disagrees() -> None:
    finding = against(sweep_of(branch(5e3)), *BRACKET)
    assert finding.agreement == "disagrees"
    assert finding.agreement_text == (
        "disagreement: down branch of the sweep: 5 kΩ (4.95 kΩ to 5.051 kΩ), but 8.2 kΩ released in 3 of 3"
    )


def test_a_resistor_that_stuck_although_the_sweep_allows_more_disagrees() -> None:
    finding = against(sweep_of(branch(20e3)), (10e3, [OK, HIGH, OK]), (8.2e3, [OK] * 3))
    assert finding.agreement_text == (
        "disagreement: down branch of the sweep: 20 kΩ (19.8 kΩ to 20.2 kΩ), but 10 kΩ stuck in 1 of 3 presses"
    )


def test_within_the_uncertainty_of_sweep_and_resistor_nothing_disagrees() -> None:
    """9.95 kΩ ± 1 % and a stuck 10 kΩ of 1 %; 10.1 kΩ ± 1 % and a released one."""
    assert against(sweep_of(branch(10.1e3)), (10e3, [HIGH])).agreement == "agrees"
    assert against(sweep_of(branch(9.95e3)), (10e3, [OK])).agreement == "agrees"


def test_the_bare_pin_carries_the_load_of_the_bench() -> None:
    """12 MΩ are safe: with the meter's 10 MΩ on it, it may well release, and without it it would stick."""
    assert against(sweep_of(branch(12e6)), (None, [OK] * 3)).agreement == "agrees"
    sticks = against(sweep_of(branch(12e6)), (None, [HIGH] * 3))
    assert sticks.agreement_text == (
        "disagreement: down branch of the sweep: 12 MΩ (11.88 MΩ to 12.12 MΩ), but the bare pin stuck in 3 of 3 presses"
    )


def test_it_is_the_down_branch_that_trials_are_compared_with() -> None:
    sweep = sweep_of(branch(9.4e3), branch(5e3, name="up"))
    assert against(sweep, *BRACKET).agreement == "agrees"
    assert sweep.worse is not None
    assert sweep.worse.branch == "up"


def test_a_series_resistance_lies_between() -> None:
    """The pin sees 8.2 kΩ and 1 kΩ; a largest safe resistance of 9.4 kΩ lets that release."""
    assert against(sweep_of(branch(9.4e3)), (8.2e3, [OK] * 3), series_ohm=1e3).agreement == "agrees"
    assert against(sweep_of(branch(8.9e3)), (8.2e3, [OK] * 3), series_ohm=1e3).agreement == "disagrees"


def test_without_evidence_nothing_is_compared() -> None:
    finding = against(sweep_of(branch(9.4e3)), (8.2e3, ["failed"]))
    assert (finding.agreement, finding.agreement_text) == ("not compared", "")


def test_a_branch_in_words() -> None:
    assert branch_text(branch(9.378e3)) == "9.378 kΩ (9.285 kΩ to 9.473 kΩ)"
    assert branch_text(SweepBranch("down", Value(1e-8, 1e-8), 2e-8, 0.8)) == "at least 33.33 MΩ, no upper limit"
    assert branch_text(SweepBranch("down", Value(-1.7e-5, 1e-8), 2e-8, 0.8)) == "no resistor needed"


BY_TRIALS = Advice(4.7e3, True, 0.7, "4.7 kΩ released in all 3 presses")


def advised(sweep: SweepFinding, trials: Advice = BY_TRIALS, series_ohm: float = 0.0) -> Advice:
    return advise_with_sweep(trials, sweep, RULES, series_ohm)


def test_the_largest_value_that_keeps_the_margin_to_the_lower_limit() -> None:
    """9.285 kΩ less 20 % and 1 %: 7.66 kΩ, so 6.8 kΩ of E12; 8.2 kΩ would keep 12 % only."""
    advice = advised(sweep_of(branch(9.378e3)))
    assert (advice.ohm, advice.needed) == (6.8e3, True)
    assert advice.margin == pytest.approx(9.378e3 / 1.01 / (6.8e3 * 1.01) - 1.0)
    assert advice.reason == "margin 35 % to 9.285 kΩ, the lower limit of the sweep on its worse branch (down)"


def test_the_worse_branch_decides() -> None:
    advice = advised(sweep_of(branch(9.378e3), branch(6e3, name="up")))
    assert advice.ohm == 4.7e3
    assert "worse branch (up)" in advice.reason


def test_the_series_resistance_on_the_board_is_taken_off() -> None:
    advice = advised(sweep_of(branch(9.378e3)), series_ohm=2e3)
    assert advice.ohm == 5.6e3
    assert advice.reason.endswith("less 2 kΩ on the board")
    none = advised(sweep_of(branch(9.378e3)), series_ohm=10e3)
    assert (none.ohm, none.needed) == (None, True)
    assert none.reason.startswith("the 10 kΩ on the board alone are more than 9.285 kΩ")


def test_where_both_disagree_the_smaller_counts_and_both_must_name_one() -> None:
    high = against(sweep_of(branch(20e3)), (10e3, [HIGH] * 3))
    low = against(sweep_of(branch(5e3)), *BRACKET)
    assert advised(high).ohm == 4.7e3
    assert advised(high).reason == "sweep and trials disagree, the smaller counts: 4.7 kΩ released in all 3 presses"
    assert advised(low).ohm == 3.9e3
    nothing = advised(low, Advice(None, True, None, "no tried resistor released every time"))
    assert nothing.ohm is None
    assert nothing.reason == (
        "sweep and trials disagree, and only one names a value: no tried resistor released every time"
    )


def test_a_pin_that_stuck_is_not_cleared_by_a_sweep_that_saw_nothing() -> None:
    """An intermittent leak may be away while the pin is swept."""
    quiet = SweepBranch("down", Value(-1.7e-5, 1e-8), 2e-8, 0.8)
    finding = against(sweep_of(quiet), (None, [HIGH, OK, OK]), (8.2e3, [OK] * 3))
    assert finding.agreement == "disagrees"
    advice = advised(finding)
    assert (advice.ohm, advice.needed) == (4.7e3, True)


def test_a_pin_that_released_is_not_cleared_where_the_sweep_asks_for_a_resistor() -> None:
    finding = against(sweep_of(branch(9.378e3)), (None, [OK] * 3))
    advice = advised(finding, Advice(None, False, None, "none needed: released in all 3 presses"))
    assert (advice.ohm, advice.needed) == (6.8e3, None)


def test_sweep_and_trials_together_clear_a_pin() -> None:
    quiet = SweepBranch("down", Value(-1.7e-5, 1e-8), 2e-8, 0.8)
    finding = against(sweep_of(quiet), (None, [OK] * 3))
    advice = advised(finding, Advice(None, False, None, "none needed: released in all 3 presses"))
    assert (advice.ohm, advice.needed) == (None, False)
    assert advice.reason.endswith("trials: none needed: released in all 3 presses")


def test_a_sweep_alone_clears_no_pin() -> None:
    quiet = SweepBranch("down", Value(-1.7e-5, 1e-8), 2e-8, 0.8)
    finding = against(sweep_of(quiet), (None, ["no contact"] * 3), (10e3, [OK] * 3))
    advice = advised(finding, Advice(None, None, None, "10 kΩ released every time: try 6.8 kΩ"))
    assert (advice.ohm, advice.needed) == (None, None)
    assert advice.reason == (
        "by the sweep none needed: at no voltage above V_IL does the pin drive more than it draws, "
        "but no press without a resistor shows it"
    )


def test_a_pin_that_is_slow_keeps_the_advice_of_its_trials() -> None:
    quiet = SweepBranch("down", Value(-1.7e-5, 1e-8), 2e-8, 0.8)
    assert advised(against(sweep_of(quiet), (None, ["slow"] * 3), (4.7e3, [OK] * 3))) == BY_TRIALS


def test_a_sweep_that_determines_nothing_leaves_the_trials_alone() -> None:
    assert advised(SweepFinding(SWEEP, None)) == BY_TRIALS
