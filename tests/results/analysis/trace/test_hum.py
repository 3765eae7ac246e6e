"""Hum is found with edges and decays in the trace, at a mains frequency that is a little off, and not where none is."""

from __future__ import annotations

import numpy as np
import pytest

from results.analysis.trace.hum import (
    aliased_to_steady,
    find_hum,
    orders_below_nyquist,
    robust_hum,
    shows_hum,
    unseen_hum,
)
from tests.results.analysis.made_traces import Node, hum_voltage, made


@pytest.mark.parametrize("line", [50.0, 60.0])
@pytest.mark.parametrize("tau", [1e-5, 0.01, 0.3])
def test_hum_is_taken_out_of_a_whole_trace(line: float, tau: float) -> None:
    node = Node(hum_v=0.03, hum_hz=line, release_tau_s=tau, harmonics=((3, 0.2),))
    trace = made(node)
    hum = robust_hum(trace.time_s, trace.voltage_v, 1e-4, (50.0, 60.0))
    assert hum is not None
    assert hum.line_hz == line
    assert hum.amplitude_v == pytest.approx(0.03, rel=0.1)
    left = hum_voltage(node, trace.time_s) - hum.voltage_v
    assert float(np.std(left)) < 0.1 * 0.03


@pytest.mark.parametrize("tau", [1e-5, 0.01, 0.3])
def test_no_hum_is_found_where_none_is(tau: float) -> None:
    trace = made(Node(release_tau_s=tau))
    assert robust_hum(trace.time_s, trace.voltage_v, 1e-4, (50.0, 60.0)) is None


def test_the_true_line_frequency_and_the_harmonics_are_found() -> None:
    node = Node(hum_v=0.02, hum_hz=49.9, harmonics=((3, 0.3),), rest_v=2.0)
    trace = made(node)
    terms = find_hum(trace.time_s[400:], trace.voltage_v[400:], 1e-4, (50.0, 60.0), None)
    assert terms.line_hz == pytest.approx(49.9, abs=0.02)
    assert 1 in terms.orders
    assert 3 in terms.orders
    assert not terms.forced


def test_white_noise_holds_no_hum() -> None:
    for seed in range(20):
        trace = made(Node(seed=seed, rest_v=2.0))
        assert len(find_hum(trace.time_s[400:], trace.voltage_v[400:], 1e-4, (50.0,), None).orders) <= 1


def test_a_stretch_too_short_to_show_hum_carries_the_fundamental_in_its_uncertainty() -> None:
    trace = made(Node())
    terms = find_hum(trace.time_s[400:600], trace.voltage_v[400:600], 1e-4, (50.0,), None)
    assert terms.orders == (1,)
    assert terms.forced


def test_harmonics_above_half_the_sample_rate_are_left_out() -> None:
    assert orders_below_nyquist(50.0, 5e-3) == (1,)
    assert orders_below_nyquist(50.0, 0.01) == ()


def test_a_harmonic_at_the_sample_rate_looks_steady() -> None:
    assert aliased_to_steady(50.0, 4e-3, 0.2) == (5, 10, 15)
    assert aliased_to_steady(50.0, 1e-4, 0.2) == ()


def test_a_trace_under_two_periods_of_the_lowest_line_shows_no_hum() -> None:
    assert shows_hum(np.arange(401) * 1e-4, (50.0, 60.0))
    assert not shows_hum(np.arange(399) * 1e-4, (50.0, 60.0))
    assert shows_hum(np.arange(399) * 1e-4, (60.0,))


def test_the_amplitude_of_unseen_hum_is_not_told_too_small() -> None:
    for seed in range(20):
        node = Node(hum_v=0.02, noise_v=1e-3, seed=seed)
        for length in (0.012, 0.02):
            time = np.arange(round(length / 1e-4)) * 1e-4
            told = unseen_hum(time, 3.2 + hum_voltage(node, time), (50.0, 60.0))
            assert 0.5 * 0.02 < told <= 2.0 * 0.02 + 1e-9
    assert unseen_hum(np.arange(5) * 1e-4, np.ones(5), (50.0,)) == 0.0
