"""Whatever a trace looks like, it gives right numbers or one line that says why not; never a wrong number."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from results.analysis.findings import TraceFinding
from results.analysis.trace.reading import read_trace
from results.record.run_record import Levels, MeterModel
from results.record.trace import Trace
from tests.results.analysis.made_traces import METER, Node, clean_voltage, made

INF = math.inf


def read(
    trace: Trace | Node,
    rail: float = 3.3,
    meter: MeterModel = METER,
    hold_v: float | None = None,
    released_after_s: float | None = None,
    expected_press: bool = True,
) -> TraceFinding:
    levels = Levels(0.8 * rail / 3.3, 2.0 * rail / 3.3)
    return read_trace(
        made(trace) if isinstance(trace, Node) else trace,
        rail_v=rail,
        levels=levels,
        meter=meter,
        allowed_s=0.05,
        hold_v=hold_v,
        released_after_s=released_after_s,
        expected_press=expected_press,
    )


def settles_at(found: TraceFinding, volts: float) -> None:
    assert found.problem == ""
    assert found.settled is not None, found.notes
    assert abs(found.settled.voltage_v - volts) <= 3.0 * found.settled.u_v
    assert found.settled.u_v < 0.005
    assert not found.moving


GRID = {
    "rail 1.8 V": (Node(held_v=1.77, rest_v=0.9), 1.8),
    "rail 2.5 V": (Node(held_v=2.46, rest_v=1.3), 2.5),
    "rail 5 V": (Node(held_v=4.9, rest_v=3.1), 5.0),
    "hum 50 mV": (Node(rest_v=2.03, hum_v=0.05, harmonics=((2, 0.1), (3, 0.3), (5, 0.1))), 3.3),
    "hum 60 Hz, trapezoid": (Node(rest_v=2.03, hum_v=0.03, hum_hz=60.0, trapezoid=True), 3.3),
    "hum and 50 mV below the press": (Node(rest_v=3.196, hum_v=0.03), 3.3),
    "noise 5 mV": (Node(rest_v=2.03, noise_v=5e-3), 3.3),
    "noise 5 mV, correlated": (Node(rest_v=2.03, noise_v=5e-3, correlation=0.9), 3.3),
    "bounce": (Node(rest_v=2.03, bounce_s=0.006), 3.3),
    "bounce on a large node": (Node(rest_v=2.03, bounce_s=0.006, release_tau_s=6e-3, press_tau_s=1e-4), 3.3),
    "at 20 µs": (Node(rest_v=2.03, interval_s=2e-5), 3.3),
    "at 5 ms": (Node(rest_v=2.03, interval_s=5e-3, length_s=0.6, presses=((0.05, 0.103),)), 3.3),
    "already pressed": (Node(rest_v=2.03, presses=((-1.0, 0.025),)), 3.3),
    "stuck from before": (Node(low_v=2.03, held_v=3.3, rest_v=2.03), 3.3),
    "weak press": (Node(held_v=1.2, rest_v=2.0), 3.3),
    "weak press, large node": (Node(held_v=1.2, rest_v=2.0, release_tau_s=5e-3), 3.3),
    "pressed through a resistor": (Node(held_v=2.7, rest_v=1.5), 3.3),
    "coarse converter": (Node(rest_v=2.0304, step_v=1e-3), 3.3),
    "two presses": (Node(rest_v=2.03, presses=((0.005, 0.025), (0.06, 0.08))), 3.3),
    "constant": (Node(rest_v=2.03, noise_v=0.0), 3.3),
    "jitter": (Node(rest_v=2.03, jitter=0.3), 3.3),
    "released to nothing": (Node(rest_v=0.0), 3.3),
}


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("name", GRID)
def test_right_numbers(name: str, seed: int) -> None:
    node, rail = GRID[name]
    found = read(replace(node, seed=seed), rail)
    settles_at(found, node.rest_v)
    assert found.edge is not None
    assert not found.at_press_level
    slack = 0.55 * node.interval_s * (1.0 + node.jitter) + 4.0 * found.edge.u_s + (2e-3 if node.bounce_s else 0.0)
    assert abs(found.edge.time_s - node.released_s) < slack
    if node.rest_v > 0.8 * rail / 3.3:
        assert found.release_time_s is None
    else:
        assert found.release_time_s is not None
        assert 0.0 <= found.release_time_s < 2e-4


def test_a_bounced_release_is_one_release_and_said() -> None:
    node = Node(rest_v=2.03, presses=((0.005, 0.025), (0.026, 0.028)))
    found = read(node)
    settles_at(found, 2.03)
    assert "the contact bounced 1 time: one release" in found.notes


def test_two_presses_are_said() -> None:
    assert "2 presses in the trace; the last release counts" in read(GRID["two presses"][0]).notes


def test_a_node_that_stays_at_the_press_level() -> None:
    for node, hold in (
        (Node(presses=((0.005, INF),)), None),
        (Node(presses=((0.005, INF),), held_v=2.4), None),
        (Node(presses=((-1.0, INF),), held_v=3.3), None),
        (Node(presses=((-1.0, INF),), held_v=2.7), 2.7),
        (Node(presses=((-1.0, INF),), held_v=3.3, hum_v=0.03), None),
        (Node(presses=((-1.0, INF),), held_v=3.3, noise_v=5e-3, correlation=0.95), None),
        (Node(presses=((-1.0, INF),), held_v=3.3, noise_v=0.0), None),
    ):
        found = read(node, hold_v=hold)
        assert found.problem == ""
        assert found.at_press_level
        assert found.edge is None
        assert found.release_time_s is None
        assert found.last_v is not None
        assert found.last_v.value == pytest.approx(node.held_v, abs=4.0 * found.last_v.u)
        assert found.notes[-1].startswith("no release edge: the node stays at the press level, ")


def test_a_trace_without_a_press_says_so() -> None:
    found = read(Node(presses=((-1.0, INF),), held_v=0.0))
    assert found.problem in (
        "trace: no press seen: the node stays at 0.000 V throughout the log",
        "trace: no press seen: the node stays at -0.000 V throughout the log",
    )
    assert found.settled is None
    assert not found.at_press_level
    middle = read(Node(presses=((-1.0, INF),), held_v=2.03))
    assert middle.problem == "trace: no press seen: the node stays at 2.030 V throughout the log"


def test_a_trace_without_a_press_is_read_where_none_was_expected() -> None:
    found = read(Node(presses=((-1.0, INF),), held_v=2.03), expected_press=False)
    settles_at(found, 2.03)


def test_a_press_near_the_end_is_too_short_to_judge() -> None:
    found = read(Node(presses=((0.12, 0.1445),)))
    assert found.problem.startswith("trace: the log ends 0.00035 s")
    assert found.problem.endswith(" after the release: at least 8 samples are needed: 4")
    assert found.settled is None


def test_a_log_shorter_than_the_time_allowed_is_said() -> None:
    found = read(Node(presses=((0.1, 0.12),), release_tau_s=0.05))
    assert found.settled is None
    assert found.moving
    assert found.notes[-1] in (
        "the log ends 0.02488 s after the release, 0.05 s are allowed for it",
        "the log ends 0.02489 s after the release, 0.05 s are allowed for it",
        "the log ends 0.0249 s after the release, 0.05 s are allowed for it",
    )


def test_a_rebound_is_read_where_it_comes_to_rest() -> None:
    """The node falls to 0.4 V and comes back up to 1.4 V by itself."""
    node = Node(rest_v=1.4, second_v=-1.2, second_tau_s=8e-3, release_tau_s=1e-3)
    found = read(node)
    settles_at(found, 1.4)
    assert found.release_time_s is None
    assert found.decay is not None
    assert not found.decay.one_exponential


def test_a_rebound_below_v_il_counts_from_the_last_crossing() -> None:
    node = Node(rest_v=0.3, second_v=0.9, second_tau_s=8e-3, release_tau_s=1e-3)
    found = read(node)
    settles_at(found, 0.3)
    time = np.arange(0, 0.05, 1e-6)
    true = time[np.nonzero(clean_voltage(node, 0.025 + time) > 0.8)[0][-1]]
    assert found.release_time_s == pytest.approx(true, abs=1.1e-4)


def test_release_time_in_noise_and_hum_is_that_of_the_clean_curve() -> None:
    for seed in range(10):
        node = Node(release_tau_s=0.012, noise_v=4e-3, hum_v=0.03, seed=seed)
        found = read(node)
        assert found.release_time_s == pytest.approx(0.012 * math.log(3.246 / 0.8), abs=4e-4)


def test_release_time_of_two_exponentials_in_noise() -> None:
    for seed in range(10):
        node = Node(release_tau_s=2e-3, second_v=1.5, second_tau_s=0.012, noise_v=4e-3, seed=seed)
        found = read(node)
        time = np.arange(0, 0.05, 1e-6)
        true = time[np.nonzero(clean_voltage(node, 0.025 + time) > 0.8)[0][-1]]
        assert found.release_time_s == pytest.approx(true, abs=4e-4)


def test_a_node_that_was_never_above_v_il_is_released_at_once() -> None:
    found = read(Node(held_v=0.6, rest_v=0.1), hold_v=0.6)
    assert found.release_time_s == 0.0


@pytest.mark.parametrize("hum", [0.003, 0.016, 0.03])
def test_a_log_too_short_to_show_hum_counts_it_in_the_uncertainty(hum: float) -> None:
    """Cut 3 ms after the release, a level was wrong by 20 times its uncertainty."""
    inside = 0
    for seed in range(40):
        node = Node(rest_v=0.6, hum_v=hum, hum_hz=60.0, length_s=0.028, interval_s=5e-5, seed=seed)
        found = read(node)
        assert found.last_v is not None, found.problem
        inside += abs(found.last_v.value - 0.6) <= 2.0 * found.last_v.u
        assert abs(found.last_v.value - 0.6) <= 3.0 * found.last_v.u
    assert inside >= 36


@pytest.mark.parametrize("interval", [1e-4, 5e-4])
def test_noise_that_wanders_is_no_movement(interval: float) -> None:
    """Correlated over nine samples, it looks like a slow exponential now and then."""
    inside = 0
    for seed in range(40):
        found = read(Node(rest_v=1.9, noise_v=8e-4, correlation=0.9, interval_s=interval, seed=seed))
        assert found.settled is not None, found.notes
        inside += abs(found.settled.voltage_v - 1.9) <= 2.0 * found.settled.u_v
    assert inside >= 38


@pytest.mark.parametrize("interval", [2e-5, 1e-4])
def test_noise_alone_is_no_press(interval: float) -> None:
    for seed in range(10):
        found = read(Node(presses=((-1.0, INF),), held_v=0.0, noise_v=1.6e-4, interval_s=interval, seed=seed))
        assert found.edge is None
        assert found.problem.startswith("trace: no press seen: ")


def test_a_weak_press_of_a_node_that_stood_at_the_rail() -> None:
    for low, held, rest in ((3.3, 2.4, 2.0), (3.3, 2.45, 1.54), (3.3, 2.4, 0.0)):
        for begins in (0.0, 0.005):
            node = Node(presses=((begins, 0.03),), low_v=low, held_v=held, rest_v=rest, press_tau_s=3e-5)
            found = read(node)
            settles_at(found, rest)
            assert found.edge is not None
            assert found.edge.held_v == pytest.approx(held, abs=2e-3)
            assert found.edge.time_s == pytest.approx(0.03, abs=1e-4)


def test_an_overload_is_never_read_past() -> None:
    good = made(Node(rest_v=2.03))
    during = Trace(good.time_s, np.where(good.voltage_v > 3.0, np.nan, good.voltage_v))
    found = read(during)
    assert found.problem.startswith("trace: ")
    assert found.settled is None
    assert found.notes == ("overloaded in 200 of 1450 samples, 0.0051 s to 0.025 s: only what follows was read",)


def test_problems_of_the_samples_stand_in_the_finding() -> None:
    assert read(Trace(np.empty(0), np.empty(0))).problem == "trace: it holds no samples"
    hum = read(Trace(np.arange(100) * 0.02, np.zeros(100)))
    assert hum.problem.startswith("trace: hum cannot be told from a steady voltage")
    assert hum.last_v is None


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    rail=st.sampled_from([1.8, 2.5, 3.3, 5.0]),
    rest=st.floats(0.0, 0.8),
    tau=st.sampled_from([1e-6, 1e-4, 1e-3, 5e-3]),
    interval=st.sampled_from([5e-5, 1e-4, 5e-4, 2e-3]),
    noise=st.floats(1e-4, 5e-3),
    hum=st.sampled_from([0.0, 0.003, 0.02, 0.05]),
    line=st.sampled_from([50.0, 60.0]),
    low=st.sampled_from(["low", "pressed", "stuck"]),
    seed=st.integers(0, 10**6),
)
def test_any_circuit_gives_right_numbers(
    rail: float, rest: float, tau: float, interval: float, noise: float, hum: float, line: float, low: str, seed: int
) -> None:
    node = Node(
        presses=((-1.0, 0.0651),) if low == "pressed" else ((0.0251, 0.0651),),
        low_v=rest * rail if low == "stuck" else 0.0,
        held_v=0.98 * rail,
        rest_v=rest * rail,
        release_tau_s=tau,
        interval_s=interval,
        length_s=0.25,
        noise_v=noise,
        hum_v=hum,
        hum_hz=line,
        seed=seed,
    )
    found = read(node, rail)
    assert found.problem == ""
    assert found.settled is not None
    assert abs(found.settled.voltage_v - node.rest_v) < 4.0 * found.settled.u_v
    assert found.edge is not None
    assert abs(found.edge.time_s - node.released_s) < 4.0 * found.edge.u_s + 0.55 * interval


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    values=st.lists(st.floats(-20.0, 20.0, width=32) | st.just(math.nan), max_size=80),
    interval=st.floats(1e-6, 0.1),
)
def test_no_trace_whatever_raises(values: list[float], interval: float) -> None:
    found = read(Trace(np.arange(len(values)) * interval, np.array(values, dtype=np.float64)))
    assert found.problem or found.last_v is not None
    assert "\n" not in found.problem
