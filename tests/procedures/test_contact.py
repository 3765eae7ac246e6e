"""Contact is proven by something that only the unit can do, and never by the shape of the trace."""

from __future__ import annotations

from dataclasses import replace

import pytest

from procedures.contact import HoldLevel, pin_current, prove_contact
from procedures.settings import PressSettings
from results.record.trial import NO_RESISTOR, Resistor

RESISTORS = {
    r.name: r for r in (Resistor(NO_RESISTOR, None), Resistor("4.7 kΩ", 4700.0, 0.01), Resistor("1 kΩ", 1000.0, 0.05))
}


def settings(meter_ohm: float | None = 10e6) -> PressSettings:
    return PressSettings(
        path="relay",
        rail_v=3.3,
        v_il=0.8,
        v_ih=2.0,
        hold_s=0.02,
        log_before_s=0.01,
        log_s=0.1,
        interval_s=1e-4,
        aperture_s=1e-4,
        pull_down_high_ohm=90e3,
        accuracy_reading=1e-4,
        accuracy_v=5e-4,
        resistors=RESISTORS,
        meter_ohm=meter_ohm,
    )


def divider(pin_ohm: float | None, fitted_ohm: float | None, press_ohm: float = 1000.0, rail_v: float = 3.3) -> float:
    conductance = 1e-7 + (1.0 / pin_ohm if pin_ohm else 0.0) + (1.0 / fitted_ohm if fitted_ohm else 0.0)
    return rail_v / (1.0 + press_ohm * conductance)


def hold(pin_ohm: float | None, fitted_ohm: float | None = None) -> HoldLevel:
    return HoldLevel(divider(pin_ohm, fitted_ohm), 3.3, 1000.0, 1000.0 * 0.01 / 3**0.5)


def test_the_worked_example_of_the_hold_level() -> None:
    """1 kΩ and 60 kΩ hold the node at 3.246 V, an open needle at 3.300 V (Ohm's law)."""
    assert divider(60e3, None) == pytest.approx(3.246, abs=6e-4)
    assert divider(None, None) == pytest.approx(3.300, abs=6e-4)


def test_a_pull_down_that_draws_its_current_proves_contact() -> None:
    assert prove_contact(hold(60e3), NO_RESISTOR, settings()) == "hold level"


def test_an_open_needle_is_disproven_by_the_hold_level() -> None:
    assert prove_contact(hold(None), NO_RESISTOR, settings()) == "disproven"


def test_a_trial_resistor_does_not_stand_in_for_the_pin() -> None:
    assert prove_contact(hold(60e3, 4700.0), "4.7 kΩ", settings()) == "hold level"
    assert prove_contact(hold(None, 4700.0), "4.7 kΩ", settings()) == "disproven"


def test_a_resistor_known_too_badly_proves_nothing_either_way() -> None:
    assert prove_contact(hold(60e3, 1000.0), "1 kΩ", settings()) == "not proven"
    assert prove_contact(hold(None, 1000.0), "1 kΩ", settings()) == "not proven"


def test_the_boards_own_reading_proves_contact_where_the_pull_down_is_missing() -> None:
    assert prove_contact(hold(None), NO_RESISTOR, settings(), reads_before="low", reads_held="high") == "board reading"


def test_a_board_that_reads_low_under_a_pressed_needle_disproves_contact() -> None:
    seen = HoldLevel(3.3, None, None, None)
    assert prove_contact(seen, NO_RESISTOR, settings(), reads_before="low", reads_held="low") == "disproven"


def test_a_board_that_reads_high_all_the_time_proves_nothing() -> None:
    seen = HoldLevel(3.3, None, None, None)
    assert prove_contact(seen, NO_RESISTOR, settings(), reads_before="high", reads_held="high") == "not proven"


def test_a_node_that_rests_high_with_the_press_path_open_is_held_by_the_unit() -> None:
    assert prove_contact(hold(None), NO_RESISTOR, settings(), rest_v=2.03) == "rest level"


def test_a_source_measures_the_pins_current_directly() -> None:
    seen = HoldLevel(3.3, 3.3, None, None, source_a=3.3 / 60e3 + 3.3e-7, source_u_a=1e-7)
    current = pin_current(seen, NO_RESISTOR, settings())
    assert current is not None
    assert current[0] == pytest.approx(3.3 / 60e3)
    assert prove_contact(seen, NO_RESISTOR, settings()) == "press current"
    none = HoldLevel(3.3, 3.3, None, None, source_a=3.3e-7, source_u_a=1e-7)
    assert prove_contact(none, NO_RESISTOR, settings()) == "disproven"


def test_without_a_known_press_path_nothing_is_proven() -> None:
    assert prove_contact(HoldLevel(None, None, None, None), NO_RESISTOR, settings()) == "not proven"


def to_ground(**changes: object) -> PressSettings:
    """Pull-up inputs, pressed to ground: V_IL and V_IH of 1.3 V and 2.5 V at a rail of 3.3 V."""
    return replace(settings(), press_to="ground", v_il=1.3, v_ih=2.5, **changes)  # type: ignore[arg-type]


def hold_above_ground(pull_up_ohm: float | None, fitted_ohm: float | None = None) -> HoldLevel:
    """The node between what leads to the rail and 1 kΩ with the meter to ground (Kirchhoff's current law)."""
    up_s = (1.0 / pull_up_ohm if pull_up_ohm else 0.0) + (1.0 / fitted_ohm if fitted_ohm else 0.0)
    return HoldLevel(3.3 * up_s / (up_s + 1e-3 + 1e-7), 0.0, 1000.0, 1000.0 * 0.01 / 3**0.5, rail_v=3.3)


def test_the_hold_level_of_a_pull_up() -> None:
    """60 kΩ to the rail and 1 kΩ to ground: 54 mV; an open needle: 0 V. The pull-up's 54 µA prove contact."""
    held = hold_above_ground(60e3)
    assert held.hold_v == pytest.approx(0.054, abs=2e-4)
    current = pin_current(held, NO_RESISTOR, to_ground())
    assert current is not None
    assert current[0] == pytest.approx((3.3 - 0.0541) / 60e3, rel=1e-3)
    assert prove_contact(held, NO_RESISTOR, to_ground()) == "hold level"
    assert prove_contact(hold_above_ground(None), NO_RESISTOR, to_ground()) == "disproven"


def test_a_resistor_to_the_rail_does_not_pass_for_a_pull_up() -> None:
    """4.7 kΩ of 1 % to the rail: what the pin drives besides is told, or not, but never taken from the resistor."""
    fitted = hold_above_ground(60e3, 4700.0)
    open_needle = hold_above_ground(None, 4700.0)
    assert prove_contact(fitted, "4.7 kΩ", to_ground()) == "hold level"
    assert prove_contact(open_needle, "4.7 kΩ", to_ground()) in ("disproven", "not proven")


def test_a_node_that_only_the_unit_can_have_lifted_proves_contact() -> None:
    """The meter pulls a bus alone to 0 V: a rise proves the unit, staying at 0 V does not; with a resistor to the rail
    the bus alone stands at the rail, and staying low is what proves it."""
    unknown = HoldLevel(0.0, None, None, None, rail_v=3.3)
    assert prove_contact(unknown, NO_RESISTOR, to_ground(), rest_v=3.28) == "rest level"
    assert prove_contact(unknown, NO_RESISTOR, to_ground(), rest_v=0.0) == "not proven"
    assert prove_contact(unknown, "4.7 kΩ", to_ground(), rest_v=3.298) == "not proven"
    assert prove_contact(unknown, "4.7 kΩ", to_ground(), rest_v=1.3) == "rest level"


def test_a_board_that_reads_high_then_low_proves_a_press_to_ground() -> None:
    unknown = HoldLevel(0.0, None, None, None, rail_v=3.3)
    proof = prove_contact(unknown, NO_RESISTOR, to_ground(), reads_before="high", reads_held="low")
    assert proof == "board reading"
    assert prove_contact(unknown, NO_RESISTOR, to_ground(), reads_before="high", reads_held="high") == "disproven"
