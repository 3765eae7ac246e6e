"""Guard bands: what a rule is called, how wide it is, and the risk that it leaves."""

from __future__ import annotations

import pytest

from results.errors import QuantityError
from results.guard_band import KNOWN, GuardBand, false_acceptance_risk, guard_band


@pytest.mark.parametrize(
    ("factor", "risk", "apart"),
    [
        (1.0, 0.0228, 5e-5),
        (0.83, 0.04846, 5e-5),
        (1.5, 0.00135, 5e-6),
        (3.0, 9.87e-10, 5e-12),
        (0.0, 0.5, 1e-12),
    ],
)
def test_the_risk_at_the_acceptance_limit(factor: float, risk: float, apart: float) -> None:
    """ILAC-G8:09/2019: w = U leaves 2.28 % at k = 2 (below 2.5 %); 0.83 U below 5 % (ISO 14253-1:2017, memory), 1.5 U
    below 0.16 %, 3 U below 1 ppm, none 50 %."""
    assert false_acceptance_risk(factor, 2.0) == pytest.approx(risk, abs=apart)


def test_the_risk_is_that_of_the_stated_coverage_factor() -> None:
    """One-sided 5 % of a normal distribution lies at 1.6449 u, whichever k makes U of u."""
    assert false_acceptance_risk(1.6449 / 2.0, 2.0) == pytest.approx(0.05, abs=1e-5)
    assert false_acceptance_risk(1.6449 / 3.0, 3.0) == pytest.approx(0.05, abs=1e-5)


@pytest.mark.parametrize(
    ("written", "rule", "factor"),
    [
        ("w = U", "w = U", 1.0),
        ("w=U", "w = U", 1.0),
        ("w = 1 U", "w = U", 1.0),
        ("w = 0", "w = 0", 0.0),
        ("w = 0 U", "w = 0", 0.0),
        (" w = 0.83U ", "w = 0.83 U", 0.83),
        ("w = 1.5 U", "w = 1.5 U", 1.5),
        ("w = 3·U", "w = 3 U", 3.0),
        ("w = 1.25 * U", "w = 1.25 U", 1.25),
    ],
)
def test_a_rule_reads_as_it_is_written(written: str, rule: str, factor: float) -> None:
    found = guard_band(written)
    assert (found.rule, found.factor) == (rule, factor)


def test_a_rule_of_a_standard_carries_its_name_and_one_of_ones_own_does_not() -> None:
    assert guard_band("w = 0.83 U") == GuardBand("w = 0.83 U", 0.83, "ISO 14253-1:2017")
    assert guard_band("w = 1.2 U") == GuardBand("w = 1.2 U", 1.2, "")
    assert all(guard_band(one.rule) is one for one in KNOWN)


@pytest.mark.parametrize(
    ("written", "says"),
    [
        ("U", "must be a guard band"),
        ("w =", "must be a guard band"),
        ("w = -1 U", "must be a guard band"),
        ("w = 0.83 u", "must be a guard band"),
        ("w = 2", "must be in expanded uncertainties"),
        ("w = 5.1 U", "must be no more than 5 U"),
        ("", "must be a guard band"),
    ],
)
def test_anything_else_is_refused(written: str, says: str) -> None:
    with pytest.raises(QuantityError, match=f"^{written!r}: {says}"):
        guard_band(written)
