"""A sweep forces equal steps, exactly V_IL, and finer steps where V/I_net is near its minimum."""

from __future__ import annotations

import pytest

from procedures.sweep_levels import MOST_WINDOWS, Seen, below_v_il, first_targets, level_for, refined_targets
from tests.procedures.curve_bench import RULES, settings


def test_the_first_pass_has_equal_steps_and_v_il_and_just_below_it() -> None:
    targets = first_targets(3.3, settings(), RULES)
    volts = [target.voltage_v for target in targets]
    assert volts == sorted(volts, reverse=True)
    assert [v for v in volts if v not in (0.8, below_v_il(settings()))] == pytest.approx(
        [3.3 - 0.1 * step for step in range(34)]
    )
    exact = [target.voltage_v for target in targets if target.exact]
    # Limits 0.01 % of 0.8 V and 0.5 mV: rectangular, twice the standard uncertainty.
    assert exact == [0.8, pytest.approx(0.8 - 2.0 * 0.58e-3 / 3**0.5)]


def seen_of(ratios: dict[float, float]) -> list[Seen]:
    return [Seen(volts - 0.01, volts, ratio * volts) for volts, ratio in ratios.items()]


def test_finer_steps_lie_between_the_neighbours_of_the_largest_ratio() -> None:
    seen = seen_of({0.6: 2e-6, 0.9: 5e-6, 1.0: 9e-6, 1.1: 8e-6, 1.2: 1e-6, 3.3: -2e-6})
    volts = [target.voltage_v for target in refined_targets(seen, 3.3, 2, settings(), RULES)]
    fine = [v for v in volts if v > 0.8]
    assert len(fine) == RULES.refine
    assert all(0.9 < v < 1.1 for v in fine)
    assert volts[-2:] == [0.8, below_v_il(settings())]


def test_points_close_together_do_not_narrow_the_view() -> None:
    """V_IL is forced several times: what lies a tenth of a millivolt beside the largest ratio bounds nothing."""
    seen = seen_of({0.7: 2e-6, 0.8129: 8.9e-6, 0.813: 9e-6, 0.8131: 8.9e-6, 0.91: 8e-6, 3.3: -2e-6})
    fine = [target.voltage_v for target in refined_targets(seen, 3.3, 2, settings(), RULES) if target.voltage_v > 0.8]
    assert max(fine) > 0.89
    finer = [target.voltage_v for target in refined_targets(seen, 3.3, 3, settings(), RULES) if target.voltage_v > 0.8]
    assert 0.82 < max(finer) < 0.836


def test_a_second_hump_nearly_as_high_is_looked_at_too_and_a_low_one_is_not() -> None:
    two = {0.9: 5e-6, 1.0: 9e-6, 1.1: 4e-6, 1.9: 4e-6, 2.0: 8e-6, 2.1: 4e-6}
    assert len(refined_targets(seen_of(two), 3.3, 2, settings(), RULES)) == MOST_WINDOWS * RULES.refine + 2
    low = two | {2.0: 5e-6}
    assert len(refined_targets(seen_of(low), 3.3, 2, settings(), RULES)) == RULES.refine + 2


def test_the_ratio_below_v_il_does_not_count() -> None:
    """There the pin reads low: a leak that is largest at 0.5 V is looked at from V_IL up."""
    seen = seen_of({0.5: 20e-6, 0.6: 15e-6, 0.79945: 10e-6, 0.8: 9.9e-6, 0.9: 8e-6, 1.0: 6e-6})
    volts = [target.voltage_v for target in refined_targets(seen, 3.3, 2, settings(), RULES)]
    assert min(volts) == below_v_il(settings())
    assert max(volts) < 0.9


def test_a_level_is_what_brings_the_pin_there_and_never_beyond_those_forced() -> None:
    seen = [Seen(0.9, 0.91, 1e-4), Seen(1.0, 1.012, 1e-4)]
    assert level_for(0.91 + 0.051, seen) == pytest.approx(0.95)
    assert level_for(2.0, seen) == 1.0
