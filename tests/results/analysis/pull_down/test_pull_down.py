"""The pull-down is measured while the pin is held, else fitted, else planned; and one that is not there is missed."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from results.analysis.findings import LeakLine, Value
from results.analysis.pull_down.pull_down import HoldPoint, find_pull_down, hold_point
from results.record.observation import Observation
from results.record.run_record import MeterModel
from tests.results.analysis.made_pins import METER, RAIL_V, RULES, empty_trace

NOTHING = Value(0.0, 0.0)
HELD = Observation(empty_trace(), hold_v=3.3 * 60 / 61, press_v=3.3, press_ohm=1000.0, press_u_ohm=0.0)
LINE = LeakLine(3, Value(34e-6, 1e-7), Value(1 / 64e3, 5e-8), 0.0, 0.1, 1, 0.7, True, "")


def hold(current_a: float, u_a: float = 0.4e-6, *, proven: bool = True, pin_v: float = 3.246) -> HoldPoint:
    return HoldPoint(pin_v, Value(current_a, u_a), proven)


def test_a_60_kilohm_pull_down_holds_the_node_at_3_246_volt_behind_1_kilohm() -> None:
    point = hold_point(HELD, HELD.hold_v, NOTHING, 0.0, METER)
    assert point is not None
    assert point.pin_v == pytest.approx(3.246, abs=5e-4)
    assert point.current.value == pytest.approx(-3.3 / 61e3, rel=1e-9)


def test_uncertainty_at_hold_counts_gain_once_and_the_constant_part_for_each_reading() -> None:
    """Against the same model written out reading by reading, by the `uncertainties` package."""
    from uncertainties import ufloat

    meter = MeterModel(accuracy_reading=1e-2, accuracy_v=1e-3)
    outside = Value(1 / 22e3, 1 / 22e3 * 0.01 / math.sqrt(3))
    seen = replace(HELD, press_u_ohm=6.0)
    point = hold_point(seen, 3.1, outside, 0.0, meter)
    assert point is not None
    gain, e1, e2 = ufloat(0.0, 1e-2 / 3**0.5), ufloat(0.0, 1e-3 / 3**0.5), ufloat(0.0, 1e-3 / 3**0.5)
    volts, behind = 3.1 * (1 + gain) + e1, 3.3 * (1 + gain) + e2
    expected = volts * ufloat(outside.value, outside.u) - (behind - volts) / ufloat(1000.0, 6.0)
    assert (point.current.value, point.current.u) == pytest.approx((expected.nominal_value, expected.std_dev), rel=1e-6)


def test_the_board_takes_part_of_the_hold_voltage_in_its_series_resistance() -> None:
    point = hold_point(HELD, HELD.hold_v, NOTHING, 2000.0, METER)
    assert point is not None
    assert point.pin_v == pytest.approx(3.3 * 60 / 61 - 2000.0 * 3.3 / 61e3, rel=1e-9)


def test_a_source_that_measured_the_press_current_needs_no_press_resistor() -> None:
    seen = Observation(empty_trace(), hold_v=3.3, press_current_a=55e-6)
    point = hold_point(seen, 3.3, Value(1e-7, 0.0), 0.0, METER)
    assert point is not None
    assert point.current.value == pytest.approx(3.3e-7 - 55e-6, rel=1e-12)


def test_without_a_known_press_path_nothing_is_said() -> None:
    assert hold_point(Observation(empty_trace()), 3.246, NOTHING, 0.0, METER) is None
    assert hold_point(HELD, None, NOTHING, 0.0, METER) is None


def test_the_hold_level_comes_first() -> None:
    found = find_pull_down([hold(-54.1e-6)], None, RULES, RAIL_V, stuck=False)
    assert found.source == "hold level"
    assert found.resistance is not None
    assert found.resistance.value == pytest.approx(60e3, rel=1e-9)
    assert found.resistance.u == pytest.approx(60e3 * 0.4 / 54.1, rel=1e-9)
    assert found.note == ""


def test_repeats_do_not_shrink_an_uncertainty_that_all_of_them_share() -> None:
    found = find_pull_down([hold(-54.1e-6)] * 9, None, RULES, RAIL_V, stuck=False)
    assert found.conductance.u == pytest.approx(0.4e-6 / 3.246, rel=1e-9)


def test_on_a_pin_that_sticks_the_hold_level_is_only_a_bound() -> None:
    found = find_pull_down([hold(-54.1e-6)], None, RULES, RAIL_V, stuck=True)
    assert found.note == "pull-down from the hold level, an upper bound of its resistance unless the leak is gone there"


def test_a_leak_that_is_left_at_the_hold_level_hands_over_to_the_line() -> None:
    """The line implies 64 kΩ, the hold level 190 kΩ: 34 µA of leak still flow there."""
    found = find_pull_down([hold(-17e-6)], LINE, RULES, RAIL_V, stuck=True)
    assert found.source == "line"
    assert found.conductance == LINE.pull_down_s
    assert found.note == (
        "a leak is left at the hold level; "
        "pull-down from the line's slope, a lower bound of its resistance where the leak falls with voltage"
    )


def test_a_leak_that_holds_the_node_at_rest_may_be_left_at_the_hold_level_too() -> None:
    """A pin that releases but rests at 0.3 V: 5 µA of leak there, so that 60 kΩ may be 54 kΩ; at 0.01 V nothing."""
    about = "pull-down from the hold level, an upper bound of its resistance unless the leak is gone there"
    assert find_pull_down([hold(-54.1e-6)], None, RULES, RAIL_V, stuck=False, rests_at_v=0.3).note == about
    assert find_pull_down([hold(-54.1e-6)], None, RULES, RAIL_V, stuck=False, rests_at_v=0.01).note == ""


def test_a_line_confirms_the_hold_level_only_where_it_is_sharp_itself() -> None:
    sharp = replace(LINE, pull_down_s=Value(1 / 60e3, 2e-7))
    blunt = replace(LINE, pull_down_s=Value(1 / 60e3, 2e-6))
    assert find_pull_down([hold(-54.1e-6)], sharp, RULES, RAIL_V, stuck=True).note == ""
    assert find_pull_down([hold(-54.1e-6)], blunt, RULES, RAIL_V, stuck=True).note.startswith("pull-down from the hold")


def test_on_a_pin_that_sticks_a_leak_may_hide_the_pull_down() -> None:
    """A plain leak of 54 µA cancels 60 kΩ at the hold level; the leakage then counts with any pull-down expected."""
    found = find_pull_down([hold(-0.2e-6)], None, RULES, RAIL_V, stuck=True)
    assert (found.source, found.resistance, found.hidden) == ("not found", None, True)
    hides = "no pull-down found, unless a leak of its size hides it"
    assert found.note == f"{hides}: while held the pin draws no more than 1 µA"
    assert found.conductance.value - math.sqrt(3) * found.conductance.u == pytest.approx(0.0, abs=1e-12)
    assert found.conductance.value + math.sqrt(3) * found.conductance.u == pytest.approx(1 / 30e3)


def test_a_line_that_did_not_pass_is_not_used() -> None:
    refused = replace(LINE, passes=False)
    assert find_pull_down([], LINE, RULES, RAIL_V, stuck=True).source == "line"
    assert find_pull_down([], refused, RULES, RAIL_V, stuck=True).source == "plan range"


def test_the_plans_range_is_rectangular_in_conductance() -> None:
    found = find_pull_down([], None, RULES, RAIL_V, stuck=False)
    assert found.conductance.value == pytest.approx((1 / 30e3 + 1 / 90e3) / 2, rel=1e-12)
    assert found.conductance.u == pytest.approx((1 / 30e3 - 1 / 90e3) / 2 / math.sqrt(3), rel=1e-12)


def test_the_plans_range_in_ohm_reaches_to_its_ends() -> None:
    """30 to 90 kΩ: 60 kΩ ± 35 kΩ. Inverted from the conductance it read 45 kΩ ± 26 kΩ, and left 90 kΩ out."""
    found = find_pull_down([], None, RULES, RAIL_V, stuck=False).resistance
    assert found is not None
    assert (found.value, found.u) == pytest.approx((60e3, 30e3 / math.sqrt(3)), rel=1e-9)


def test_a_pin_that_draws_nothing_while_its_board_reads_the_press_has_no_pull_down() -> None:
    found = find_pull_down([hold(-0.2e-6)], None, RULES, RAIL_V, stuck=False)
    assert found.source == "not found"
    assert found.resistance is None
    assert found.note == "no pull-down found: while held the pin draws no more than 1 µA"


def test_a_pin_that_draws_nothing_and_proves_no_contact_says_nothing_about_its_pull_down() -> None:
    assert find_pull_down([hold(0.0, proven=False)], None, RULES, RAIL_V, stuck=False).source == "plan range"
    # 5 µA is a current, but a dirty fixture with an open needle could draw as much.
    assert find_pull_down([hold(-5e-6, proven=False)], None, RULES, RAIL_V, stuck=False).source == "plan range"


def test_a_meter_too_coarse_to_see_a_pull_down_does_not_miss_it() -> None:
    """Half of what 90 kΩ would draw is 18 µA; ± 20 µA cannot exclude it."""
    assert find_pull_down([hold(-1e-6, 10e-6)], None, RULES, RAIL_V, stuck=False).source == "plan range"


def test_a_weak_pull_down_is_measured_and_said_to_be_outside_the_range() -> None:
    found = find_pull_down([hold(-5e-6)], None, RULES, RAIL_V, stuck=False)
    assert found.source == "hold level"
    assert found.note == "pull-down 649 kΩ lies outside the plan's range 30 kΩ to 90 kΩ"


def test_a_pin_that_drives_its_node_while_held_tells_nothing_about_its_pull_down() -> None:
    assert find_pull_down([hold(200e-6)], None, RULES, RAIL_V, stuck=True).source == "plan range"
