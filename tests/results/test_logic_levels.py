"""Logic levels come from a standard by name, and only for a rail that the standard holds for."""

from __future__ import annotations

import math

import pytest

from results.errors import QuantityError
from results.logic_levels import full_name, known_standards, levels


# Sources: JESD8C.01, JESD8-5A, JESD8-7A (input levels as quoted in public places), 5 V TTL, and the 0.3/0.7 rule of
# 5 V CMOS (4.5 V: 1.35/3.15, as in many data sheets).
@pytest.mark.parametrize(
    ("standard", "rail_v", "v_il", "v_ih"),
    [
        ("JESD8C.01 3.3 V", 3.3, 0.8, 2.0),
        ("JESD8C.01 3.3 V", 3.0, 0.8, 2.0),
        ("JESD8C.01", 3.6, 0.8, 2.0),
        ("jesd8c.01", 3.3, 0.8, 2.0),
        ("JESD8-5A 2.5 V", 2.5, 0.7, 1.7),
        ("JESD8-7A 1.8 V", 1.8, 0.63, 1.17),
        ("JESD8-7A", 1.65, 0.5775, 1.0725),
        ("5 V TTL", 5.0, 0.8, 2.0),
        ("5V TTL", 5.0, 0.8, 2.0),
        ("5 V CMOS", 5.0, 1.5, 3.5),
        ("5 V CMOS", 4.5, 1.35, 3.15),
    ],
)
def test_levels_of_each_standard(standard: str, rail_v: float, v_il: float, v_ih: float) -> None:
    assert levels(standard, rail_v) == pytest.approx((v_il, v_ih), rel=1e-12, abs=0.0)


def test_a_short_name_stands_for_the_full_one() -> None:
    assert full_name("jesd8-7a") == "JESD8-7A 1.8 V"
    assert all(full_name(name) == name for name in known_standards())


def test_an_unknown_name_lists_the_known_ones() -> None:
    with pytest.raises(QuantityError) as caught:
        levels("JESD99", 3.3)
    assert str(caught.value) == (
        "'JESD99': unknown standard of logic levels: one of "
        "JESD8C.01 3.3 V, JESD8-5A 2.5 V, JESD8-7A 1.8 V, 5 V TTL, 5 V CMOS"
    )


@pytest.mark.parametrize(
    ("standard", "rail_v", "message"),
    [
        ("JESD8C.01 3.3 V", 5.0, "'JESD8C.01 3.3 V': holds for a rail of 3 V to 3.6 V, not for 5 V"),
        ("JESD8-7A", 2.5, "'JESD8-7A': holds for a rail of 1.65 V to 1.95 V, not for 2.5 V"),
        ("5 V TTL", 3.3, "'5 V TTL': holds for a rail of 4.75 V to 5.25 V, not for 3.3 V"),
        ("5 V CMOS", math.nan, "'5 V CMOS': holds for a rail of 4.5 V to 6 V, not for nan V"),
    ],
)
def test_a_rail_outside_the_range_of_the_standard_is_refused(standard: str, rail_v: float, message: str) -> None:
    with pytest.raises(QuantityError) as caught:
        levels(standard, rail_v)
    assert str(caught.value) == message
