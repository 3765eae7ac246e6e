"""A pin that leaks more after its test than before is flagged; an instrument that scatters or a rail that moves is
not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from results.analysis.analysis import analyse
from results.record.check import CheckItem
from results.record.observation import Observation, Probe
from results.record.run_record import Levels, RunRecord, SourceModel
from results.record.trace import Trace
from results.record.trial import Condition, Trial
from tests.results.analysis.made_pins import Bench, d3, record_of, trials_of

SETUP = Condition("reset default", 3.3)
PULL_DOWN_OHM = 60e3


def step(sequence: int, repeat: int, pin: str = "D1") -> Trial:
    return Trial(sequence, "pin_leakage", pin, "none", SETUP, repeat, kind="damage watch")


def looked(leak_a: float = 0.0, at_zero_a: float = 0.0, rail_v: float = 3.3, noise_a: float = 1e-9) -> Observation:
    """Four readings at 0 V and four at the rail, of a pin behind 60 kΩ that leaks to ground."""
    chance = np.random.default_rng(4)
    volts = np.repeat([0.0, rail_v], 4)
    amperes = volts / PULL_DOWN_OHM + np.repeat([at_zero_a, leak_a], 4) + noise_a * chance.standard_normal(8)
    return Observation(
        Trace(np.arange(8) * 0.02, volts, amperes),
        probes=(Probe("pressed", 0, 4, 0.0), Probe("pressed", 4, 4, rail_v)),
    )


def record(*planned: Trial, limit_a: float | None = 100e-9) -> RunRecord:
    source = SourceModel(accuracy_reading=5e-4, accuracy_a=20e-9)
    return replace(record_of(Bench(), planned), damage_limit_a=limit_a, source=source)


def found(before: Observation, after: Observation) -> dict[str, CheckItem]:
    first, last = step(1, 1), step(2, 2)
    finding = analyse(record(first, last), [(first, before), (last, after)])
    assert finding.pins == ()
    return {item.name: item for item in finding.damage}


def test_a_pin_that_comes_out_as_it_went_in_passes() -> None:
    items = found(looked(), looked(noise_a=2e-9))
    assert {name: item.verdict for name, item in items.items()} == {"D1 at 0 V": "pass", "D1 at the rail": "pass"}


@pytest.mark.parametrize(
    ("after", "failed"),
    [
        (looked(leak_a=0.5e-6), {"D1 at the rail"}),
        (looked(leak_a=-0.5e-6), {"D1 at the rail"}),
        (looked(at_zero_a=0.3e-6), {"D1 at 0 V"}),
        (looked(leak_a=2e-6, at_zero_a=-2e-6), {"D1 at 0 V", "D1 at the rail"}),
    ],
)
def test_a_change_beyond_the_limit_by_more_than_u_fails_at_its_level(after: Observation, failed: set[str]) -> None:
    items = found(looked(), after)
    assert {name for name, item in items.items() if item.verdict == "fail"} == failed


def test_the_source_counts_as_if_it_drifted_by_its_whole_accuracy() -> None:
    """Two offsets of 20 nA as rectangular limits: 20 nA · √(2/3) = 16.3 nA; a change of 120 nA does not tell."""
    item = found(looked(noise_a=0.0), looked(leak_a=120e-9, noise_a=0.0))["D1 at the rail"]
    assert item.value == pytest.approx(120e-9, rel=1e-3)
    assert item.u == pytest.approx(16.33e-9, rel=1e-3)
    assert item.verdict == "not determined"


def test_a_rail_that_has_moved_is_no_damage() -> None:
    """20 mV over 60 kΩ are 333 nA."""
    item = found(looked(noise_a=0.0), looked(rail_v=3.32, noise_a=0.0))["D1 at the rail"]
    assert item.value == pytest.approx(0.0, abs=1e-12)
    assert item.verdict == "pass"


def pulled_up(at_zero_a: float = 0.0, rail_v: float = 3.3) -> Observation:
    """A pull-up of 60 kΩ that leaks so much to ground at 0 V: what the source gives there and at the rail."""
    seen = looked(rail_v=rail_v, noise_a=0.0)
    amperes = np.repeat([at_zero_a - rail_v / PULL_DOWN_OHM, 0.0], 4)
    return replace(seen, trace=Trace(seen.trace.time_s, seen.trace.voltage_v, amperes), rail_v=rail_v)


def test_of_a_pull_up_the_rail_moves_what_it_drives_at_0_v() -> None:
    """20 mV over 60 kΩ are 333 nA there, too; a leak of 0.5 µA to ground is none of that."""
    first, last = step(1, 1), step(2, 2)
    known = replace(record(first, last), press_to="ground", levels=Levels(1.3, 2.5))
    sound = analyse(known, [(first, pulled_up()), (last, pulled_up(rail_v=3.32))]).damage
    assert [(item.name, item.verdict) for item in sound] == [("D1 at 0 V", "pass"), ("D1 at the rail", "pass")]
    assert sound[0].value == pytest.approx(0.0, abs=1e-12)
    leaks = analyse(known, [(first, pulled_up()), (last, pulled_up(0.5e-6))]).damage
    assert [item.verdict for item in leaks] == ["fail", "pass"]
    assert leaks[0].value == pytest.approx(0.5e-6, rel=1e-6)


def test_what_was_not_measured_at_both_ends_is_not_determined() -> None:
    first, last = step(1, 1), step(2, 2)
    finding = analyse(record(first, last), [(first, looked())])
    assert {item.verdict for item in finding.damage} == {"not determined"}
    assert {item.note for item in finding.damage} == {"not measured both before and after"}


def test_nothing_is_said_where_the_plan_watches_nothing() -> None:
    first = step(1, 1)
    assert analyse(record(first, limit_a=None), [(first, looked())]).damage == ()


def test_without_a_source_the_first_and_the_last_bare_trial_tell_it() -> None:
    """200 nA lift a node by 6 mV over 30 kΩ and by 18 mV over 90 kΩ, the plan's range: between, nothing is sure."""
    bench = replace(Bench(), repeats=2)
    read = trials_of(d3, bench)
    planned = [one.trial for one in read]
    for rise_v, verdict in ((0.0, "pass"), (12e-3, "not determined"), (20e-3, "fail")):
        made = [(one.trial, one.observation) for one in read if one.observation is not None]
        last = max(n for n, (trial, _) in enumerate(made) if trial.resistor == "none")
        trial, seen = made[last]
        made[last] = (trial, replace(seen, before_v=rise_v))
        from results.analysis.check.damage import damage_items
        from results.analysis.pin_bench import ReadTrial

        rows = [ReadTrial(t, s, one.trace) for (t, s), one in zip(made, read, strict=True)]
        items = {item.name: item for item in damage_items(record(*planned, limit_a=200e-9), [], rows)}
        assert items["D1 before the press"].verdict == verdict
        # 0.5 mV of accuracy over 1 kΩ: the current while held says nothing at 200 nA.
        assert items["D1 while held"].verdict == "not determined"
