"""One resistor for the whole unit: the worst pin under the worst condition decides."""

from __future__ import annotations

from dataclasses import replace

import pytest

from results.analysis.findings import Advice, PinFinding
from results.analysis.found.fitting import BoardAdvice, SafeLimit
from results.analysis.resistor.board_advice import board_advice
from results.analysis.verdict import Verdict
from results.record.run_record import RunRecord, SweepRules
from results.record.trial import Condition, Pin
from tests.results.analysis.made_pins import RULES, SETUP, Bench, analysed, d1, record_of

NAMES = ("D1", "D2", "D3")
RECORD = replace(record_of(Bench()), pins=tuple(Pin(name) for name in NAMES))
MADE = analysed(d1)


def pin(
    name: str,
    ohm: float | None,
    limit_ohm: float = 0.0,
    *,
    needed: bool | None = True,
    condition: Condition = SETUP,
    reason: str = "made",
    verdict: Verdict = "stuck high",
) -> PinFinding:
    limit = SafeLimit(limit_ohm, None, "sweep") if limit_ohm else None
    margin = None if ohm is None or not limit_ohm else limit_ohm / (ohm * 1.01) - 1.0
    advice = Advice(ohm, needed, margin, reason, limit)
    return replace(MADE, pin=name, condition=condition, advice=advice, verdict=verdict)


def advised(*pins: PinFinding, record: RunRecord = RECORD) -> BoardAdvice:
    return board_advice(record, pins)


FREE = pin("D3", None, needed=False, reason="none needed", verdict="released")


def test_the_smallest_value_of_all_pins() -> None:
    board = advised(pin("D1", 8.2e3, 10e3), pin("D2", 5.6e3, 7e3), FREE)
    assert (board.ohm, board.needed, board.open_pins) == (5.6e3, True, ())
    assert (board.worst_pin, board.worst_condition) == ("D2", SETUP)
    assert board.margin == pytest.approx(7.0 / (5.6 * 1.01) - 1.0, rel=1e-9)
    assert board.reason == (
        "the smallest of the values of 2 of 3 pins, each over the conditions tried; "
        "least margin 23 % (asked 20 %) at D2, reset default, 3.3 V"
    )


def test_the_worst_condition_of_a_pin_counts_whatever_differs() -> None:
    """Rail and temperature are conditions like any other."""
    hot = Condition("reset default", 3.6, 70.0)
    board = advised(pin("D1", 8.2e3, 10e3), pin("D1", 4.7e3, 6e3, condition=hot), FREE)
    assert board.ohm == 4.7e3
    assert (board.worst_pin, board.worst_condition) == ("D1", hot)
    assert board.reason.endswith("at D1, reset default, 3.6 V, 70 °C")
    [fit] = [one for one in board.pins if one.pin == "D1"]
    assert (fit.ohm, fit.condition) == (4.7e3, hot)
    # Current when pressed at the highest rail, beside the pull-down of 60 kΩ.
    inside_a = 0.0 if MADE.pull_down is None else 3.6 / MADE.pull_down.value
    assert board.neighbours[1].pressed_a == pytest.approx(3.6 / 4.7e3 + inside_a, rel=1e-9)


def test_each_neighbour_stands_at_its_worst_over_the_pins() -> None:
    """8.2 kΩ would keep 21 % on one pin and is beyond the other's limit by a sixth."""
    board = advised(pin("D1", 8.2e3, 10.1e3), pin("D2", 6.8e3, 8.4e3))
    down, middle, up = board.neighbours
    assert [value.ohm for value in board.neighbours] == [5.6e3, 6.8e3, 8.2e3]
    assert middle.margin == pytest.approx(8.4 / (6.8 * 1.01) - 1.0, rel=1e-9)
    assert up.margin == pytest.approx(8.4 / (8.2 * 1.01) - 1.0, rel=1e-9)
    assert (down.keeps_margin, middle.keeps_margin, up.keeps_margin) == (True, True, False)


def test_a_pin_without_a_value_leaves_the_unit_without_one() -> None:
    board = advised(pin("D1", 8.2e3, 10e3), pin("D2", None, reason="no tried resistor released every time"), FREE)
    assert (board.ohm, board.so_far_ohm, board.needed, board.open_pins) == (None, 8.2e3, True, ("D2",))
    assert board.reason == "not determined: D2: no tried resistor released every time"


def test_a_value_under_one_condition_is_none_where_another_asks_in_vain() -> None:
    cold = Condition("reset default", 3.0)
    board = advised(pin("D1", 8.2e3, 10e3), pin("D1", None, reason="try 4.7 kΩ", condition=cold))
    assert (board.ohm, board.open_pins) == (None, ("D1",))
    assert board.pins[0].condition == cold


def test_a_pin_of_which_nothing_is_known_may_need_one() -> None:
    unknown = pin("D2", None, needed=None, reason="not determined: no trial is evidence", verdict="no contact")
    board = advised(pin("D1", 8.2e3, 10e3), unknown)
    assert (board.ohm, board.so_far_ohm, board.needed) == (None, 8.2e3, True)
    assert board.reason == "not determined: D2: not determined: no trial is evidence"
    assert advised(unknown).needed is None


def test_where_no_pin_needs_one_the_unit_needs_none() -> None:
    board = advised(FREE)
    assert (board.ohm, board.needed, board.reason) == (None, False, "none needed on any pin")


def test_the_setup_with_the_buffer_off_and_the_state_as_found_do_not_count() -> None:
    """Neither is how the unit is used; stuck as found alone is no all-clear."""
    off = Condition("buffer off", 3.3)
    record = replace(RECORD, sweep=SweepRules(33, 8, 20e-9, 1.0, ("reset default", "buffer off")))
    found = pin("D3", None, condition=Condition("as found", 3.3), reason="no trial with a resistor: plan some")
    found = replace(found, rows=tuple(replace(row, trial=replace(row.trial, as_found=True)) for row in found.rows))
    board = advised(pin("D1", 8.2e3, 10e3), pin("D1", 1e3, 1.3e3, condition=off), found, FREE, record=record)
    assert board.left_out == (
        "buffer off: the input buffer is off, for the leak alone",
        "as found: before the first reset, pin setup not known",
    )
    assert board.open_pins == ("D3",)
    assert board.reason == "not determined: D3: stuck high as found, but released in every pin setup that was made"
    assert board.so_far_ohm == 8.2e3
    assert advised(pin("D1", 8.2e3, 10e3), pin("D1", 1e3, 1.3e3, condition=off)).ohm == 1e3


def test_it_says_where_a_value_rests_on_what_was_tried() -> None:
    by_trials = replace(pin("D1", 8.2e3), advice=Advice(8.2e3, True, 0.2, "", SafeLimit(10e3, 12e3, "trials")))
    assert advised(by_trials).tried_only
    assert not advised(pin("D1", 8.2e3, 10e3)).tried_only


def test_the_margin_asked_for_is_that_of_the_plan() -> None:
    strict = replace(RECORD, rules=replace(RULES, margin=0.3))
    board = advised(pin("D2", 5.6e3, 7e3), record=strict)
    assert "(asked 30 %)" in board.reason
    assert not board.neighbours[1].keeps_margin


def test_a_capacitor_that_a_trial_added_is_not_how_the_unit_is_used() -> None:
    """It makes the node slow, and a slow pin asks for a smaller resistor than the unit needs."""
    added = replace(SETUP, capacitor="100 nF")
    slow = pin("D1", 1e3, 1.3e3, condition=added, verdict="slow")
    board = advised(pin("D1", 8.2e3, 10e3), slow)
    assert (board.ohm, board.left_out) == (
        8.2e3,
        ("100 nF added: slower than the unit is, to see the margin near the fold",),
    )
    only = advised(slow)
    assert (only.ohm, only.left_out) == (1e3, ())
    assert only.reason.endswith("at D1, reset default, 3.3 V, 100 nF added")
