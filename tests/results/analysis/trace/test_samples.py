"""A trace that cannot be judged is refused in one line that names what, where, the rule and the value."""

from __future__ import annotations

import numpy as np
import pytest

from results.analysis.trace.samples import screened
from results.record.run_record import MeterModel
from results.record.trace import Trace
from tests.results.analysis.made_traces import METER, Node, made

GOOD = made(Node())


def with_times(index: int, value: float) -> Trace:
    time = GOOD.time_s.copy()
    time[index] = value
    return Trace(time, GOOD.voltage_v)


def with_volts(which: slice, value: float) -> Trace:
    volts = GOOD.voltage_v.copy()
    volts[which] = value
    return Trace(GOOD.time_s, volts)


@pytest.mark.parametrize(
    ("trace", "problem"),
    [
        (Trace(np.empty(0), np.empty(0)), "trace: it holds no samples"),
        (Trace(np.arange(7.0), np.zeros(7)), "trace: at least 10 samples are needed: 7"),
        (Trace(np.arange(12.0), np.zeros(11)), "trace: as many times as voltages are needed: 12 times, 11 voltages"),
        (Trace(np.arange(12.0), np.full(12, np.nan)), "trace: the meter was overloaded in all 12 samples"),
        (with_times(4, np.nan), "trace: every time must be a number: sample 5 has nan"),
        (with_times(4, 0.0003), "trace: times must increase: sample 5 at 0.0003 s follows 0.0003 s"),
        (with_times(4, 0.0001), "trace: times must increase: sample 5 at 0.0001 s follows 0.0003 s"),
        (
            Trace(np.delete(GOOD.time_s, slice(600, 640)), np.delete(GOOD.voltage_v, slice(600, 640))),
            "trace: no gap longer than 3 sample intervals is allowed: 0.0041 s after 0.0599 s, "
            "the interval is 0.0001 s",
        ),
        (
            with_volts(slice(1445, None), np.nan),
            "trace: the meter was overloaded in 5 of 1450 samples, 0.1445 s to 0.1449 s",
        ),
    ],
)
def test_refused(trace: Trace, problem: str) -> None:
    assert screened(trace, METER).problem == problem


def test_a_good_trace_passes_as_it_is() -> None:
    samples = screened(GOOD, METER)
    assert samples.problem == ""
    assert samples.notes == ()
    assert samples.interval_s == pytest.approx(1e-4)
    assert np.array_equal(samples.voltage_v, GOOD.voltage_v)


def test_jitter_is_taken_as_logged_and_said() -> None:
    samples = screened(made(Node(jitter=0.3)), METER)
    assert samples.problem == ""
    assert samples.notes[0].startswith("sample intervals vary from ")
    assert samples.notes[0].endswith("; times taken as logged")


def test_an_overload_before_the_press_is_cut_off_and_said() -> None:
    samples = screened(with_volts(slice(3, 5), np.nan), METER)
    assert samples.problem == ""
    assert samples.time_s[0] == GOOD.time_s[5]
    assert samples.notes == ("overloaded in 2 of 1450 samples, 0.0003 s to 0.0004 s: only what follows was read",)


def test_a_clipped_hold_is_refused_with_and_without_a_known_range() -> None:
    clipped = Trace(GOOD.time_s, np.minimum(GOOD.voltage_v, 3.2))
    assert screened(clipped, METER).problem == (
        "trace: the meter was at its end, one constant maximum: 200 of 1450 samples read 3.2 V, 0.0051 s to 0.025 s"
    )
    known = MeterModel(1e-4, 5e-4, range_v=3.2)
    assert "the meter's range of 3.2 V: 200 of 1450 samples read 3.2 V" in screened(clipped, known).problem
    assert screened(clipped, MeterModel(1e-4, 5e-4, range_v=10.0)).problem == ""


@pytest.mark.parametrize(
    "node",
    [
        Node(noise_v=0.0),
        Node(noise_v=1e-4, step_v=1e-3),
        Node(noise_v=4e-4, step_v=1e-3),
        Node(noise_v=1e-4, step_v=1e-3, hum_v=0.0136, trapezoid=True),
        Node(noise_v=5e-3, step_v=1e-3),
    ],
)
def test_a_clean_or_coarsely_converted_trace_is_not_called_clipped(node: Node) -> None:
    assert screened(made(node), METER).problem == ""


def test_a_few_crests_cut_off_are_not_refused() -> None:
    clipped = Trace(GOOD.time_s, np.minimum(GOOD.voltage_v, 3.246 + 1.5 * 4e-4))
    assert 8 <= np.count_nonzero(clipped.voltage_v == clipped.voltage_v.max()) < 20
    assert screened(clipped, METER).problem == ""


@pytest.mark.parametrize(
    ("interval", "line", "aperture", "refused"),
    [
        (0.02, 50.0, 0.0, True),
        (0.02, None, 1e-3, True),
        (0.04, 50.0, 0.0, True),
        (1.0 / 60.0, None, 0.0, True),
        (0.02 + 1e-5, 50.0, 0.0, True),
        (0.02, 50.0, 0.02, False),
        (0.02, 60.0, 0.0, False),
        (0.005, 50.0, 0.0, False),
        (0.023, 50.0, 0.0, False),
    ],
)
def test_hum_sampled_at_its_own_period_is_refused(
    interval: float, line: float | None, aperture: float, refused: bool
) -> None:
    trace = made(Node(interval_s=interval, length_s=100 * interval, presses=((0.5, 1.0),)))
    problem = screened(trace, MeterModel(1e-4, 5e-4, aperture_s=aperture, line_hz=line)).problem
    assert problem.startswith("trace: hum cannot be told from a steady voltage: the sample interval") is refused


def noisy_release(rest_v: float) -> Trace:
    time = np.arange(0.0, 0.145, 1e-4)
    level = np.where(time < 0.025, 3.246, rest_v)
    return Trace(time, level + np.random.default_rng(4).normal(0.0, 4e-4, time.size))


def test_a_converter_at_its_lower_end_is_no_rest_point() -> None:
    """A scope whose screen ends at 0.9 V shows every released pin at 0.9 V, above V_IL."""
    trace = noisy_release(0.0)
    clipped = Trace(trace.time_s, np.maximum(trace.voltage_v, 0.9))
    assert screened(clipped, METER).problem == (
        "trace: the meter was at its end, one constant minimum: 1200 of 1450 samples read 0.9 V, 0.025 s to 0.1449 s"
    )


def test_what_is_quiet_at_its_lowest_level_is_not_taken_for_clipped() -> None:
    at_zero = Trace(noisy_release(0.0).time_s, np.maximum(noisy_release(0.0).voltage_v, 0.0))
    noise_free = Trace(at_zero.time_s, np.where(at_zero.time_s < 0.025, 3.246, 0.9))
    coarse = Trace(at_zero.time_s, np.round(noisy_release(0.9).voltage_v, 3))
    for trace in (at_zero, noise_free, coarse, noisy_release(0.9)):
        assert screened(trace, METER).problem == ""
