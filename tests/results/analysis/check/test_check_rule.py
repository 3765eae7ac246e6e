"""An item passes within its limits, fails beyond them by more than U, and otherwise says that it does not tell."""

from __future__ import annotations

import math

import pytest

from results.analysis.check.check_rule import judged, open_item


@pytest.mark.parametrize(
    ("value", "u", "verdict", "note"),
    [
        (1000.0, 2.0, "pass", ""),
        (1010.0, 2.0, "pass", ""),
        (1013.0, 2.0, "not determined", "beyond the limit by less than its uncertainty"),
        (1014.1, 2.0, "fail", ""),
        (985.9, 2.0, "fail", ""),
        (987.0, 2.0, "not determined", "beyond the limit by less than its uncertainty"),
        (1000.0, 5.1, "not determined", "the uncertainty is larger than the limits"),
    ],
)
def test_the_verdict_follows_from_value_limits_and_twice_the_standard_uncertainty(
    value: float, u: float, verdict: str, note: str
) -> None:
    item = judged("resistor press", value, "Ω", u, low=990.0, high=1010.0)
    assert (item.verdict, item.note, item.value) == (verdict, note, value)


def test_one_limit_alone_can_fail_an_item() -> None:
    assert judged("meter noise", 2e-3, "V", 1e-5, high=1e-3).verdict == "fail"
    assert judged("meter noise", 0.5e-3, "V", 1e-5, high=1e-3).verdict == "pass"
    assert judged("calibration meter", -1.0, "d", low=0.0).verdict == "fail"


def test_one_limit_alone_is_not_kept_by_a_number_that_tells_nothing() -> None:
    """A spread of 0.3 Ω with U = 4 Ω is no proof of 1 Ω."""
    item = judged("relay contact", 0.3, "Ω", 2.0, high=1.0)
    assert (item.verdict, item.note) == ("not determined", "the uncertainty is larger than the limits")
    assert judged("relay contact", 0.3, "Ω", 0.4, high=1.0).verdict == "pass"
    assert judged("calibration meter", 12.0, "d", low=0.0).verdict == "pass"


@pytest.mark.parametrize("value", [None, math.nan, math.inf])
def test_no_number_is_no_verdict(value: float | None) -> None:
    item = judged("rail", value, "V", low=0.0, high=1.0)
    assert (item.verdict, item.value, item.note) == ("not determined", None, "no number came out")
    assert open_item("rail", "no relay leads to it", "V").note == "no relay leads to it"
