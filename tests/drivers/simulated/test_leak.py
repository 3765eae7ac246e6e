"""Every law of leak and pull-down gives the current that its formula says, and only in the setups that have it."""

from __future__ import annotations

import math

import pytest

from drivers.simulated.board_file import (
    LinearPullDown,
    MidLevelLeak,
    MosPullDown,
    NoLeak,
    PinPart,
    PlainLeak,
    Setup,
    TableLeak,
)
from drivers.simulated.leak import leak_current, leak_temperature_factor, net_pin_current, pull_down_current

MID = MidLevelLeak(kind="mid level", plateau_a=120e-6, up_v=0.75, up_width_v=0.06, down_v=1.98, down_width_v=0.055)


def test_a_mid_level_leak_has_half_its_plateau_at_either_flank() -> None:
    current = leak_current(MID)

    assert current(0.75) == pytest.approx(60e-6, rel=1e-6)
    assert current(1.98) == pytest.approx(60e-6, rel=1e-6)
    assert current(1.3) == pytest.approx(120e-6, rel=1e-3)
    assert current(0.0) < 1e-9
    assert current(3.3) < 1e-13


def test_a_mid_level_leak_far_outside_its_flanks_is_nothing_and_no_overflow() -> None:
    assert leak_current(MID)(-100.0) == 0.0
    assert leak_current(MID)(100.0) == 0.0


def test_a_plain_leak_is_a_hyperbolic_tangent_that_ends_where_stated() -> None:
    plain = leak_current(PlainLeak(kind="plain", current_a=34e-6, knee_v=0.05, gone_v=2.6, gone_width_v=0.04))

    assert plain(0.05) == pytest.approx(34e-6 * math.tanh(1))
    assert plain(2.6) == pytest.approx(17e-6)
    assert leak_current(PlainLeak(kind="plain", current_a=1e-6))(3.3) == pytest.approx(1e-6)


def test_a_table_is_joined_by_straight_lines_and_constant_beyond_its_ends() -> None:
    table = leak_current(TableLeak(kind="table", voltage_v=(0.0, 1.0, 3.0), current_a=(0.0, 1e-5, 2e-5)))

    assert [table(v) for v in (-1.0, 0.5, 1.0, 2.0, 3.0, 4.0)] == pytest.approx([0.0, 5e-6, 1e-5, 1.5e-5, 2e-5, 2e-5])


def test_a_mos_pull_down_saturates_at_its_overdrive() -> None:
    """I = k (Vov V - V^2/2), k Vov^2/2 from Vov on: level-1 MOS transistor, any textbook (memory)."""
    current = pull_down_current(MosPullDown(kind="mos", transconductance_a_per_v2=10e-6, overdrive_v=2.0))

    assert current(1.0) == pytest.approx(10e-6 * 1.5)
    assert current(2.0) == pytest.approx(20e-6)
    assert current(3.3) == pytest.approx(20e-6)
    assert current(1e-3) / 1e-3 == pytest.approx(20e-6, rel=1e-3)


@pytest.mark.parametrize(
    ("setup", "expected_a"),
    [
        ("reset default", 120e-6 - 1.3 / 60e3),
        ("buffer off", -1.3 / 60e3),
        ("pull-down off", 120e-6),
        ("output low", -1.3 / 50),
    ],
)
def test_a_pin_setup_decides_what_flows(setup: Setup, expected_a: float) -> None:
    pin = PinPart(name="D1", leak=MID, pull_down=LinearPullDown(resistance_ohm=60e3))
    current = net_pin_current(pin, setup, leak_factor=1.0, rail_v=3.3, output_ohm=50.0)

    assert current(1.3) == pytest.approx(expected_a, rel=2e-3)


def test_rail_leak_fitted_resistor_and_clamps_add_to_the_pin() -> None:
    pin = PinPart(name="D1", leak=NoLeak(), pull_down=LinearPullDown(resistance_ohm=1e9), rail_resistance_ohm=1e3)
    current = net_pin_current(pin, "reset default", leak_factor=1.0, rail_v=3.3, output_ohm=50.0, fitted_ohm=8200.0)

    assert current(1.0) == pytest.approx(2.3 / 1e3 - 1.0 / 8200, rel=1e-6)
    assert current(4.0) == pytest.approx(-0.7 / 1e3 - 4.0 / 8200 - 0.3 / 20, rel=1e-6)
    assert current(-0.6) == pytest.approx(3.9 / 1e3 + 0.6 / 8200 + 0.2 / 20, rel=1e-6)


def test_leakage_doubles_with_every_stated_step_of_temperature() -> None:
    pin = PinPart(name="D1", leak_doubling_k=10.0, leak_reference_k=300.0)

    assert leak_temperature_factor(pin, 320.0) == pytest.approx(4.0)
    assert leak_temperature_factor(pin, 295.0) == pytest.approx(2**-0.5)
    assert leak_temperature_factor(PinPart(name="D1"), 400.0) == 1.0


def test_a_pin_that_pulls_up_is_the_mirror_image_of_one_that_pulls_down() -> None:
    """I_up(V) = −I_down(rail − V), with every kind of pull-down and in every setup but "output low"."""
    for pull_down in (LinearPullDown(), MosPullDown(kind="mos", transconductance_a_per_v2=8e-6, overdrive_v=2.0)):
        down = PinPart(name="D1", pull_down=pull_down, leak=MID)
        up = down.model_copy(update={"pulls": "up"})
        setups: tuple[Setup, ...] = ("reset default", "buffer off", "pull-down off")
        for setup in setups:
            laws = [net_pin_current(pin, setup, leak_factor=1.0, rail_v=3.3, output_ohm=50.0) for pin in (down, up)]
            for volts in (0.0, 0.5, 1.3, 2.0, 3.3):
                assert laws[1](3.3 - volts) == pytest.approx(-laws[0](volts), abs=1e-15)
