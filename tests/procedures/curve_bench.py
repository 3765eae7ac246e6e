"""A bench in memory that forces a made net pin current curve: what a sweep sees, with the instruments' errors known."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, cast

import numpy as np
from scipy.optimize import brentq

from drivers.bench import Bench
from procedures.settings import PressSettings
from results.record.run_record import Fixture, Levels, MeterModel, Rules, RunRecord, SourceModel, SweepRules, Unit
from results.record.trial import NO_RESISTOR, Condition, Pin, Resistor, Trial

Law = Callable[[float], float]
"""Volts at the pin -> ampere out of the pin."""

RULES = SweepRules(steps=33, refine=8, settled_a=20e-9, longest_s=1.0)
SWEEP = Trial(1, "forced_sweep", "D1", NO_RESISTOR, Condition("reset default", 3.3), 1, kind="sweep")
RESISTORS = (Resistor(NO_RESISTOR, None), *(Resistor(f"{k:g} kΩ", k * 1e3, 0.01) for k in (4.7, 8.2, 10.0, 22.0, 47.0)))


@dataclass
class Errors:
    """Of the instruments: what they read is (1 + gain) · true + offset + noise."""

    gain_v: float = 0.0
    offset_v: float = 0.0
    gain_a: float = 0.0
    offset_a: float = 0.0
    noise_v: float = 0.0
    noise_a: float = 0.0


@dataclass
class CurveBench:
    """Serves what `forced_sweep` calls. `law(v, falling)`: the net pin current, which may remember whether
    it came from the rail or from 0 V."""

    law: Callable[[float, bool], float]
    errors: Errors = field(default_factory=Errors)
    rail_v: float = 3.3
    series_ohm: float = 100.0
    board_series_ohm: float = 0.0
    load_s: float = 1e-7
    limit_a: float = 1e-3
    threshold_v: float = 1.4
    drift_v: float = 0.0
    rests_v: float = 0.0
    seed: int = 1
    done: list[str] = field(default_factory=list)
    levels: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._chance = np.random.default_rng(self.seed)
        self._now_s = 0.0
        self._falling = True
        self._level_v = 0.0
        self.clock = self.source = self.board = self
        self.rail_is_measurable = self.has_second_path = True

    def as_bench(self) -> Bench:
        return cast(Bench, self)

    # The clock

    def now(self) -> float:
        return self._now_s

    def wait(self, seconds: float) -> None:
        self._now_s += seconds

    # The bench

    def label(self, text: str) -> None:
        self.done.append(f"label {text}")

    def pace(self) -> None:
        """Presses may come as fast as they like."""

    def rail_voltage(self, max_age_s: float = 0.0, label: str = "") -> float:
        return self.rail_v

    def select(self, pin: str) -> None:
        self.done.append(f"select {pin}")

    def fit(self, name: str) -> None:
        self.done.append(f"fit {name}")

    def discharge(self, seconds: float) -> None:
        self.done.append("discharge")

    def reset(self) -> None:
        self.done.append("reset")

    def setup(self, pin: str, name: str) -> None:
        self.done.append(f"setup {pin} {name}")

    @contextmanager
    def pressed(self, pin: str, path: str, level_v: float, hold_s: float = 0.0) -> Iterator[None]:
        self.done.append(f"press {pin} by {path}")
        self._force(level_v)
        try:
            yield
        finally:
            self.done.append("let go")

    def force(self, level_v: float) -> None:
        if level_v in (0.0, self.rail_v):
            self._falling = level_v > 0.0
        self._force(level_v)

    def press_level(self) -> tuple[float, float, float]:
        return self._level_v, self.series_ohm, 1.0

    def voltage(self) -> float:
        self._now_s += 0.02
        if "let go" in self.done or not any(word.startswith("press") for word in self.done):
            return self.rests_v
        self._node_v += self.drift_v
        return (1.0 + self.errors.gain_v) * self._node_v + self.errors.offset_v + self._noise(self.errors.noise_v)

    # The source and the console

    def read(self, pin: str | None = None) -> Any:
        if pin is not None:
            at_v = self._pin_v if self.done[-1].startswith("press") else self.rests_v
            return "high" if at_v > self.threshold_v else "low"
        self._now_s += 0.001
        true_a = self._source_a
        return self._level_v, (1.0 + self.errors.gain_a) * true_a + self.errors.offset_a + self._noise(
            self.errors.noise_a
        )

    def in_compliance(self) -> bool:
        return abs(self._source_a) >= self.limit_a * (1.0 - 1e-9)

    def _noise(self, deviation: float) -> float:
        return float(self._chance.standard_normal()) * deviation

    def _force(self, level_v: float) -> None:
        """Solve the node: what comes from the source and the pin goes into the load."""
        self._level_v = level_v
        self.levels.append(level_v)

        def surplus(pin_v: float) -> float:
            net_a = self.law(pin_v, self._falling)
            node_v = pin_v - self.board_series_ohm * net_a
            return self._from_source(node_v) + net_a - node_v * self.load_s

        self._pin_v = float(brentq(surplus, -2.0, 6.0, xtol=1e-13))
        self._node_v = self._pin_v - self.board_series_ohm * self.law(self._pin_v, self._falling)
        self._source_a = self._from_source(self._node_v)

    def _from_source(self, node_v: float) -> float:
        return float(np.clip((self._level_v - node_v) / self.series_ohm, -self.limit_a, self.limit_a))


def settings(rules: SweepRules = RULES, *, board_series_ohm: float = 0.0, **changes: Any) -> PressSettings:
    """Of a plan that presses by relay, with the accuracy of `record`."""
    resistors: Mapping[str, Resistor] = {resistor.name: resistor for resistor in RESISTORS}
    known: dict[str, Any] = {
        "path": "relay",
        "rail_v": 3.3,
        "v_il": 0.8,
        "v_ih": 2.0,
        "hold_s": 0.02,
        "log_before_s": 0.02,
        "log_s": 0.1,
        "interval_s": 1e-4,
        "aperture_s": 5e-5,
        "pull_down_high_ohm": 90e3,
        "accuracy_reading": 1e-4,
        "accuracy_v": 0.5e-3,
        "resistors": resistors,
        "source_accuracy_reading": 5e-4,
        "source_accuracy_a": 20e-9,
        "sweep": rules,
        "series_ohm": {"D1": board_series_ohm},
    }
    return PressSettings(**(known | changes))


def record(rules: SweepRules = RULES, *, board_series_ohm: float = 0.0, input_ohm: float | None = 10e6) -> RunRecord:
    """The record of the same."""
    return RunRecord(
        run="r",
        started_utc="2026-05-01T08:00:00+00:00",
        version="0",
        origin="bench",
        unit=Unit("Made board", "M-1"),
        rail_v=3.3,
        levels=Levels(0.8, 2.0),
        rules=Rules(30e3, 90e3, allowed_s=0.05, log_s=0.1),
        meter=MeterModel(1e-4, 0.5e-3, input_ohm),
        pins=(Pin("D1", series_ohm=board_series_ohm),),
        resistors=RESISTORS,
        planned=(SWEEP,),
        press_path="relay",
        fixture=Fixture(),
        source=SourceModel(5e-4, 20e-9),
        sweep=rules,
    )


def mid_level(pull_down: Law, plateau_a: float = 120e-6, up_v: float = 0.75, down_v: float = 1.98) -> Law:
    """A leak that is small near 0 V and gone near the rail, less the pull-down."""

    def law(v: float) -> float:
        leak_a = plateau_a / (1.0 + np.exp(-(v - up_v) / 0.06)) / (1.0 + np.exp((v - down_v) / 0.055))
        return float(leak_a) - pull_down(v)

    return law


def linear(ohm: float) -> Law:
    return lambda v: v / ohm


def mos(transconductance_a_per_v2: float, overdrive_v: float) -> Law:
    """The long-channel transistor: triode below its overdrive, saturated above (level 1, any textbook)."""
    k, most_v = transconductance_a_per_v2, overdrive_v
    return lambda v: k * (most_v * min(v, most_v) - min(v, most_v) ** 2 / 2.0)


def plain(current_a: float, pull_down: Law) -> Law:
    return lambda v: current_a * float(np.tanh(v / 0.05)) - pull_down(v)


def table(volts: list[float], amperes: list[float], pull_down: Law) -> Law:
    """Points joined by straight lines."""
    return lambda v: float(np.interp(v, volts, amperes)) - pull_down(v)


def memoryless(law: Law) -> Callable[[float, bool], float]:
    return lambda v, falling: law(v)
