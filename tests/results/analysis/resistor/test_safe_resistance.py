"""The largest safe resistance is bracketed by trials, and computed only from a line that passed."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pytest

from results.analysis.findings import Bracket, LeakLine, Value, Verdict
from results.analysis.resistor.safe_resistance import (
    bracket,
    disagreement,
    largest_safe,
    required_conductance,
    with_limits,
)
from results.record.trial import NO_RESISTOR, Resistor

R: dict[str, Resistor] = {
    NO_RESISTOR: Resistor(NO_RESISTOR, None),
    "47k": Resistor("47k", 47e3, 0.01, measured_ohm=47.03e3, measured_u_ohm=5.0),
    "22k": Resistor("22k", 22e3, 0.01),
    "10k": Resistor("10k", 10e3, 0.01),
    "4k7": Resistor("4k7", 4.7e3, 0.01),
}
OK: Verdict = "released"
HIGH: Verdict = "stuck high"
MID: Verdict = "stuck between"


def of(**verdicts: Sequence[Verdict]) -> Bracket:
    """Bracket of the verdicts by resistor; `r` stands before the names."""
    return bracket({R[name.removeprefix("r")]: list(seen) for name, seen in verdicts.items()})


def test_low_is_the_largest_that_always_released_and_high_the_smallest_that_stuck() -> None:
    found = of(none=[HIGH, HIGH], r47k=[MID, MID], r22k=[OK, MID], r10k=[OK, OK], r4k7=[OK, OK])
    assert found == Bracket("10k", "22k", 10e3, 22e3, "bracketed")


def test_the_measured_value_of_a_resistor_is_its_value() -> None:
    assert of(none=[HIGH], r47k=[OK]) == Bracket("47k", NO_RESISTOR, 47.03e3, None, "bracketed")


def test_a_larger_resistor_that_releases_while_a_smaller_one_sticks_is_intermittent() -> None:
    found = of(none=[HIGH], r47k=[OK, OK], r22k=[MID, OK], r10k=[OK, OK])
    assert found == Bracket("10k", "22k", 10e3, 22e3, "intermittent")


def test_one_release_above_a_stuck_press_is_enough_to_be_intermittent() -> None:
    """22 kΩ stuck once and 47 kΩ released once: no resistance divides the two. It used to be called bracketed."""
    assert of(none=[HIGH] * 3, r47k=[HIGH, OK, HIGH], r22k=[MID, OK, OK], r10k=[OK] * 3).state == "intermittent"
    # The same resistor on both sides is what a pin at its limit does.
    assert of(none=[HIGH] * 3, r47k=[HIGH] * 3, r22k=[MID, OK, OK], r10k=[OK] * 3).state == "bracketed"


def limits(load_s: float | None, **verdicts: Sequence[Verdict]) -> tuple[float, float]:
    """What the trials prove; 0 and infinity where nothing is proven."""
    tried = {R[name.removeprefix("r")]: list(seen) for name, seen in verdicts.items()}
    found = with_limits(bracket(tried), tried, load_s, 2.0)
    return found.at_least_ohm or 0.0, found.below_ohm or math.inf


def test_what_the_trials_prove_carries_the_load_and_the_tolerance() -> None:
    """10 kΩ may be 9.9 kΩ and had 10 MΩ beside it; 47 kΩ was measured, and 10 Ω is its U."""
    low, high = limits(1e-7, none=[HIGH], r47k=[MID], r10k=[OK])
    assert low == pytest.approx(1 / (1 / 9.9e3 + 1e-7), rel=1e-12)
    assert high == pytest.approx(47.04e3, rel=1e-6)
    assert limits(1e-6, none=[OK], r10k=[OK]) == pytest.approx((1e6, math.inf))
    assert limits(1e-6, none=[HIGH], r10k=[HIGH, OK]) == pytest.approx((0.0, 10.1e3))


def test_an_unstated_load_proves_no_lower_limit_and_an_intermittent_pin_none_at_all() -> None:
    assert limits(None, none=[HIGH], r22k=[MID], r10k=[OK]) == pytest.approx((0.0, 22.22e3))
    assert limits(None, none=[HIGH], r10k=[OK]) == (0.0, math.inf)
    assert limits(1e-7, none=[HIGH], r47k=[OK], r22k=[MID], r10k=[OK]) == (0.0, math.inf)


def test_both_stuck_verdicts_count() -> None:
    assert of(none=[MID]).high == of(none=[HIGH]).high == NO_RESISTOR


def test_undecided_slow_and_held_stop_the_low_side_but_make_no_high_side() -> None:
    stopping: tuple[Verdict, ...] = ("undecided", "slow", "held at press level")
    for verdict in stopping:
        found = of(none=[HIGH], r22k=[verdict], r10k=[OK])
        assert found == Bracket("10k", NO_RESISTOR, 10e3, None, "bracketed")
        stopped = of(none=[OK], r22k=[verdict], r10k=[OK])
        assert stopped == Bracket("10k", None, 10e3, None, "not determined")


def test_trials_without_evidence_do_not_count_at_all() -> None:
    found = of(none=[HIGH], r22k=["no contact", "failed", "not tested"], r10k=[OK, "failed"])
    assert found == Bracket("10k", NO_RESISTOR, 10e3, None, "bracketed")
    assert of(none=["no contact"], r22k=["not tested"]) == Bracket(None, None, None, None, "not determined")


def test_a_pin_that_always_releases_needs_none_only_where_none_was_tried() -> None:
    assert of(none=[OK], r22k=[OK]).state == "none needed"
    assert of(none=["not tested"], r22k=[OK], r10k=[OK]) == Bracket("22k", None, 22e3, None, "all released")


def test_where_even_the_smallest_sticks_nothing_released() -> None:
    assert of(none=[HIGH], r22k=[MID], r10k=[OK, MID]) == Bracket(None, "10k", None, 10e3, "none released")


def line_of(leak: Value, pull_down: Value, covariance: float = 0.0, *, passes: bool = True) -> LeakLine:
    return LeakLine(3, leak, pull_down, covariance, 0.5, 1, 0.5, passes, "" if passes else "no")


@pytest.mark.parametrize(("volts", "ampere", "ohm"), [(2.0, 75e-6, 26.7e3), (3.1 - 1.5, 500e-6, 3.2e3)])
def test_against_a_constant_current_it_is_voltage_over_current(volts: float, ampere: float, ohm: float) -> None:
    """Sizing a resistor against a bus-hold input's holding current (public tutorial: 26.7 kΩ and 3.2 kΩ)."""
    safe = largest_safe(required_conductance(line_of(Value(ampere, 0.0), Value(0.0, 0.0)), volts), 2.0)
    assert safe is not None
    assert safe.value == pytest.approx(ohm, rel=0.002)


def test_the_pull_down_of_the_pin_helps() -> None:
    """34 µA and 64 kΩ at 0.8 V: 1 / (42.5 µS − 15.625 µS)."""
    safe = largest_safe(required_conductance(line_of(Value(34e-6, 0.0), Value(1 / 64e3, 0.0)), 0.8), 2.0)
    assert safe is not None
    assert safe.value == pytest.approx(1 / (42.5e-6 - 15.625e-6), rel=1e-12)


def test_its_uncertainty_goes_through_the_covariance_and_is_inverted_last() -> None:
    from uncertainties import correlated_values

    leak, pull_down, covariance = Value(34e-6, 1.4e-7), Value(1 / 64e3, 6.5e-8), 8e-15
    a, b = correlated_values([leak.value, pull_down.value], [[leak.u**2, covariance], [covariance, pull_down.u**2]])
    expected = 1 / (a / 0.8 - b)
    safe = largest_safe(required_conductance(line_of(leak, pull_down, covariance), 0.8), 2.0)
    assert safe is not None
    assert (safe.value, safe.u) == pytest.approx((expected.nominal_value, expected.std_dev), rel=1e-9)


def test_a_refused_line_gives_nothing() -> None:
    assert required_conductance(line_of(Value(34e-6, 1e-7), Value(1e-5, 0.0), passes=False), 0.8) is None
    assert largest_safe(None, 2.0) is None


def test_none_is_needed_where_the_pull_down_does_it_alone_and_none_is_stated_where_u_reaches_zero() -> None:
    assert largest_safe(Value(-1e-6, 1e-8), 2.0) is None
    assert largest_safe(Value(1e-6, 0.6e-6), 2.0) is None
    stated = largest_safe(Value(1e-6, 0.4e-6), 2.0)
    assert stated is not None
    assert (stated.value, stated.u) == pytest.approx((1e6, 0.4e6), rel=1e-12)


def test_a_contradiction_between_trials_and_line_is_said() -> None:
    trials = Bracket("22k", "47k", 22e3, 47e3, "bracketed")
    required = Value(1 / 37e3, 1e-7)
    assert disagreement(trials, required, 0.0, 2.0) == ""
    assert disagreement(trials, Value(1 / 15e3, 1e-7), 0.0, 2.0) == (
        "disagreement: 22k released every time, but the line allows 15 kΩ only"
    )
    assert disagreement(trials, Value(1 / 60e3, 1e-7), 0.0, 2.0) == (
        "disagreement: 47k stuck, but the line allows 60 kΩ"
    )
    bare = Bracket("47k", NO_RESISTOR, 47e3, None, "bracketed")
    assert (
        disagreement(bare, Value(-5e-6, 1e-7), 0.0, 2.0) == "disagreement: none stuck, but the line allows any resistor"
    )
    assert disagreement(trials, None, 0.0, 2.0) == ""


def test_a_series_resistance_on_the_board_counts_before_they_are_compared() -> None:
    """22 kΩ outside and 15 kΩ on the board make the 37 kΩ that the line allows."""
    trials = Bracket("22k", "47k", 22e3, 47e3, "bracketed")
    assert disagreement(trials, Value(1 / 36.5e3, 1e-9), 15e3, 2.0).startswith("disagreement: 22k released")
    assert disagreement(trials, Value(1 / 37.5e3, 1e-9), 15e3, 2.0) == ""
