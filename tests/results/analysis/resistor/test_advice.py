"""A resistor is advised only where trials or a line that passed show its margin."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from results.analysis.findings import Value, Verdict
from results.analysis.resistor.advice import Case, advise
from results.analysis.resistor.safe_resistance import bracket
from results.analysis.verdict import worst
from results.record.run_record import Rules
from results.record.trial import NO_RESISTOR, Resistor
from tests.results.analysis.made_pins import RULES

LOAD_S = 1e-7
OK: Verdict = "released"
HIGH: Verdict = "stuck high"

Seen = Sequence[Verdict]


def case_of(
    *tried: tuple[float | None, Seen], required: Value | None = None, rules: Rules = RULES, series_ohm: float = 0.0
) -> Case:
    """A case from (ohm, verdicts) pairs."""
    verdicts = {
        Resistor(NO_RESISTOR if ohm is None else f"{ohm / 1e3:g} kΩ", ohm, 0.01): list(seen) for ohm, seen in tried
    }
    bare = [verdict for ohm, seen in tried if ohm is None for verdict in seen]
    return Case(worst(bare), verdicts, bracket(verdicts), required, rules, LOAD_S, series_ohm)


STUCK_AT_10K = ((None, [HIGH] * 3), (10e3, [HIGH] * 3), (8.2e3, [OK] * 3), (6.8e3, [OK] * 3), (4.7e3, [OK] * 3))


def test_the_largest_value_whose_margin_a_larger_resistor_shows() -> None:
    """6.8 kΩ + 1 % against 8.2 kΩ − 1 % and the meter keeps 18 %: too little; 4.7 kΩ keeps 71 %."""
    advice = advise(case_of(*STUCK_AT_10K))
    assert (advice.ohm, advice.needed) == (4.7e3, True)
    assert advice.margin == pytest.approx(1 / (4.7e3 * 1.01) / (1 / (8.2e3 * 0.99) + LOAD_S) - 1, rel=1e-12)
    assert advice.reason == (
        "4.7 kΩ released in all 3 presses, which excludes only stuck rates above 63.2 %; "
        "margin 70 % to 8.2 kΩ, which released every time too; no better than the values tried"
    )


def test_a_smaller_margin_allows_a_larger_value() -> None:
    advice = advise(case_of(*STUCK_AT_10K, rules=replace(RULES, margin=0.15)))
    assert advice.ohm == 6.8e3
    assert advice.margin is not None
    assert 0.15 <= advice.margin < 0.19


def test_only_values_of_the_chosen_series_are_advised() -> None:
    advice = advise(case_of((None, [HIGH]), (22e3, [OK]), (17.4e3, [OK]), (10e3, [OK])))
    assert advice.ohm == 10e3
    in_e96 = advise(
        case_of((None, [HIGH]), (22e3, [OK]), (17.4e3, [OK]), (10e3, [OK]), rules=replace(RULES, series="E96"))
    )
    assert in_e96.ohm == 17.4e3


def test_a_resistor_below_one_that_failed_once_is_the_one_that_counts() -> None:
    """22 kΩ released, but 10 kΩ stuck once: only what lies below 10 kΩ is safe ground."""
    safe = [OK] * 6
    advice = advise(case_of((None, [HIGH]), (22e3, [OK, OK]), (10e3, [OK, HIGH]), (8.2e3, safe), (4.7e3, safe)))
    assert advice.ohm == 4.7e3


def test_releases_that_an_intermittent_pin_shows_by_luck_prove_nothing() -> None:
    """A pin that sticks in 1 of 3 presses releases three times running with a chance of 30 %, whatever is fitted."""
    seldom = ((None, [HIGH, OK, OK]), (22e3, [OK] * 3), (10e3, [OK] * 3), (4.7e3, [OK] * 3))
    # 10 kΩ stands on six releases (8.8 %), 4.7 kΩ on nine (2.6 %); the margin is counted from there.
    advice = advise(case_of(*seldom, (2.2e3, [OK] * 3)))
    assert advice.ohm == 2.2e3
    assert "margin 109 % to 4.7 kΩ, which released every time too" in advice.reason
    assert advise(case_of(*seldom)).reason.endswith("no tried value shows a margin of 20 %: try 3.3 kΩ")
    few = advise(case_of(*seldom[:3]))
    assert (few.ohm, few.needed) == (None, True)
    assert few.reason == "22 kΩ released every time, but on a pin that sticks only sometimes that may be luck: repeat"


def test_a_meter_that_is_not_stated_is_taken_as_a_load_of_1_megohm() -> None:
    """The margin of 82 kΩ to 100 kΩ used to be stated as if such a meter were none: 20 % where it is 8 %."""
    rules = replace(RULES, margin=0.05)
    tried = ((None, [HIGH]), (100e3, [OK]), (82e3, [OK]))
    advice = advise(replace(case_of(*tried, rules=rules), load_s=None))
    assert advice.margin == pytest.approx(1 / (82e3 * 1.01) / (1 / 99e3 + 1e-6) - 1, rel=1e-12)
    assert "which released every time too (meter not stated, taken as 1 MΩ); " in advice.reason


def test_a_line_that_passed_shows_margin_without_a_larger_resistor() -> None:
    required = Value(2.6875e-5, 1e-7)
    tried = ((None, [HIGH]), (47e3, [HIGH]), (22e3, [OK]))
    assert advise(case_of(*tried)).ohm is None
    advice = advise(case_of(*tried, required=required))
    assert advice.ohm == 22e3
    assert advice.margin == pytest.approx(1 / (22e3 * 1.01) / (required.value + 2 * required.u) - 1, rel=1e-12)
    assert "margin 66 % to 36.9 kΩ, the lower limit of the plain-leak line; " in advice.reason


def test_the_series_resistance_on_the_board_is_taken_off_what_the_line_allows() -> None:
    """37 kΩ for the pin less 12 kΩ on the board leave 25 kΩ outside: 22 kΩ has 12 % only."""
    required = Value(1 / 37e3, 0.0)
    advice = advise(case_of((None, [HIGH]), (47e3, [HIGH]), (22e3, [OK]), required=required, series_ohm=12e3))
    assert advice.ohm is None
    assert advice.reason == "22 kΩ released every time, but no tried value shows a margin of 20 %: try 18 kΩ"


def test_where_line_and_trials_contradict_each_other_the_worse_counts() -> None:
    tried = ((None, [HIGH]), (22e3, [OK]), (10e3, [OK]), (4.7e3, [OK]))
    strict = Value(1 / 9e3, 0.0)
    assert advise(case_of(*tried, required=strict)).ohm == 10e3
    assert advise(replace(case_of(*tried, required=strict), contradicted=True)).ohm == 4.7e3


def test_a_line_that_the_trials_contradict_shows_no_margin_by_itself() -> None:
    """10 kΩ stuck although the line allows 37 kΩ: 8.2 kΩ used to be advised on the line's word."""
    tried = ((None, [HIGH]), (10e3, [HIGH]), (8.2e3, [OK]), (4.7e3, [OK]))
    case = case_of(*tried, required=Value(1 / 37e3, 0.0))
    assert advise(case).ohm == 8.2e3
    assert advise(replace(case, contradicted=True)).ohm == 4.7e3


def test_without_a_margin_it_says_what_to_try_next() -> None:
    advice = advise(case_of((None, [HIGH]), (10e3, [HIGH]), (8.2e3, [OK])))
    assert (advice.ohm, advice.needed) == (None, True)
    assert advice.reason == "8.2 kΩ released every time, but no tried value shows a margin of 20 %: try 5.6 kΩ"


def test_what_it_says_to_try_next_has_the_margin_once_it_released() -> None:
    advice = advise(case_of((None, [HIGH]), (10e3, [HIGH]), (8.2e3, [OK]), (5.6e3, [OK])))
    assert advice.ohm == 5.6e3


def test_where_nothing_released_it_says_so_and_halves() -> None:
    advice = advise(case_of((None, [HIGH]), (10e3, [HIGH, OK])))
    assert advice.reason == "no tried resistor released every time (10 kΩ did not in 1 of 2 presses): try 4.7 kΩ"
    assert advise(case_of((None, [HIGH]))).reason == "no trial with a resistor: plan some"


def test_a_pin_that_released_every_time_needs_none_and_the_presses_are_counted() -> None:
    advice = advise(case_of((None, [OK] * 5), (10e3, [OK])))
    assert (advice.ohm, advice.needed) == (None, False)
    assert advice.reason == ("none needed: released in all 5 presses, which excludes only stuck rates above 45.1 %")


def test_contact_that_nothing_proved_is_said() -> None:
    advice = advise(replace(case_of((None, [OK])), contact_proven=False))
    assert advice.reason.endswith("; contact not proven")


def test_a_pin_without_a_pull_down_needs_one_although_it_fell() -> None:
    case = case_of((None, ["undecided"] * 3), (47e3, [OK] * 3), (22e3, [OK] * 3))
    advice = advise(replace(case, pull_down_missing=True))
    assert (advice.ohm, advice.needed) == (22e3, True)
    assert advice.reason.startswith("no pull-down of its own: 22 kΩ released in all 3 presses")


def test_a_slow_pin_is_helped_by_a_resistor() -> None:
    advice = advise(case_of((None, ["slow"]), (22e3, [OK]), (10e3, [OK])))
    assert (advice.ohm, advice.needed) == (10e3, True)


def test_an_undecided_pin_is_neither_cleared_nor_condemned() -> None:
    advice = advise(case_of((None, ["undecided"]), (22e3, [OK]), (10e3, [OK])))
    assert (advice.ohm, advice.needed) == (10e3, None)


def test_a_pin_that_released_bare_but_stuck_with_a_resistor_is_not_cleared() -> None:
    advice = advise(case_of((None, [OK] * 3), (22e3, [HIGH] * 3), (10e3, [OK] * 5), (4.7e3, [OK] * 3)))
    assert (advice.ohm, advice.needed) == (4.7e3, None)


def test_no_evidence_is_no_advice() -> None:
    advice = advise(case_of((None, ["no contact"]), (22e3, ["not tested"])))
    assert (advice.ohm, advice.needed, advice.margin) == (None, None, None)
    assert advice.reason == "not determined: no trial is evidence"
