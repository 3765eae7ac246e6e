"""The section on repeats: a row for each resistor, and one sentence that says whether noise explains them."""

from __future__ import annotations

from dataclasses import replace

from results.analysis.repeats.repeatability import with_repeatability
from results.report.numbers import Cell
from results.report.repeat_section import repeat_section
from tests.results.analysis.repeats.test_repeatability import run_with


def cells(scatter: float) -> tuple[tuple[str | Cell, ...], ...]:
    [section] = repeat_section(with_repeatability(run_with(scatter)))
    return section.tables[0].rows


def test_a_row_for_each_resistor_with_scatter_beside_what_was_claimed() -> None:
    rows = cells(1.0)
    assert [row[0] for row in rows] == ["none", "47 kΩ", "22 kΩ", "10 kΩ", "8.2 kΩ", "4.7 kΩ"]
    assert rows[0][1:3] == ("6", "30")
    assert rows[0][4] == {"n": "40", "unit": "µV"}
    assert {row[6] for row in rows} == {"yes"}


def test_the_sentence_says_whether_noise_explains_the_scatter() -> None:
    [explained] = repeat_section(with_repeatability(run_with(1.0)))
    [beyond] = repeat_section(with_repeatability(run_with(2.0)))
    assert explained.said == ("Settled voltages scatter from press to press as the noise of their traces says.",)
    assert explained.tables[0].marked == frozenset()
    assert beyond.said[0].startswith("Settled voltages scatter from press to press by more than the noise")
    assert beyond.tables[0].marked == frozenset(range(6))
    assert {row[6] for row in beyond.tables[0].rows} == {"no"}


def test_of_many_conditions_each_resistor_shows_the_one_with_the_least_p() -> None:
    made = with_repeatability(run_with(1.0))
    warm = [
        replace(one, condition=replace(one.condition, rail_v=3.6), p_value=one.p_value / 2.0) for one in made.repeats
    ]
    warm[2] = replace(warm[2], p_value=1.0)
    [section] = repeat_section(replace(made, repeats=(*made.repeats, *warm)))
    rails = {row[0]: row[1] for row in section.tables[0].rows}
    assert rails == {
        "none": "3.6 V",
        "47 kΩ": "3.6 V",
        "22 kΩ": "3.3 V",
        "10 kΩ": "3.6 V",
        "8.2 kΩ": "3.6 V",
        "4.7 kΩ": "3.6 V",
    }
    assert "Of each resistor the condition with the smallest p is shown; 6 others are explained." in section.notes


def test_there_is_no_section_without_repeats() -> None:
    assert repeat_section(with_repeatability(run_with(1.0, repeats=1))) == []
