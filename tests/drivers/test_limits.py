"""No plan exceeds the limits of the bench, and what is not a number is beyond every limit."""

from __future__ import annotations

import math
from typing import Any

import pytest

from drivers.errors import LimitError
from drivers.limits import Limits
from drivers.press import Presser
from drivers.wiring import Channel, Wiring


def test_a_voltage_beyond_the_limit_is_refused_with_value_limit_and_unit() -> None:
    limits = Limits(voltage_v=5.5)
    limits.check_voltage("press of D1", 5.5)
    limits.check_voltage("press of D1", -5.5)
    with pytest.raises(LimitError) as caught:
        limits.check_voltage("press of D1", -5.6)
    assert str(caught.value) == "press of D1: -5.6 V is beyond limits.voltage of 5.5 V"


def test_a_source_current_beyond_the_limit_is_refused() -> None:
    with pytest.raises(LimitError) as caught:
        Limits(current_a=1e-3).check_current("compliance", 2e-3)
    assert str(caught.value) == "compliance: 2 mA is beyond limits.current of 1 mA"


def test_a_press_resistor_must_hold_the_current_into_a_pin_that_drives_low() -> None:
    """3.3 V through 1 kΩ is 3.3 mA (Ohm's law); a bare wire has no limit at all."""
    limits = Limits(press_current_a=3.4e-3)
    limits.check_press_resistor("press", 3.3, 1000.0)
    with pytest.raises(LimitError) as caught:
        limits.check_press_resistor("press", 3.3, 330.0)
    assert str(caught.value) == "press: 3.3 V through 330 Ω could drive 10 mA, beyond limits.press_current of 3.4 mA"
    with pytest.raises(LimitError, match="inf mA"):
        limits.check_press_resistor("press", 3.3, 0.0)


@pytest.mark.parametrize("seconds", [10.1, -0.1, math.nan])
def test_a_press_time_outside_of_the_limit_is_refused(seconds: float) -> None:
    with pytest.raises(LimitError, match=r"is not within limits.press_time of 10 s"):
        Limits(press_time_s=10.0).check_press_time("press", seconds)


def test_what_is_not_a_number_is_beyond_every_limit() -> None:
    with pytest.raises(LimitError):
        Limits().check_voltage("press", math.nan)
    with pytest.raises(LimitError):
        Limits().check_current("press", math.nan)
    with pytest.raises(LimitError):
        Limits().check_press_resistor("press", math.nan, 1000.0)


def test_the_press_after_the_allowed_ones_waits_until_the_first_is_a_minute_old() -> None:
    limits = Limits(presses_per_minute=3)
    assert limits.wait_before_press((0.0, 10.0), 20.0) == 0.0
    assert limits.wait_before_press((0.0, 10.0, 20.0), 25.0) == pytest.approx(35.0)
    assert limits.wait_before_press((0.0, 10.0, 20.0), 61.0) == 0.0
    assert limits.wait_before_press((-50.0, 0.0, 10.0, 20.0), 25.0) == pytest.approx(35.0)
    assert Limits().wait_before_press((0.0, 0.0, 0.0), 0.0) == 0.0


def test_half_a_press_a_minute_is_one_press_in_two_minutes() -> None:
    assert Limits(presses_per_minute=0.5).wait_before_press((0.0,), 60.0) == pytest.approx(60.0)


def test_a_press_to_ground_is_limited_by_what_a_pin_at_the_rail_would_drive_through_it() -> None:
    """The rail may be as high as limits.voltage: 5.5 V through 1 kΩ is 5.5 mA, whatever the press level of 0 V."""
    nothing: Any = None
    wiring = Wiring(press=Channel("switch", "1"), press_ohm=1e3, press_to="ground", resistors_to="rail")
    presser = Presser(
        clock=nothing,
        limits=Limits(voltage_v=5.5, press_current_a=5e-3),
        wiring=wiring,
        relays=nothing,
        source=None,
        operator=None,
        settle_s=0.0,
        lease=nothing,
    )
    with pytest.raises(LimitError, match=r"5.5 V through 1000 Ω could drive 5.5 mA, beyond limits.press_current"):
        presser.check("D1", "relay", 0.0, 0.01)
