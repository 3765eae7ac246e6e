"""The section on the pull-down: what each way found, whether they agree, how it bends, and what was not determined."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

from results.analysis.findings import RunFinding
from results.analysis.uncertainty.estimate import Estimate
from results.report.pull_down_section import has_pull_down_ways, pull_down_sections, resistance
from results.report.section import Section
from tests.procedures.curve_bench import linear, mos
from tests.results.analysis.made_ways import made_run
from tests.results.report.made_findings import fernhill


@cache
def made(transistor: bool) -> RunFinding:
    return made_run(mos(12e-6, 1.6) if transistor else linear(60e3), 1)


def section_of(finding: RunFinding) -> Section:
    [section] = pull_down_sections(finding)
    return section


def test_a_run_without_more_than_hold_levels_has_no_such_section() -> None:
    assert not has_pull_down_ways(fernhill(()))
    assert pull_down_sections(fernhill(())) == []


def test_ways_their_agreement_and_the_bend_stand_in_three_tables() -> None:
    section = section_of(made(True))
    found, agreement, bends = section.tables
    assert [row[1] for row in found.rows] == [
        "low-voltage sweep",
        "time constant",
        "several resistors",
        "divider with the press resistor",
        "sweep at the rail",
    ]
    assert [row[2] for row in found.rows][:3] == ["small voltages"] * 3
    assert [row[-1] for row in agreement.rows] == ["agrees"] * 5
    assert bends.rows[0][-1] == "bends"
    assert "No resistor: the pull-down of D1 conducts less at a higher voltage." in section.said
    resistor = section_of(made(False))
    assert resistor.tables[2].rows[0][-1] == "no bend beyond U"
    assert not any("No resistor" in said for said in resistor.said)


def test_a_disagreement_is_said_first_and_set_in_bold() -> None:
    finding = made(False)
    [pin] = finding.pins
    ways = pin.pull_down_ways
    assert ways is not None
    wrong = replace(ways.comparisons[0], difference=3.0 * ways.comparisons[0].u)
    ways = replace(ways, comparisons=(wrong, *ways.comparisons[1:]))
    section = section_of(replace(finding, pins=(replace(pin, pull_down_ways=ways),)))
    assert section.said[0] == (
        "Ways that do not agree within their uncertainties: D1 (low-voltage sweep and time constant)."
    )
    assert section.tables[1].marked == {0}
    assert section.tables[1].rows[0][3:] == ("1.50", "disagrees")


def test_what_was_not_determined_says_why_once_for_all_pins() -> None:
    finding = made_run(linear(60e3), 1, swept=False)
    section = section_of(replace(finding, pins=(finding.pins[0], replace(finding.pins[0], pin="D2"))))
    assert section.notes == (
        "Not determined on D1, D2: low-voltage sweep, curvature (no sweep was planned in this setup).",
    )


def test_pins_under_several_conditions_are_told_apart() -> None:
    made = made_run(linear(60e3), 1)
    other = replace(made.pins[0], condition=replace(made.pins[0].condition, rail_v=3.6))
    section = section_of(replace(made, pins=(made.pins[0], other)))
    assert [row[0] for row in section.tables[2].rows] == ["D1, 3.3 V", "D1, 3.6 V"]


def test_a_table_of_the_sweep_holds_only_pins_that_were_swept() -> None:
    swept, bare = made_run(linear(60e3), 1), made_run(linear(60e3), 1, swept=False)
    section = section_of(replace(swept, pins=(swept.pins[0], replace(bare.pins[0], pin="D2"))))
    assert [row[0] for row in section.tables[2].rows] == ["D1"]
    assert section_of(bare).tables[2].rows == ()


def test_a_conductance_within_its_uncertainty_of_none_has_no_resistance() -> None:
    assert resistance(Estimate(1e-6, {"noise": 2e-6})) is None
    found = resistance(Estimate(1e-5, {"noise": 1e-7}))
    assert found is not None
    assert (round(found.value), round(found.u)) == (100_000, 1000)
