"""What the report says once over many conditions: short names, counts that agree, the worst of what is alike."""

from __future__ import annotations

from dataclasses import replace

from results.analysis.findings import RunFinding, Value
from results.record.trial import Condition
from results.report.by_condition import counts_by_condition, left_out, short_texts, suspects_of
from tests.results.report.made_findings import fernhill

LOW, HIGH = (Condition("reset default", rail_v, neighbours="pressed") for rail_v in (3.0, 3.6))
OFF = Condition("buffer off", 3.0, neighbours="pressed")


def under(finding: RunFinding, *conditions: Condition) -> RunFinding:
    """Every pin of the finding under each of these conditions."""
    pins = tuple(replace(pin, condition=one) for one in conditions for pin in finding.pins)
    return replace(finding, pins=pins)


def test_a_condition_is_named_by_what_tells_it_from_the_others() -> None:
    assert short_texts([LOW, HIGH, LOW]) == {LOW: "3 V", HIGH: "3.6 V"}
    assert short_texts([LOW, HIGH, OFF])[OFF] == "buffer off, 3 V"
    assert short_texts([LOW]) == {LOW: "reset default, 3 V, neighbours pressed"}


def test_a_condition_with_nothing_of_its_own_keeps_its_full_name() -> None:
    bare = Condition("reset default", 3.0)
    assert short_texts([bare, LOW]) == {bare: "reset default, 3 V", LOW: "neighbours pressed"}


def test_the_same_count_under_every_condition_is_one_line() -> None:
    assert counts_by_condition(under(fernhill((("D1", "mid"),)), LOW, HIGH)) == [
        ("Under each of 2 conditions", "1 of 24 stay high")
    ]


def test_page_one_lists_twelve_conditions_at_most() -> None:
    made = under(fernhill((("D1", "mid"),)), *(Condition("reset default", 3.0 + 0.05 * n) for n in range(14)))
    first = replace(made.pins[0], verdict="released")
    said = counts_by_condition(replace(made, pins=(first, *made.pins[1:])))
    assert said[:2] == [("3 V", "0 of 24 stay high"), ("3.05 V", "1 of 24 stay high")]
    assert (len(said), said[-1]) == (13, ("2 more conditions", "see section 1"))


def test_of_conditions_that_came_to_the_same_only_the_worst_is_drawn() -> None:
    made = under(fernhill((("D1", "mid"),)), LOW, HIGH, OFF)
    pins = [pin for pin in made.pins if pin.pin == "D1"]
    assert {pin.verdict for pin in pins} == {"stuck high"}

    assert left_out(pins, pins) == ""
    worse = replace(pins[1], safe_ohm=Value(1e3, 1.0))
    other = replace(pins[2], verdict="undecided")
    shown = suspects_of(replace(made, pins=(pins[0], worse, other)))
    assert [one is two for one, two in zip(shown, (worse, other), strict=True)] == [True, True]
    assert left_out((pins[0], worse, other), shown) == (
        "Of conditions with the same verdict on a pin, the worst is shown."
    )
