"""A coupon must be seen as what it is, before and after; one that is not makes the run void."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from results.analysis.analysis import analyse
from results.analysis.findings import RunFinding
from results.analysis.found.coupon_item import is_void
from results.record.coupon import RELEASED, STUCK, Coupons, ReleasedCoupon, StuckCoupon
from results.record.observation import Observation
from results.record.run_record import RunRecord
from results.record.trace import Trace
from results.record.trial import Condition, Trial
from tests.results.analysis.made_pins import Bench, record_of

AT = Condition("coupon", 3.3)
COUPONS = Coupons(ReleasedCoupon(33e3, 0.01, 220e-9, 0.05), StuckCoupon(8.2e3, 22e3))
TAU_S = 220e-9 / (1 / 33e3 + 1e-7)


def trial(sequence: int, coupon: str, resistor: str = "none", repeat: int = 1) -> Trial:
    return Trial(sequence, "press_release", coupon, resistor, AT, repeat, kind="coupon")


def unit_trial(sequence: int) -> Trial:
    return Trial(sequence, "press_release", "D1", "none", Condition("reset default", 3.3), 1)


def fell(tau_s: float, floor_v: float = 0.0, log_s: float = 0.13) -> Observation:
    """A node that is let go 10 ms into the log, with 0.2 mV of noise."""
    time_s = np.arange(0.0, log_s, 2e-4)
    volts = floor_v + (3.2 - floor_v) * np.exp(-np.maximum(time_s - 0.0101, 0.0) / tau_s)
    volts += 0.2e-3 * np.random.default_rng(3).standard_normal(time_s.size)
    return Observation(Trace(time_s, volts), rail_v=3.3, hold_v=3.2, released_after_s=0.01)


def record(planned: list[Trial], coupons: Coupons = COUPONS) -> RunRecord:
    return replace(record_of(Bench(), planned), coupons=coupons)


def found(observations: dict[int, Observation], coupons: Coupons = COUPONS) -> RunFinding:
    """Released, stuck, stuck with 8.2 kΩ and with 22 kΩ, one trial of the unit, released and stuck once more."""
    planned = [
        trial(1, RELEASED),
        trial(2, STUCK),
        trial(3, STUCK, "8.2 kΩ"),
        trial(4, STUCK, "22 kΩ"),
        unit_trial(5),
        trial(6, RELEASED, repeat=2),
        trial(7, STUCK, repeat=2),
    ]
    made = [(one, observations[one.sequence]) for one in planned if one.sequence in observations]
    return analyse(record(planned, coupons), made)


def good() -> dict[int, Observation]:
    high = fell(1e-3, 2.03)
    return {1: fell(TAU_S), 2: high, 3: fell(1e-3), 4: fell(1e-3, 1.8), 5: fell(1e-3), 6: fell(TAU_S), 7: high}


def verdicts(finding: RunFinding) -> dict[str, str]:
    return {f"{one.when} {one.item.name}": one.item.verdict for one in finding.coupons}


def test_coupons_seen_as_what_they_are_pass_before_and_after() -> None:
    finding = found(good())
    assert set(verdicts(finding).values()) == {"pass"}
    assert list(verdicts(finding)) == [
        "before coupon released",
        "before coupon released: time constant",
        "before coupon released: floor",
        "before coupon stuck",
        "before coupon stuck with 8.2 kΩ",
        "before coupon stuck with 22 kΩ",
        "after coupon released",
        "after coupon released: time constant",
        "after coupon released: floor",
        "after coupon stuck",
    ]
    assert not is_void(finding.coupons)


def test_coupons_are_no_pins_of_the_unit() -> None:
    finding = found(good())
    assert [pin.pin for pin in finding.pins] == ["D1"]
    assert [row.trial.pin for row in finding.trials] == ["D1"]


@pytest.mark.parametrize(
    ("sequence", "seen", "failed"),
    [
        (1, fell(2.0 * TAU_S), {"before coupon released: time constant"}),
        (1, fell(TAU_S, 0.05), {"before coupon released: floor"}),
        (6, fell(50e-6), {"after coupon released: time constant"}),
        (6, fell(TAU_S, 2.0), {"after coupon released", "after coupon released: floor"}),
        (2, fell(1e-3), {"before coupon stuck"}),
        (3, fell(1e-3, 1.5), {"before coupon stuck with 8.2 kΩ"}),
        (4, fell(1e-3), {"before coupon stuck with 22 kΩ"}),
    ],
)
def test_one_that_is_seen_as_something_else_makes_the_run_void(
    sequence: int, seen: Observation, failed: set[str]
) -> None:
    finding = found({**good(), sequence: seen})
    assert {name for name, verdict in verdicts(finding).items() if verdict == "fail"} == failed
    assert is_void(finding.coupons)


def test_a_trial_of_a_coupon_that_failed_is_no_wrong_reading_but_leaves_the_coupon_open() -> None:
    """A relay line that was slow on a busy computer, say: nothing was seen, right or wrong."""
    finding = found({**good(), 7: Observation(Trace(np.empty(0), np.empty(0)), outcome="failed", notes=("too late",))})
    assert verdicts(finding)["after coupon stuck"] == "not determined"
    assert not is_void(finding.coupons)


def test_a_time_constant_within_both_tolerances_passes_with_the_meter_and_the_fixture_beside_it() -> None:
    """R C by hand: 33 kΩ beside 10 MΩ, 220 nF, 1 % and 5 % together."""
    for factor, verdict in ((1.055, "pass"), (0.945, "pass"), (1.07, "fail"), (0.93, "fail")):
        finding = found({**good(), 1: fell(TAU_S * factor)})
        assert verdicts(finding)["before coupon released: time constant"] == verdict, factor


def test_a_log_too_short_leaves_the_time_constant_open_and_the_run_is_not_void() -> None:
    finding = found({**good(), 1: fell(TAU_S, log_s=0.014)})
    assert verdicts(finding)["before coupon released: time constant"] == "not determined"


def test_a_run_that_ended_early_has_not_tried_its_coupons_afterwards() -> None:
    finding = found({key: seen for key, seen in good().items() if key < 6})
    assert verdicts(finding)["after coupon released"] == "not determined"
    assert verdicts(finding)["after coupon stuck"] == "not determined"
    assert not is_void(finding.coupons)
