"""What a stuck pin makes the unit draw is a difference of means, with the interval of two samples of equal scatter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import ttest_ind

from results.analysis.conditions.supply_current import with_supply_draw
from results.analysis.findings import PinFinding
from results.analysis.found.supply_draw import SupplyDraw
from results.record.run_record import RunRecord, SupplyModel
from results.record.trial import NO_RESISTOR
from tests.results.analysis.made_pins import Bench, analysed, d1, d3, record_of

BEFORE_A = 5e-3
"""What other pins, and the supply's constant error, add: it drops out."""

REST_A = (6.00e-3, 6.02e-3, 5.99e-3, 6.01e-3, 6.00e-3, 5.98e-3)


def record(reading: float = 0.0) -> RunRecord:
    return replace(record_of(Bench()), supply=SupplyModel(reading, 20e-6))


def drawing(pin: PinFinding, name: str, amperes: list[float], *, bare: bool) -> PinFinding:
    """The pin with these supply currents on its bare (or on its other) trials, and on no other."""
    left = list(amperes)
    rows = []
    for row in pin.rows:
        assert row.observation is not None
        takes = left and (row.trial.resistor == NO_RESISTOR) is bare
        seen = replace(row.observation, supply_a=left.pop(0) if takes else None, supply_before_a=BEFORE_A)
        rows.append(replace(row, observation=seen))
    assert not left
    return replace(pin, pin=name, rows=tuple(rows))


def drawn(stuck: list[float], released: tuple[float, ...] = REST_A, *, reading: float = 0.0) -> SupplyDraw:
    bench = Bench(repeats=6)
    pins = (
        drawing(analysed(d1, bench), "D1", stuck, bare=True),
        drawing(analysed(d3, bench), "D3", list(released), bare=True),
    )
    of_d1, of_d3 = with_supply_draw(record(reading), pins)
    assert of_d3.supply is None
    assert of_d1.supply is not None
    return of_d1.supply


def test_one_stuck_reading_is_compared_as_the_two_sample_t_test_does() -> None:
    """scipy.stats.ttest_ind, equal variances: with one reading on one side all scatter comes from the other."""
    draw = drawn([6.14e-3])
    reference = ttest_ind([6.14e-3], REST_A, equal_var=True).confidence_interval(0.95)
    assert draw.extra is not None
    assert draw.half_width_a is not None
    assert draw.extra.value == pytest.approx(6.14e-3 - float(np.mean(REST_A)))
    assert draw.extra.value - draw.half_width_a == pytest.approx(reference.low, rel=1e-6)
    assert draw.extra.value + draw.half_width_a == pytest.approx(reference.high, rel=1e-6)
    assert (draw.stuck, draw.released, draw.draws_more) == (1, 6, True)


def test_what_the_unit_draws_before_the_press_is_left_out() -> None:
    """Another pin that an earlier trial left latched adds as much before as after."""
    bench = Bench(repeats=6)
    stuck = drawing(analysed(d1, bench), "D1", [6.14e-3], bare=True)
    latched = []
    for row in stuck.rows:
        seen = row.observation
        assert seen is not None
        more_a = None if seen.supply_a is None else seen.supply_a + 3e-4
        latched.append(replace(row, observation=replace(seen, supply_a=more_a, supply_before_a=BEFORE_A + 3e-4)))
    other = drawing(analysed(d3, bench), "D3", list(REST_A), bare=True)
    found = with_supply_draw(record(), (replace(stuck, rows=tuple(latched)), other))[0].supply
    assert found is not None
    assert found.extra is not None
    assert found.extra.value == pytest.approx(6.14e-3 - float(np.mean(REST_A)))


def test_what_lies_within_the_scatter_is_not_called_more() -> None:
    assert drawn([6.02e-3]).draws_more is False


def test_more_readings_make_the_interval_narrower() -> None:
    one, three = drawn([6.14e-3]), drawn([6.14e-3] * 3)
    assert one.extra is not None
    assert three.extra is not None
    # u² = s² (1/n + 1/6)
    assert (one.extra.u / three.extra.u) ** 2 == pytest.approx((1 + 1 / 6) / (1 / 3 + 1 / 6))


def test_the_gain_of_the_supply_acts_on_the_difference() -> None:
    exact, coarse = drawn([6.14e-3]), drawn([6.14e-3], reading=0.1)
    assert exact.extra is not None
    assert coarse.extra is not None
    gain_u = exact.extra.value * 0.1 / 3**0.5
    assert coarse.extra.u == pytest.approx((exact.extra.u**2 + gain_u**2) ** 0.5)


def test_too_few_to_compare_with_is_not_determined() -> None:
    draw = drawn([6.14e-3], REST_A[:3])
    assert (draw.extra, draw.draws_more) == (None, None)
    assert draw.reason == "3 trials released under this condition, 4 are needed to compare with"


def test_trials_of_another_condition_are_not_compared_with() -> None:
    bench = Bench(repeats=6)
    stuck = drawing(analysed(d1, bench), "D1", [6.14e-3], bare=True)
    other = drawing(analysed(d3, bench), "D3", list(REST_A), bare=True)
    other = replace(other, condition=replace(other.condition, rail_v=3.6))
    found = with_supply_draw(record(), (stuck, other))[0].supply
    assert found is not None
    assert found.extra is None


def test_without_a_supply_that_measures_nothing_is_said() -> None:
    pin = analysed(d1)
    assert with_supply_draw(record_of(Bench()), (pin,)) == (pin,)


def test_neighbours_that_were_let_go_in_between_leave_it_open() -> None:
    """Their own currents end with them: the difference says nothing of the pin."""
    bench = Bench(repeats=6)
    pins = (
        drawing(analysed(d1, bench), "D1", [6.14e-3], bare=True),
        drawing(analysed(d3, bench), "D3", list(REST_A), bare=True),
    )
    together = tuple(replace(pin, condition=replace(pin.condition, neighbours="released together")) for pin in pins)
    found = with_supply_draw(record(), together)[0].supply
    assert found is not None
    assert (found.extra, found.reason) == (None, "what its neighbours drew went with them")
