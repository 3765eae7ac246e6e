"""The sections on conditions and on the supply current: the worst condition in bold, curves where there are steps."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from xml.etree import ElementTree

from results.analysis.findings import PinFinding, RunFinding
from results.analysis.found.supply_draw import SupplyDraw
from results.analysis.value import Value
from results.record.run_record import SupplyModel
from results.report.conditions_section import conditions_section
from results.report.figure_conditions import _svg, curves_over
from results.report.more_sections import more_sections
from results.report.section import as_data
from results.report.supply_section import supply_section
from tests.results.analysis.made_pins import SETUP, Bench, analysed, d1, d2, d3, record_of


def finding(*pins: PinFinding) -> RunFinding:
    record = replace(record_of(Bench()), supply=SupplyModel(0.001, 20e-6))
    return RunFinding(record, tuple(row for pin in pins for row in pin.rows), pins)


@cache
def cold_and_hot() -> tuple[PinFinding, ...]:
    """D1 releases cold, sticks warm and hot; D9 releases at all three."""
    curves = {"D1": (d3, d2, d1), "D9": (d3, d3, d3)}
    return tuple(
        replace(analysed(curve), pin=name, condition=replace(SETUP, temperature_c=celsius))
        for name, of_pin in curves.items()
        for curve, celsius in zip(of_pin, (-10.0, 25.0, 60.0), strict=True)
    )


def test_the_condition_that_decides_is_in_bold_for_each_pin() -> None:
    [section] = conditions_section(finding(*cold_and_hot()))
    [table] = section.tables
    assert section.said == ("The verdict changes with the conditions on 1 of 2 pins: D1.",)
    assert [column.heading for column in table.columns[:3]] == ["Pin", "Rail", "Temperature"]
    assert [row[2] for row in table.rows[:3]] == ["-10 °C", "25 °C", "60 °C"]
    assert [row[3] for row in table.rows[:3]] == ["released", "stuck high", "stuck high"]
    assert 2 in table.marked
    assert len(table.marked) == 2


def test_without_steps_there_is_no_section() -> None:
    assert conditions_section(finding(analysed(d1))) == []


def test_the_state_of_the_neighbours_and_the_setups_have_their_columns_where_they_change() -> None:
    pin = analysed(d3)
    states = [
        replace(pin, condition=replace(SETUP, neighbours=state, pin_setup=setup))
        for setup in ("reset default", "pull-down off")
        for state in ("floating", "pressed")
    ]
    [section] = conditions_section(finding(*states))
    [table] = section.tables
    assert [column.heading for column in table.columns[:4]] == ["Pin", "Setup", "Rail", "Neighbours"]
    assert section.said == ("The verdict of no pin changes with the conditions tried (1 pin).",)
    assert section.figures == ()


def test_a_curve_needs_two_leakages_of_one_pin_at_one_rail() -> None:
    """Each rail has its own curve over temperature; a pin whose leakage was determined once has none."""
    hot = [
        replace(pin, condition=replace(pin.condition, rail_v=rail_v))
        for rail_v in (3.0, 3.6)
        for pin in cold_and_hot()
        if pin.pin == "D1" and pin.verdict == "stuck high"
    ]
    curves = curves_over("temperature", {"D1": hot})
    assert [name for name, *_ in curves] == ["D1 3 V", "D1 3.6 V"]
    assert [at for _, at, _, _ in curves] == [[25.0, 60.0]] * 2
    assert curves[0][2][1] > curves[0][2][0]
    over_rail = curves_over("rail", {"D1": hot})
    assert [(name, at) for name, at, _, _ in over_rail] == [
        ("D1 60 °C", [3.0, 3.6]),
        ("D1 25 °C", [3.0, 3.6]),
    ]
    assert curves_over("temperature", {"D1": hot[:1]}) == []


def test_the_figure_is_drawn_with_its_axes() -> None:
    [section] = conditions_section(finding(*cold_and_hot()))
    [figure] = section.figures
    text = figure.draw()
    assert "temperature at the board / °C" in text
    assert "leakage / µA" in text
    assert figure.alt.startswith("Leakage over the temperature, from its lowest to its highest step. D1: ")


def test_pins_that_make_the_unit_draw_more_are_named() -> None:
    first, second = (replace(analysed(d1), pin=name) for name in ("D1", "D2"))
    draws = SupplyDraw(3, 12, Value(140e-6, 10e-6), 22e-6, True)
    none = SupplyDraw(3, 2, reason="2 trials released under this condition, 4 are needed to compare with")
    [section] = supply_section(finding(replace(first, supply=draws), replace(second, supply=none)))
    assert section.said == ("While it sticks, the unit draws more from its supply on 1 pin: D1.",)
    [table] = section.tables
    assert table.rows[0][4:] == ({"n": "140 ± 20", "unit": "µA"}, "draws more")
    assert table.rows[1][5] == f"not determined: {none.reason}"
    assert supply_section(finding(first)) == []


def test_both_stand_in_the_report() -> None:
    pins = list(cold_and_hot())
    pins[2] = replace(pins[2], supply=SupplyDraw(3, 12, Value(140e-6, 10e-6), 22e-6, True))
    titles = [section["title"] for section in as_data(more_sections(finding(*pins)))]
    wanted = ("Over the conditions", "Supply current")
    assert [title for title in titles if title in wanted] == list(wanted)


def test_names_in_a_figure_are_no_mathematics_and_none_is_left_out() -> None:
    """A name in dollars was a formula or a traceback, and one that begins with _ had no line in the legend."""
    names = ("_D1", r"$\frac{1}{0}$", "a$b", "<&\x1b]]>")
    drawn = _svg("rail", [(name, (3.0, 3.3), (1e-6, 2e-6), (1e-8, 1e-8)) for name in names], 2.0)
    told = [
        "".join(text.itertext()).strip() for text in ElementTree.fromstring(drawn).iter() if text.tag.endswith("text")
    ]
    assert [text for text in told if text in {*names[:3], "<&[U+001B]]]>"}] == [*names[:3], "<&[U+001B]]]>"]
