"""The section on the spread over the pins: limits in words, each with its method."""

from __future__ import annotations

from results.analysis.findings import RunFinding
from results.analysis.found.pin_spread import PinSpread, SpreadOf
from results.analysis.uncertainty.tolerance_limit import ToleranceLimits
from results.report.spread_section import spread_section
from tests.results.analysis.made_pins import SETUP, Bench, record_of


def cells(quantity: SpreadOf, limits: ToleranceLimits) -> tuple[object, ...]:
    one = PinSpread(quantity, SETUP, 24, 0, 50e-6, 5e-6, limits)
    [section] = spread_section(RunFinding(record_of(Bench()), (), (), spread=(one,)))
    return section.tables[0].rows[0]


def test_an_upper_limit_of_the_conductance_names_the_resistance_that_clears() -> None:
    """1/62.3 µS is 16.05 kΩ: rounded down, 16 kΩ; 1/60.7 µS is 16.47 kΩ: 16.4 kΩ, and not 16.5 kΩ."""
    limits = ToleranceLimits("normal, exact factor", None, 62.3e-6, 2.309, 0.412)
    row = cells("required conductance", limits)
    assert row[0] == "Required conductance"
    assert row[4] == "at most 62.3\u00a0µS: 16\u00a0kΩ or less clears"
    assert row[5] == "normal, exact factor k 2.309 (normal not refused, p 0.41)"
    tighter = ToleranceLimits("normal, exact factor", None, 60.7e-6, 2.309, 0.412)
    assert cells("required conductance", tighter)[4] == "at most 60.7\u00a0µS: 16.4\u00a0kΩ or less clears"


def test_a_negative_limit_means_that_no_resistor_is_needed() -> None:
    limits = ToleranceLimits("distribution-free", None, -12e-6, None, 0.001)
    row = cells("required conductance", limits)
    assert row[4] == "at most \u221212\u00a0µS: no resistor needed"
    assert row[5] == "extremes of the values, any distribution (normal refused, p 0.001)"


def test_two_limits_are_a_range() -> None:
    limits = ToleranceLimits("normal, Howe's factor", 41.2e3, 79.8e3, 2.651, 0.3)
    assert cells("pull-down", limits)[4] == "41.2\u00a0kΩ to 79.8\u00a0kΩ"


def test_what_is_not_determined_says_why() -> None:
    """In one sentence and not in a row, which would hold nothing."""
    open_ = ToleranceLimits("not determined", reason="3 of 24 pins have no value")
    one = PinSpread("leakage", SETUP, 24, 0, 50e-6, 5e-6, open_)
    [section] = spread_section(RunFinding(record_of(Bench()), (), (), spread=(one,)))
    assert section.said == ("No tolerance limits: leakage, largest seen (3 of 24 pins have no value).",)
    assert section.tables[0].rows == ()
    assert section.notes == ()


def test_there_is_no_section_without_spread() -> None:
    assert spread_section(RunFinding(record_of(Bench()), (), ())) == []
