"""Coupons are tried before the first trial of the unit and after its last, whatever the plan asks in between."""

from __future__ import annotations

import pytest

from drivers.wiring import Channel
from harness.bench_file import bench_from_text
from harness.errors import UserFileError
from harness.plan import plan_from_text
from harness.record import press_settings
from harness.sequence import trials_in_order
from results.record.coupon import Coupons, ReleasedCoupon, StuckCoupon
from results.record.trial import Trial
from tests.harness.wrong_files import BENCH, PLAN, changed

COUPONS = """
[coupons.released]
channel = "switch 109"
resistor = "33 kΩ"
capacitor = "220 nF"

[coupons.stuck]
channel = "switch 110"
safe_low = "10 kΩ"
safe_high = "22 kΩ"
"""
WITH = bench_from_text(BENCH + COUPONS)


def labels(trials: list[Trial]) -> list[str]:
    return [trial.label for trial in trials if trial.kind == "coupon"]


def test_each_coupon_is_tried_at_both_ends_of_the_run_with_the_resistors_next_to_its_limits() -> None:
    trials = trials_in_order(plan_from_text(PLAN), WITH)
    names = ["coupon released none", "coupon stuck none", "coupon stuck 8.2 kΩ", "coupon stuck 47 kΩ"]
    assert [trial.label for trial in trials[:4]] == [f"{name} #1" for name in names]
    assert [trial.label for trial in trials[-4:]] == [f"{name} #2" for name in names]
    assert len(labels(trials)) == 8
    assert [trial.sequence for trial in trials] == list(range(1, len(trials) + 1))
    assert {trial.condition.rail_v for trial in trials if trial.kind == "coupon"} == {3.3}


def test_of_several_resistors_those_next_to_the_limits_are_taken() -> None:
    several = '["none", "4.7 kΩ", "8.2 kΩ", "10 kΩ", "15 kΩ", "22 kΩ", "47 kΩ"]'
    trials = trials_in_order(plan_from_text(changed(PLAN, ('["none", "47 kΩ", "8k2"]', several))), WITH)
    assert labels(trials)[2:4] == ["coupon stuck 10 kΩ #1", "coupon stuck 22 kΩ #1"]


def test_they_come_before_the_state_as_found_and_leave_it_as_it_is() -> None:
    plan = plan_from_text(changed(PLAN, ("repeats = 3", "repeats = 3\nas_found = true")))
    trials = trials_in_order(plan, WITH)
    assert [trial.kind for trial in trials[:4]] == ["coupon"] * 4
    assert [trial.as_found for trial in trials[:6]] == [False] * 4 + [True] * 2


def test_without_coupons_or_where_a_person_presses_there_are_none() -> None:
    assert labels(trials_in_order(plan_from_text(PLAN), bench_from_text(BENCH))) == []
    assert labels(trials_in_order(plan_from_text(PLAN))) == []
    by_hand = plan_from_text(changed(PLAN, ('path = "relay"', 'path = "hand"')))
    assert labels(trials_in_order(by_hand, WITH)) == []


def test_resistors_fitted_by_hand_are_not_fitted_for_a_coupon() -> None:
    by_hand = plan_from_text(changed(PLAN, ("repeats = 3", 'repeats = 3\nfitted = "hand"')))
    assert labels(trials_in_order(by_hand, WITH))[:2] == ["coupon released none #1", "coupon stuck none #1"]
    assert len(labels(trials_in_order(by_hand, WITH))) == 4


def test_a_plan_without_a_bare_trial_still_knows_what_none_is() -> None:
    plan = plan_from_text(changed(PLAN, ('["none", "47 kΩ", "8k2"]', '["47 kΩ", "8k2"]')))
    assert press_settings(plan, WITH).resistors["none"].conductance_s == 0.0


def test_the_bench_file_knows_its_coupons_and_their_relays() -> None:
    assert WITH.record_coupons() == Coupons(ReleasedCoupon(33e3, 0.01, 220e-9, 0.05), StuckCoupon(10e3, 22e3))
    select = WITH.driver_wiring().select
    assert select["coupon released"] == Channel("switch", "109")
    assert select["coupon stuck"] == Channel("switch", "110")


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('"220 nF"', '"22 nF"', "coupons.released.capacitor: resistor and capacitor make a time constant of 726 µs, "
         'must be 3 ms to 1 s: "22 nF"'),
        ('"10 kΩ"', '"22 kΩ"', 'coupons.stuck.safe_low: must be below coupons.stuck.safe_high: "22 kΩ"'),
        ('"switch 109"', '"switch 101"', "coupons.released"),
        ('"switch 110"', '"relay_board 1"', "coupons.stuck"),
    ],
)  # fmt: skip
def test_a_coupon_that_cannot_be_one_is_refused(old: str, new: str, told: str) -> None:
    with pytest.raises(UserFileError) as refused:
        bench_from_text(BENCH + changed(COUPONS, (old, new)))
    assert told in str(refused.value)
