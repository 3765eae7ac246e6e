"""How often pins stick: a section with limits, and the answer to what the plan asked."""

from __future__ import annotations

from dataclasses import replace

import pytest

from results.analysis.findings import PinFinding, RunFinding
from results.analysis.pin_analysis import analyse_pin
from results.record.run_record import RateAsked
from results.report.rate_section import rate_section
from tests.results.analysis.made_pins import PIN, SETUP, Bench, d1, d3, record_of, trials_of

BENCH = Bench(repeats=3)


def asked_of(asked: RateAsked | None) -> RunFinding:
    """D1 sticks in all of three presses, D3 in none."""
    record = replace(record_of(BENCH), rate_asked=asked)
    pins: list[PinFinding] = []
    for name, curve in (("D1", d1), ("D3", d3)):
        pins.append(replace(analyse_pin(record, SETUP, PIN, trials_of(curve, BENCH)), pin=name))
    return RunFinding(record, tuple(row for pin in pins for row in pin.rows), tuple(pins))


def test_every_pin_is_answered_where_a_rate_was_asked_for() -> None:
    """0 of 3 at 80 %: 1 − 0.2^(1/3) = 41.52 %; at 95 % two-sided 1 − 0.025^(1/3) = 70.8 %."""
    [section] = rate_section(asked_of(RateAsked(0.5, 0.8, 3)))
    assert section.said == (
        "Asked: rate below 50 % with 80 % confidence (3 presses of each pin with no resistor): shown for 1 of 2 pins.",
    )
    [table] = section.tables
    assert table.rows[0][:2] == ("D1", "3 of 3")
    assert str(table.rows[0][-1]).startswith("not shown, 3 of 3 presses stuck")
    assert table.rows[1] == (
        "D3",
        "0 of 3",
        "0\u00a0%",
        "0 to 70.8\u00a0%",
        "63.2\u00a0%",
        "shown, 0 of 3 presses stuck, which excludes only rates above 41.52 %",
    )
    assert table.marked == frozenset({0})


def test_where_nothing_is_asked_only_pins_that_stick_sometimes_are_listed() -> None:
    finding = asked_of(None)
    assert rate_section(finding) == []
    rate = finding.pins[0].stuck_rate
    assert rate is not None
    some = replace(finding.pins[0], stuck_rate=replace(rate, stuck=1, may_have_stuck=1, rate=1 / 3))
    [section] = rate_section(replace(finding, pins=(some, finding.pins[1])))
    assert [row[0] for row in section.tables[0].rows] == ["D1"]
    assert section.said == ()


def test_the_rate_of_a_pin_has_its_limits() -> None:
    """3 of 3: the two-sided 95 % lower limit is 0.025^(1/3) (Clopper-Pearson, closed form)."""
    rate = asked_of(None).pins[0].stuck_rate
    assert rate is not None
    assert (rate.rate, rate.high95, rate.upper95) == (1.0, 1.0, 1.0)
    assert rate.low95 == pytest.approx(0.025 ** (1 / 3), rel=1e-9)
