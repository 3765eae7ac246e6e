"""The settled voltage lies within its expanded uncertainty as often as it says, whatever the noise, hum and tail."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from results.analysis.trace.settled import Settling, accuracy_u, settle
from results.record.run_record import MeterModel
from tests.results.analysis.made_traces import METER, Node, made

IDEAL = MeterModel(0.0, 0.0, line_hz=50.0)
STUCK = Node(rest_v=2.03)


def settling(node: Node, meter: MeterModel = IDEAL, length_s: float | None = None) -> Settling:
    trace = made(node)
    first = int(np.searchsorted(trace.time_s, node.released_s, side="right"))
    last = trace.time_s.size if length_s is None else first + round(length_s / node.interval_s)
    return settle(
        trace.time_s[first:last],
        trace.voltage_v[first:last],
        meter=meter,
        interval_s=node.interval_s,
        rail_v=3.3,
        step_v=node.step_v,
    )


COVERED = {
    "white": STUCK,
    "correlated": replace(STUCK, correlation=0.5),
    "strongly correlated": replace(STUCK, correlation=0.9, noise_v=2e-3),
    "hum": replace(STUCK, hum_v=0.02),
    "hum off its nominal frequency": replace(STUCK, hum_v=0.05, hum_hz=49.93, harmonics=((2, 0.1), (3, 0.2))),
    "tail": replace(STUCK, release_tau_s=0.02),
    "tail, hum and correlation": replace(STUCK, release_tau_s=0.01, hum_v=0.01, correlation=0.5),
    "few samples": replace(STUCK, interval_s=2e-3),
}


@pytest.mark.parametrize("name", COVERED)
def test_expanded_uncertainty_covers_in_95_per_cent(name: str) -> None:
    """U = 2u from 200 seeded traces; noise alone, so the meter's accuracy cannot hide a bias."""
    node, count = COVERED[name], 200
    inside = [
        abs(settled.voltage_v - node.rest_v) <= 2.0 * settled.u_v
        for seed in range(count)
        if (settled := settling(replace(node, seed=seed)).settled) is not None
    ]
    assert len(inside) >= 0.97 * count  # slow noise may look like movement, but seldom
    assert 0.91 <= sum(inside) / len(inside) <= 0.99


def test_a_part_of_a_hum_period_does_not_bias() -> None:
    """A mean over 3.3 periods of 50 mV of hum is off by up to 4 mV; the fit is not."""
    for seed in range(20):
        settled = settling(Node(rest_v=2.0, hum_v=0.05, seed=seed), length_s=0.066).settled
        assert settled is not None
        assert settled.voltage_v == pytest.approx(2.0, abs=1.5e-4)
        assert settled.hum_v == pytest.approx(0.05, rel=0.01)
        assert settled.hum_hz == pytest.approx(50.0, abs=0.1)


@pytest.mark.parametrize("line", [50.0, 60.0])
def test_an_unknown_line_frequency_is_found(line: float) -> None:
    settled = settling(Node(rest_v=2.0, hum_v=0.02, hum_hz=line), MeterModel(0.0, 0.0)).settled
    assert settled is not None
    assert settled.hum_hz == pytest.approx(line, abs=0.1)
    assert settled.voltage_v == pytest.approx(2.0, abs=1e-4)


def test_no_hum_is_named_where_none_is() -> None:
    for seed in range(20):
        settled = settling(Node(seed=seed), MeterModel(0.0, 0.0)).settled
        assert settled is not None
        assert (settled.hum_v, settled.hum_hz) == (0.0, None)


def test_accuracy_limits_are_rectangular() -> None:
    assert accuracy_u(2.0, METER) == pytest.approx((2.0 * 1e-4 + 0.5e-3) / math.sqrt(3.0))
    settled = settling(STUCK, METER).settled
    assert settled is not None
    assert settled.u_accuracy_v == pytest.approx(accuracy_u(2.03, METER), rel=1e-3)
    assert settled.u_v == pytest.approx(math.hypot(settled.u_noise_v, settled.u_accuracy_v))


def test_a_converters_step_stays_in_the_uncertainty() -> None:
    node = Node(rest_v=2.0304, noise_v=1e-5, step_v=1e-3)
    settled = settling(node).settled
    assert settled is not None
    assert settled.u_noise_v == pytest.approx(1e-3 / math.sqrt(12.0), rel=0.01)
    assert abs(settled.voltage_v - 2.0304) < 2.0 * settled.u_v


def test_an_odd_harmonic_that_looks_steady_stays_in_the_uncertainty() -> None:
    """At 4 ms the fifth harmonic of 50 Hz is a steady voltage."""
    for seed in range(20):
        node = Node(rest_v=2.0, hum_v=0.05, trapezoid=True, interval_s=4e-3, length_s=0.6, seed=seed)
        settled = settling(node).settled
        assert settled is not None
        assert abs(settled.voltage_v - 2.0) < 2.0 * settled.u_v


def test_a_node_on_the_move_has_no_settled_voltage() -> None:
    for tau in (0.06, 0.2, 0.6):
        found = settling(Node(release_tau_s=tau), METER)
        assert found.moving
        assert found.settled is None
        assert found.reason.startswith("still moving: -")
        end = 3.246 * math.exp(-(0.1449 - 0.025) / tau)
        assert found.last_v.value == pytest.approx(end, abs=4.0 * found.last_v.u)


def test_a_drift_is_movement() -> None:
    found = settling(Node(rest_v=2.0, drift_v_per_s=0.1), METER)
    assert found.moving
    assert found.settled is None


def test_the_end_of_a_clear_exponential_is_extrapolated_and_said() -> None:
    node = Node(release_tau_s=0.022, noise_v=2e-5, rest_v=1.0)
    found = settling(node, IDEAL)
    assert found.settled is not None
    assert found.moving
    assert found.notes[0].endswith("mV from rest when the log ends: extrapolated")
    assert found.settled.voltage_v == pytest.approx(1.0, abs=3.5 * found.settled.u_v)


def test_a_constant_trace_without_noise_is_exact() -> None:
    settled = settling(Node(rest_v=2.03, noise_v=0.0), METER).settled
    assert settled is not None
    assert settled.voltage_v == pytest.approx(2.03, abs=1e-9)
    assert settled.u_noise_v < 1e-9


def test_correlated_noise_is_worth_fewer_samples() -> None:
    white = settling(STUCK).settled
    slow = settling(replace(STUCK, correlation=0.9)).settled
    assert white is not None
    assert slow is not None
    assert white.effective_samples > 900
    assert slow.effective_samples == pytest.approx(white.effective_samples / 19.0, rel=0.5)


def test_hum_is_taken_out_of_the_end_of_the_window_alone_too() -> None:
    """What is asked for may begin after the window does: that ended in a traceback."""
    trace = made(Node(presses=((-1.0, -0.5),), rest_v=2.0, hum_v=0.02))
    found = settle(trace.time_s, trace.voltage_v, meter=METER, interval_s=1e-4, rail_v=3.3)
    for last in (1450, 700, 50):
        clean = found.without_hum(trace.time_s[-last:], trace.voltage_v[-last:])
        assert float(np.std(clean)) == pytest.approx(4e-4, rel=0.3)


def test_the_parts_of_what_is_no_noise_are_told_apart() -> None:
    """A converter step of 1 mV without dither: 1 mV/√12 (JCGM 100:2008, F.2.2.1). Only noise is left beside."""
    settled = settling(replace(STUCK, step_v=1e-3, noise_v=1e-6)).settled
    assert settled is not None
    assert settled.u_step_v == pytest.approx(1e-3 / math.sqrt(12.0), rel=1e-6)
    assert (settled.u_hum_v, settled.u_drift_v) == (0.0, 0.0)
    assert settled.u_noise_v == pytest.approx(settled.u_step_v, rel=1e-3)


def test_a_movement_that_is_taken_for_rest_is_a_rectangular_error() -> None:
    """1 mV that goes with 0.3 s, seen for 0.12 s: 0.32 mV within the window, over √3 (JCGM 100:2008, 4.3.7)."""
    time_s = np.arange(1200) * 1e-4
    noise = np.random.default_rng(3).normal(0.0, 20e-6, time_s.size)
    slow = 2.0 + 1e-3 * np.exp(-time_s / 0.3) + noise
    settled = settle(time_s, slow, meter=IDEAL, interval_s=1e-4, rail_v=3.3).settled
    assert settled is not None
    assert settled.u_drift_v == pytest.approx(0.32e-3 / math.sqrt(3.0), rel=0.02)
    assert settled.u_drift_v < settled.u_noise_v < 1.01 * settled.u_drift_v
