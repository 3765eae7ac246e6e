"""A bench in memory whose node comes to rest at once on a made curve: what procedures on a latched pin see and do."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from typing import Any, cast

import numpy as np

from drivers.bench import Bench
from drivers.meter import Readings
from drivers.wiring import Channel, Wiring
from results.record.observation import Observation
from results.record.trace import FloatArray
from tests.procedures.curve_bench import RESISTORS, Law, linear, mid_level

LATCHES = mid_level(linear(60e3))
FITS = {
    resistor.name: Channel("switch", str(number))
    for number, resistor in enumerate(RESISTORS, 1)
    if resistor.nominal_ohm
}
GRID_V = np.linspace(-0.5, 3.6, 41001)


def latches_low(v: float) -> float:
    """The mirror image of that pin at a rail of 3.3 V: it pulls up, and its leak leads to ground."""
    return -LATCHES(3.3 - v)


@cache
def net_on_grid(law: Law) -> FloatArray:
    """The curve on the grid, once for each law."""
    return np.array([law(float(v)) for v in GRID_V])


@dataclass
class LatchBench:
    """`law`: volts at the pin -> ampere out of it. `latches(level)`: whether a press from this level is one that takes;
    left out, the curve alone decides."""

    law: Law = LATCHES
    latches: Callable[[float], bool] | None = None
    load_s: float = 1e-7
    rail_v: float = 3.3
    series_ohm: float = 100.0
    threshold_v: float = 1.4
    done: list[str] = field(default_factory=list)
    polled_high: Callable[[], bool] | None = None
    start_late_s: float = 0.0
    to_ground: bool = False

    def __post_init__(self) -> None:
        self.rests_v = self.rail_v if self.to_ground else 0.0
        self.node_at: list[tuple[float, float]] = [(0.0, self.rests_v)]
        self._log: tuple[float, float, int] | None = None
        self._polls = False
        self.clock = self.source = self.board = self
        self.rail_is_measurable = self.has_second_path = True
        self.wiring = Wiring(fit=FITS, source=Channel("relay_board", "1"))
        self.node_v = self.rests_v
        self._now_s = 0.0
        self._fitted_s = 0.0
        self._level_v: float | None = None
        self._path = "relay"
        self._net = net_on_grid(self.law)

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
        self._fitted_s = 0.0
        self._rest()
        self._fitted_s = next(r for r in RESISTORS if r.name == name).conductance_s
        self._rest()

    def discharge(self, seconds: float) -> None:
        self.done.append("discharge")
        self._move(self.rests_v)
        self._rest()

    def reset(self) -> None:
        self.done.append("reset")

    def setup(self, pin: str, name: str) -> None:
        self.done.append(f"setup {pin} {name}")
        # Between two polls there is no leak, only the pull-down.
        self._polls = name == "polled buffer"
        self._net = (self.rests_v - GRID_V) / 60e3 if self._polls else net_on_grid(self.law)

    @contextmanager
    def grounded(self) -> Iterator[None]:
        self.done.append("ground")
        self._move(self.rests_v)
        try:
            yield
        finally:
            self.done.append("part")
            self._rest()

    def start_log(self, interval_s: float, samples: int, aperture_s: float | None = None) -> float:
        self.done.append("start log")
        self._log = (self._now_s, interval_s, samples)
        self._now_s += self.start_late_s
        return interval_s

    def read_log(self) -> Readings:
        self.done.append("read log")
        assert self._log is not None
        started_s, interval_s, samples = self._log
        time_s = interval_s * np.arange(samples)
        self._now_s = max(self._now_s, started_s + float(time_s[-1]))
        times, volts = np.array(self.node_at).T
        return Readings(time_s, volts[np.searchsorted(times, started_s + time_s, side="right") - 1])

    @contextmanager
    def pressed(self, pin: str, path: str, level_v: float, hold_s: float = 0.0) -> Iterator[None]:
        self.done.append(f"press {pin} by {path} to {level_v:.4g}")
        self._level_v, self._path = level_v, path
        self._move(level_v + self.series_ohm * self.law(level_v))
        try:
            yield
        finally:
            self.release()
            self.done.append("let go")

    def release(self) -> float:
        if self._level_v is not None:
            level_v, self._level_v = self._level_v, None
            if self.latches is not None and not self.latches(level_v):
                self._move(self.rests_v)
            self._rest()
        return self._now_s

    def press_level(self) -> tuple[float, float, float]:
        assert self._level_v is not None
        return self._level_v, self.series_ohm, 1.0

    def voltage(self) -> float:
        self._now_s += 0.02
        return self.node_v

    def supply_current(self) -> float | None:
        return None

    def bus_alone_voltage(self) -> float:
        return self.rests_v

    # The source and the console

    def read(self, pin: str | None = None) -> Any:
        self._now_s += 0.001
        if pin is not None:
            if self._polls and self.polled_high is not None:
                return "high" if self.polled_high() else "low"
            return "high" if self.node_v > self.threshold_v else "low"
        return self._level_v, -self.law(self.node_v)

    def in_compliance(self) -> bool:
        return False

    def _rest(self) -> None:
        """From where the node is, up or down to the first rest point on the way."""
        surplus = self._net - GRID_V * self.load_s + (self.rests_v - GRID_V) * self._fitted_s
        here = int(np.searchsorted(GRID_V, self.node_v))
        if surplus[here] > 0.0:
            stops = np.flatnonzero(surplus[here:] <= 0.0)
            self._move(float(GRID_V[here + stops[0]]) if stops.size else self.rail_v)
        else:
            stops = np.flatnonzero(surplus[: here + 1] >= 0.0)
            self._move(float(GRID_V[stops[-1]]) if stops.size else 0.0)

    def _move(self, volts: float) -> None:
        self.node_v = volts
        self.node_at.append((self._now_s, volts))


def acts(observation: Observation) -> list[str]:
    """What was done, in order, with the resistor or the level where it has one."""
    return [
        probe.act
        + ("" if probe.level_v is None else f" {probe.level_v:.3f}")
        + ("" if probe.resistor == "none" else f" {probe.resistor}")
        for probe in observation.probes
    ]
