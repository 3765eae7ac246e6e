"""The table of faults counts what came of every try, and nothing that falls short is passed over."""

from __future__ import annotations

import pytest

from tests.faults.faults import FAULTS, named
from tests.faults.outcome import Kind, Outcome
from tests.faults.rules import NOT_PRODUCED, RULES
from tests.faults.table import rows, rule_text, table, verdict
from tests.faults.tries import Injection, Try, every_try, roles_of

TRY = Try("relay", (Injection("late", "meter", 0.5),))


def of(*kinds: Kind) -> list[Outcome]:
    return [Outcome(TRY, kind, "because") for kind in kinds]


def test_every_link_rule_is_tried_or_it_is_said_why_not() -> None:
    tried = {number for fault in FAULTS for number in fault.rules}
    assert tried | NOT_PRODUCED.keys() == RULES.keys()
    assert tried & NOT_PRODUCED.keys() == set()
    assert list(RULES) == list(range(1, 26))


def test_every_fault_is_tried_on_every_wire_that_can_have_it() -> None:
    tries = list(every_try(1, 2))
    for fault in FAULTS:
        for role in roles_of(fault):
            moments = [one.injections[0].moment for one in tries if one.injections[0].fault == fault.name
                       and one.injections[0].role == role]  # fmt: skip
            assert len(moments) >= 2
            assert fault.acts_on == "identity" or any(moment >= 0.5 for moment in moments)
    assert tries == list(every_try(1, 2))
    assert len({fault.name for fault in FAULTS}) == len(FAULTS)


def test_right_numbers_and_named_failures_hold() -> None:
    found = of("right number", "named failure", "no bite")
    (row,) = rows(found)
    assert (row.tried, row.falls_short) == (2, False)
    ok, told = verdict(found)
    assert ok
    assert told.startswith("2 runs with one fault (right number 1, named failure 1, wrong number 0, no name 0, ")


@pytest.mark.parametrize("kind", ["wrong number", "no name", "unsafe", "hung", "crash"])
def test_one_that_falls_short_among_many_is_told(kind: Kind) -> None:
    found = of("right number", "named failure", kind)
    assert not verdict(found)[0]
    lines = table(found).splitlines()
    assert lines[1].endswith("<-- falls short")
    assert f"falls short: press by relay, late on meter at 0.5000: {kind}: because" in lines


def test_a_fault_that_never_took_hold_falls_short() -> None:
    assert not verdict(of("no bite", "no bite"))[0]


def test_a_row_names_the_link_rules() -> None:
    assert rule_text("late") == "link rule 2"
    assert rule_text("half, then closed") == "link rules 3, 4"
    assert rule_text("restarts before") == "–"
    assert named("late").rules == (2,)
    text = table(of("right number"))
    assert "late                        link rule 2         meter" in text
    assert "not produced: link rule 14 (VXI-11 transactions are whole): there is no VXI-11" in text
