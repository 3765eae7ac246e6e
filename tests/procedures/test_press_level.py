"""The lowest level that latches is found by halving, with repeats, and what happens only sometimes is kept."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from drivers.errors import WiringError
from procedures.errors import ProcedureError
from procedures.press_level import press_level
from results.record.observation import Observation
from results.record.run_record import PressLevelRules
from results.record.trial import NO_RESISTOR, Condition, Trial
from tests.procedures.curve_bench import settings
from tests.procedures.latch_bench import LatchBench, latches_low

LEVEL = Trial(1, "press_level", "D1", NO_RESISTOR, Condition("reset default", 3.3), 1, kind="press level")
RULES = PressLevelRules(resolution_v=0.01, repeats=2)


def found(bench: LatchBench, rules: PressLevelRules = RULES) -> tuple[Observation, dict[float, int]]:
    """The observation, and how often each level latched."""
    observation = press_level(bench.as_bench(), LEVEL, settings(press_level=rules))
    counts: dict[float, int] = {}
    for probe in observation.probes:
        if probe.act == "released" and probe.level_v is not None:
            volts = float(observation.trace.voltage_v[probe.first + probe.count - 1])
            counts[probe.level_v] = counts.get(probe.level_v, 0) + int(volts > 0.8)
    return observation, counts


def test_the_levels_close_in_on_the_unstable_rest_point() -> None:
    """The made curve crosses its load line upwards at 0.608 V."""
    observation, counts = found(LatchBench())
    highest = max(level for level, latched in counts.items() if latched == 0)
    lowest = min(level for level, latched in counts.items() if latched == 2)
    assert highest < 0.6084 < lowest
    assert lowest - highest <= 0.01
    assert len(counts) == 11
    assert observation.contact == "board reading"


def test_each_press_goes_through_the_source_and_starts_from_an_empty_node() -> None:
    bench = LatchBench()
    found(bench)
    presses = [number for number, word in enumerate(bench.done) if word.startswith("press")]
    assert all(bench.done[number - 1] == "discharge" for number in presses)
    assert all("by source" in bench.done[number] for number in presses)
    assert bench.done[-1] == "let go"


def test_levels_that_latch_only_sometimes_are_bracketed_on_both_sides() -> None:
    """Between 1 V and 1.5 V one press in two takes."""
    turn = iter(range(10_000))

    def sometimes(level_v: float) -> bool:
        return level_v >= 1.5 or (level_v > 1.0 and next(turn) % 2 == 0)

    _, counts = found(LatchBench(latches=sometimes))
    assert {latched for level, latched in counts.items() if 1.0 < level < 1.5} == {1}
    assert max(level for level, latched in counts.items() if latched == 0) == pytest.approx(1.0, abs=0.01)
    assert min(level for level, latched in counts.items() if latched == 2) == pytest.approx(1.5, abs=0.01)


@pytest.mark.parametrize(
    ("law", "levels"),
    [(lambda v: -v / 60e3, [3.3]), (lambda v: 60e-6 / (1.0 + np.exp((0.15 - v) / 0.01)) - v / 60e3, [3.3, 0.2])],
)
def test_no_level_is_tried_that_decides_nothing(law: Callable[[float], float], levels: list[float]) -> None:
    """The rail alone does not latch a sound pin; a quarter of V_IL is enough for a pin whose leak sets in at 0.15 V."""
    _, counts = found(LatchBench(law=law))
    assert list(counts) == pytest.approx(levels)


def test_a_pin_that_goes_up_by_itself_needs_no_press() -> None:
    observation, counts = found(LatchBench(law=lambda v: 34e-6 - v / 60e3))
    assert counts[0.0] == 2
    assert set(counts) == {0.0, 3.3}
    assert observation.notes[0].startswith("high before the press: 2.0")


def test_without_rules_or_a_source_nothing_is_touched() -> None:
    bench = LatchBench()
    with pytest.raises(ProcedureError, match=r"press level #1: the plan has no \[press_level\]"):
        press_level(bench.as_bench(), LEVEL, settings())
    bench.source = None  # type: ignore[assignment]
    with pytest.raises(WiringError, match="this bench has no source to press to a level with"):
        press_level(bench.as_bench(), LEVEL, settings(press_level=RULES))
    assert bench.done == []


def test_pressed_to_ground_the_levels_are_the_mirror_image() -> None:
    """From 0 V up: the made curve crosses its load line at 3.3 V less 0.608 V, and every level is pressed down to."""
    below, _ = found(LatchBench(load_s=0.0))
    bench = LatchBench(law=latches_low, load_s=0.0, threshold_v=1.9, to_ground=True)
    asked = settings(press_level=RULES, press_to="ground", v_il=1.3, v_ih=2.5)
    above = press_level(bench.as_bench(), LEVEL, asked)
    levels = [probe.level_v for probe in below.probes if probe.level_v is not None]
    assert [3.3 - p.level_v for p in above.probes if p.level_v is not None] == pytest.approx(levels, abs=1e-9)
    assert 3.3 - above.trace.voltage_v == pytest.approx(below.trace.voltage_v, abs=2.1e-4)
    assert above.probes[0].level_v == 0.0


def test_a_pull_up_input_that_goes_down_by_itself_needs_no_press() -> None:
    bench = LatchBench(law=lambda v: (3.3 - v) / 60e3 - 34e-6, threshold_v=1.9, to_ground=True)
    asked = settings(press_level=RULES, press_to="ground", v_il=1.3, v_ih=2.5)
    observation = press_level(bench.as_bench(), LEVEL, asked)
    assert {p.level_v for p in observation.probes if p.act == "released"} == {0.0, 3.3}
    assert observation.notes[0].startswith("low before the press: 1.2")
