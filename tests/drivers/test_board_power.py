"""What a rail says of a board: powered, off, or fed by something else; and how far a source may go."""

from __future__ import annotations

import math

import pytest

from drivers.board_power import allowed_levels, check_level, check_powered
from drivers.errors import LimitError
from drivers.limits import Limits


def test_a_rail_within_the_share_is_powered() -> None:
    for rail_v in (2.98, 3.3, 3.62):
        check_powered("press", Limits(), rail_v, 3.3)
    check_powered("press", Limits(), 0.8, None)


@pytest.mark.parametrize(
    ("rail_v", "set_v", "text"),
    [
        (0.004, 3.3, r"reads 0.004 V, below limits.powered_share of 90% of the 3.3 V that it is set to$"),
        (2.6, 3.3, r"reads 2.600 V, below limits.powered_share .* set to; fed through another line\? The console\.$"),
        (4.4, 3.3, r"the rail reads 4.400 V and is set to 3.3 V: another line feeds the board. The console\.$"),
        (0.1, None, r"the board is not powered: its rail reads 0.100 V$"),
        (math.nan, 3.3, r"another line feeds the board"),
    ],
)
def test_a_rail_that_is_not_what_it_is_set_to_is_refused(rail_v: float, set_v: float | None, text: str) -> None:
    with pytest.raises(LimitError, match=text):
        check_powered("press of D1", Limits(), rail_v, set_v, "The console.")


def test_a_rail_one_silicon_diode_below_its_own_line_counts_as_fed() -> None:
    """0.4 V to 0.8 V across a silicon diode (common practice, no source): 3.3 V less that is no 3.3 V rail."""
    for diode_v in (0.4, 0.6, 0.8):
        with pytest.raises(LimitError, match="fed through another line"):
            check_powered("press of D1", Limits(), 3.3 - diode_v, 3.3)


def test_a_source_follows_the_rail_as_measured() -> None:
    limits = Limits(above_rail_v=0.3)
    assert allowed_levels(limits, 3.2) == pytest.approx((-0.3, 3.5))
    assert allowed_levels(limits, None) == pytest.approx((-0.3, 0.3))
    assert allowed_levels(Limits(voltage_v=3.3), 3.2) == pytest.approx((-0.3, 3.3))
    for level_v in (-0.3, 0.0, 3.2, 3.5):
        check_level("press", limits, level_v, 3.2)


@pytest.mark.parametrize(
    ("level_v", "rail_v", "text"),
    [
        (3.6, 3.2, r"press: 3.6 V is above the rail of 3.2 V as just measured by more than limits.above_rail of 0.3 V"),
        (-0.4, 3.2, r"press: -0.4 V is below 0 V by more than limits.above_rail of 0.3 V"),
        (3.3, None, r"press: 3.3 V may be above the rail, which this bench cannot measure as things stand"),
        (math.nan, 3.2, r"press: nan V is above the rail"),
        (math.inf, 3.2, r"press: inf V is above the rail"),
    ],
)
def test_a_level_beyond_the_rail_is_refused(level_v: float, rail_v: float | None, text: str) -> None:
    with pytest.raises(LimitError, match=text):
        check_level("press", Limits(), level_v, rail_v)
