"""What a log of the grounded bus, a long log and a moving relay say of the meter, on made samples."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lombscargle

from drivers.meter import Count
from procedures.check_meter import judge_moves, judge_time_base, judge_zero, strongest_hum
from tests.procedures.test_check_resistors import ASKED

TIME_S = np.arange(5000) * 2e-4


def grounded(
    zero_v: float = 0.0, noise_v: float = 0.3e-3, hum_v: float = 0.5e-3, hertz: float = 50.0
) -> NDArray[np.float64]:
    chance = np.random.default_rng(5)
    return zero_v + hum_v * np.sin(2 * np.pi * hertz * TIME_S + 1.0) + noise_v * chance.standard_normal(TIME_S.size)


def verdicts(voltage_v: NDArray[np.float64], line_hz: float | None = 50.0) -> dict[str, str]:
    asked = replace(ASKED, meter=replace(ASKED.meter, line_hz=line_hz))
    return {item.name: item.verdict for item in judge_zero(TIME_S, voltage_v, asked)}


def test_a_sound_meter_passes_and_each_fault_fails_by_its_name() -> None:
    sound = {"meter zero": "pass", "meter noise": "pass", "line frequency": "pass"}
    assert verdicts(grounded()) == sound
    assert verdicts(grounded(zero_v=0.7e-3)) == {**sound, "meter zero": "fail"}
    assert verdicts(grounded(noise_v=3e-3, hum_v=3e-3)) == {**sound, "meter noise": "fail"}
    assert verdicts(grounded(hertz=60.0)) == {**sound, "line frequency": "fail"}


def test_large_hum_is_no_noise() -> None:
    items = judge_zero(TIME_S, grounded(hum_v=5e-3), ASKED)
    noise = next(item for item in items if item.name == "meter noise")
    assert noise.value == pytest.approx(0.3e-3, rel=0.05)
    assert noise.verdict == "pass"


def test_without_hum_the_line_frequency_is_not_determined() -> None:
    for seed in range(10):
        quiet = 0.3e-3 * np.random.default_rng(seed).standard_normal(TIME_S.size)
        assert verdicts(quiet)["line frequency"] == "not determined"
    assert verdicts(grounded(), line_hz=None)["line frequency"] == "not applicable"


def test_the_power_of_a_line_is_that_of_the_lomb_scargle_periodogram() -> None:
    """scipy.signal.lombscargle, normalised by the residual: P/(1 − P)·n/2."""
    log = grounded(hertz=52.3)
    log -= log.mean()
    hertz, _, power = strongest_hum(TIME_S, log)
    assert hertz == pytest.approx(52.3, abs=0.051)
    share = float(np.ravel(lombscargle(TIME_S, log, np.array([2 * np.pi * hertz]), normalize=True))[0])
    assert power == pytest.approx(share / (1 - share) * TIME_S.size / 2, rel=1e-3)


def counts(interval_s: float, late_s: float = 0.0) -> list[Count]:
    instants = [0.8, 3.0, 6.0, 9.5]
    return [Count(float(int(t / interval_s)), t - 1e-3 - late_s, t + 1e-3 + late_s) for t in instants]


@pytest.mark.parametrize(("error", "verdict"), [(0.0, "pass"), (0.005, "pass"), (0.03, "fail"), (-0.03, "fail")])
def test_a_time_base_that_is_off_is_seen_against_the_hosts_clock(error: float, verdict: str) -> None:
    item = judge_time_base(counts(1e-3 * (1.0 + error)), 1e-3)
    assert item.verdict == verdict
    assert item.value is not None
    assert item.u is not None
    assert abs(item.value - error) <= 2.0 * item.u
    # From 0.8 s to 9.5 s: 2 ms between the looks, and one sample, as a rectangular half-width.
    assert item.u == pytest.approx((2e-3 / 8.7 + 1e-3 / 8.7) / 3**0.5, rel=0.1)


def test_a_slow_wire_leaves_the_time_base_undetermined_not_wrong() -> None:
    assert judge_time_base(counts(1e-3, late_s=0.1), 1e-3).verdict == "not determined"


def test_every_closing_must_stand_in_the_log_and_a_bounce_is_none() -> None:
    volts = np.full(TIME_S.size, 3.3)
    for start_s in (0.1, 0.3, 0.5, 0.7):
        first = round(start_s / 2e-4)
        volts[first : first + 250] = 1.1
        volts[int((start_s + 4e-4) / 2e-4)] = 3.3
    assert judge_moves(TIME_S, volts, 3.3, 5000).verdict == "pass"
    volts[(TIME_S >= 0.69) & (TIME_S < 0.8)] = 3.3
    lost = judge_moves(TIME_S, volts, 3.3, 5000)
    assert (lost.verdict, lost.value) == ("fail", 3.0)
    assert judge_moves(TIME_S, np.full(TIME_S.size, 3.3), 3.3, 5000).value == 0.0
