"""Rails and temperatures as steps of a plan: what is refused, in which order they come, and what the record keeps."""

from __future__ import annotations

from collections import Counter
from itertools import groupby

import pytest

from drivers.errors import StopRequestedError
from harness.bench_file import BenchFile, bench_from_text
from harness.errors import UserFileError
from harness.plan import Plan, plan_from_text
from harness.record import make_record, press_settings
from harness.sequence import order_note, trials_in_order
from harness.together import check_together
from results.record.run_json import as_json, from_json
from results.record.run_record import Levels
from results.record.trial import Condition
from tests.harness.test_prompts import Person, terminal
from tests.harness.wrong_files import BENCH, PLAN, changed, swept_bench

RAILS = ('above_rail_max = "0.3 V"', 'above_rail_max = "0.3 V"\nsteps = ["3.0 V", "3.3 V", "3.6 V"]')
COLD_AND_HOT = ("[advice]", '[temperature]\nsteps = ["-10 °C", "60 °C"]\n\n[advice]')
STANDARD = ('v_il = "0.8 V"\nv_ih = "2.0 V"', 'standard = "JESD8C.01 3.3 V"')
SUPPLY = """
[supply]
resource = "TCPIP::192.168.0.7::5025::SOCKET"
current_limit = "200 mA"
voltage_max = "3.5 V"
"""


def plan_with(*edits: tuple[str, str]) -> Plan:
    return plan_from_text(changed(PLAN, *edits))


def bench() -> BenchFile:
    return bench_from_text(BENCH)


@pytest.mark.parametrize(
    ("edits", "line"),
    [
        (
            [(RAILS[0], RAILS[0] + '\nsteps = ["3.0 V", "3 V"]')],
            'plan.toml: rail.steps[2]: already stands in the list as its no. 1: "3 V"',
        ),
        (
            [(RAILS[0], RAILS[0] + '\nsteps = ["3.0 V", 3.3]')],
            "plan.toml: rail.steps[2]: a bare number, the unit is missing: expected a quantity in V, for example "
            '"3.3 V": 3.3',
        ),
        (
            [(RAILS[0], RAILS[0] + '\nsteps = ["1.8 V"]')],
            'plan.toml: levels.v_ih: must not be above the rail of 1.8 V: "2.0 V"',
        ),
        (
            [RAILS, ('path = "relay"', 'path = "source"\nvoltage = "3.2 V"')],
            "plan.toml: press.voltage: must not be above the absolute maximum of 3.15 V "
            '(rail less 5 % plus above_rail_max): "3.2 V"',
        ),
        (
            [("[advice]", '[temperature]\nsteps = ["25 °C", "25 °C"]\n[advice]')],
            'plan.toml: temperature.steps[2]: already stands in the list as its no. 1: "25 °C"',
        ),
    ],
    ids=["twice", "bare", "levels", "press voltage", "temperature twice"],
)
def test_steps_that_break_a_rule_are_refused(edits: list[tuple[str, str]], line: str) -> None:
    """The absolute maximum is counted from the lowest step."""
    with pytest.raises(UserFileError) as caught:
        plan_with(*edits)
    assert str(caught.value) == line


@pytest.mark.parametrize(
    ("edits", "supply", "line"),
    [
        (
            [RAILS],
            SUPPLY,
            'plan.toml: rail.steps[3]: must not be above supply.voltage_max of bench.toml, 3.5 V: "3.6 V"',
        ),
        (
            [(RAILS[0], RAILS[0] + '\nat_end = "on"')],
            "",
            'plan.toml: rail.at_end: bench.toml has no [supply] that could stay on: "on"',
        ),
    ],
    ids=["too high", "no supply"],
)
def test_what_a_supply_cannot_do_is_refused(edits: list[tuple[str, str]], supply: str, line: str) -> None:
    with pytest.raises(UserFileError) as caught:
        check_together(plan_with(*edits), bench_from_text(changed(BENCH, ("\n[wiring]\n", f"{supply}\n[wiring]\n"))))
    assert str(caught.value) == line


def test_the_highest_step_counts_against_the_limits_of_the_bench() -> None:
    with pytest.raises(UserFileError, match=r"with its tolerance up to 3\.78 V, above limits\.voltage of bench.toml"):
        check_together(plan_with(RAILS), bench_from_text(changed(BENCH, ('voltage = "5.5 V"', 'voltage = "3.7 V"'))))


def test_temperatures_are_outermost_then_rails_then_pins() -> None:
    trials = trials_in_order(plan_with(RAILS, COLD_AND_HOT), bench())
    assert [trial.sequence for trial in trials] == list(range(1, 109))
    blocks = [block for block, _ in groupby((t.condition.temperature_c, t.condition.rail_v, t.pin) for t in trials)]
    assert blocks == [(c, v, pin) for c in (-10.0, 60.0) for v in (3.0, 3.3, 3.6) for pin in ("D1", "D2")]
    each = Counter((t.condition, t.pin, t.resistor) for t in trials)
    assert set(each.values()) == {3}
    assert len(each) == 36


def test_a_label_names_what_the_plan_steps_and_is_used_once() -> None:
    """The simulated bench draws all chance from it, and a journal line is found by it."""
    labels = [trial.label for trial in trials_in_order(plan_with(RAILS, COLD_AND_HOT), bench())]
    assert len(set(labels)) == len(labels)
    assert "D1 reset default 8.2 kΩ 3.0V -10C #1" in labels
    assert {trial.under for trial in trials_in_order(plan_with(), bench())} == {""}
    assert {trial.under for trial in trials_in_order(plan_with(COLD_AND_HOT), bench())} == {"-10C", "60C"}


def test_as_found_trials_come_once_at_the_nominal_rail_before_any_step() -> None:
    trials = trials_in_order(plan_with(RAILS, COLD_AND_HOT, ("repeats = 3", "repeats = 1\nas_found = true")), bench())
    assert [t.condition for t in trials if t.as_found] == [Condition("as found", 3.3)] * 2
    assert [t.as_found for t in trials[:3]] == [True, True, False]


def test_steps_are_not_asked_of_traces_recorded_elsewhere() -> None:
    assert {t.condition for t in trials_in_order(plan_with(RAILS, COLD_AND_HOT))} == {Condition("reset default", 3.3)}


def test_fits_by_hand_are_counted_over_all_conditions() -> None:
    plan = plan_with(RAILS, ('tolerance = "1 %"', 'tolerance = "1 %"\nfitted = "hand"'))
    said = order_note(trials_in_order(plan, bench()), plan, bench())
    assert said == "resistors are fitted by hand: 6 fits, over all rails and temperatures"


def test_each_rail_has_its_levels_in_the_record_and_in_the_settings() -> None:
    """5 V CMOS: 0.3 and 0.7 of the rail."""
    plan = plan_with(
        (RAILS[0], RAILS[0] + '\nsteps = ["4.5 V", "5.5 V"]'),
        ('voltage = "3.3 V"', 'voltage = "5 V"'),
        (STANDARD[0], 'standard = "5 V CMOS"'),
    )
    record = make_record(plan, bench(), trials_in_order(plan, bench()), run="", started_utc="", version="")
    record = from_json(as_json(record))
    low, high = record.levels_at(4.5), record.levels_at(5.5)
    assert (low.v_il, low.v_ih) == pytest.approx((1.35, 3.15))
    assert (high.v_il, high.v_ih) == pytest.approx((1.65, 3.85))
    assert record.under(Condition("", 5.5)).levels == high
    assert record.under(Condition("", 5.5)).rail_v == 5.5
    assert record.under(Condition("", 5.0)) is record
    settings = press_settings(plan, bench(), 5.5)
    assert (settings.rail_v, settings.v_il, settings.v_ih) == (5.5, high.v_il, high.v_ih)


def test_a_standard_that_does_not_hold_for_a_step_leaves_the_levels_and_that_is_said() -> None:
    plan = plan_with((RAILS[0], RAILS[0] + '\nsteps = ["2.7 V", "3.3 V"]'), STANDARD)
    record = make_record(plan, bench(), [], run="", started_utc="", version="")
    assert record.levels_at(2.7) == Levels(0.8, 2.0)
    assert record.levels_at(3.3) == Levels(0.8, 2.0, "JESD8C.01 3.3 V")
    assert "JESD8C.01 3.3 V does not hold for a rail of 2.7 V: V_IL and V_IH of 3.3 V are kept there" in record.notes


def test_a_record_without_steps_reads_as_before() -> None:
    plan = plan_with()
    record = make_record(plan, bench(), [], run="", started_utc="", version="")
    assert record.rail_levels == ()
    assert record.levels_at(3.3) == record.levels


def test_what_a_person_types_in_comes_back_and_nobody_there_ends_the_run() -> None:
    person, heard = Person(), list[str]()
    operator = terminal(person, heard, lambda: person.typed.put(" 24.6 °C \n")).operator()
    assert operator.type_in("What is it?") == "24.6 °C"
    assert heard == ["What is it? Then press Enter."]
    gone = Person()
    gone.typed.put("")
    with pytest.raises(StopRequestedError, match="nobody can answer"):
        terminal(gone, heard, lambda: gone.typed.put("")).operator().type_in("What is it?")


def test_a_source_may_press_to_a_voltage_that_every_step_bears() -> None:
    plan = plan_with(RAILS, ('path = "relay"', 'path = "source"\nvoltage = "3.1 V"'))
    check_together(plan, bench_from_text(swept_bench()))
