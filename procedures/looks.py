"""One look after the other at a node: every reading in one trace, and which of them belong to which act."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from drivers.bench import Bench
from drivers.meter import Readings
from procedures.press_release import read_pin
from procedures.settings import PressSettings
from results.record.observation import Act, Probe, Reading
from results.record.trace import FloatArray, Trace
from results.record.trial import NO_RESISTOR

AGREEING = 3
"""Successive readings that must agree before a look counts as one at a node at rest."""

MOST_READINGS = 25
"""After so many readings a look ends at a node that still moves."""

RESOLVED_SHARE = 1e-4
"""Readings that differ by less than this share of the rail agree, however accurate the meter."""


@dataclass
class Looks:
    """All readings of a procedure so far, by the bench's clock; `time_s` since this began.

    `current_a` is NaN where the source was not read, `voltage_v` where the meter was overloaded or busy with a log.
    """

    bench: Bench
    pin: str
    settings: PressSettings
    time_s: list[float] = field(default_factory=list)
    voltage_v: list[float] = field(default_factory=list)
    current_a: list[float] = field(default_factory=list)
    probes: list[Probe] = field(default_factory=list)
    _began_s: float = field(init=False)
    _log_first: int = 0
    _log_s: FloatArray = field(default_factory=lambda: np.empty(0))

    def __post_init__(self) -> None:
        # Sums of the clock's own seconds are rounded the coarser the later it is; differences of two are not.
        self._began_s = self.bench.clock.now()

    def look(
        self,
        act: Act,
        *,
        level_v: float | None = None,
        resistor: str = NO_RESISTOR,
        repeat: int = 1,
        with_current: bool = False,
        wait_s: float = 0.0,
    ) -> float:
        """Wait, read the node until three successive readings agree, then let the board read its pin.

        Returns the mean of the last three in volt. `with_current`: the source is read beside each reading.
        """
        self.bench.clock.wait(wait_s)
        first = len(self.time_s)
        while len(self.time_s) - first < AGREEING or not (self._agree() or len(self.time_s) - first >= MOST_READINGS):
            self._read(with_current)
        self.note(act, first, level_v=level_v, resistor=resistor, repeat=repeat)
        return float(np.mean(self.voltage_v[-AGREEING:]))

    def note(
        self,
        act: Act,
        first: int,
        *,
        level_v: float | None = None,
        resistor: str = NO_RESISTOR,
        repeat: int = 1,
    ) -> None:
        """Everything read from `first` on belongs to this act; the board reads its pin now."""
        reads = read_pin(self.bench, self.pin)
        self.probes.append(Probe(act, first, len(self.time_s) - first, level_v, resistor, reads, repeat))

    def add_log(
        self,
        act: Act,
        log: Readings,
        started_s: float,
        from_s: float = -math.inf,
        until_s: float = math.inf,
    ) -> None:
        """The meter's log, started at `started_s` of the bench's clock; of this act is what lies between two times of
        the log's own axis."""
        self._log_first, self._log_s = len(self.time_s), log.time_s
        after_s = started_s - self._began_s
        self.time_s += [after_s + float(t) for t in log.time_s]
        self.voltage_v += [float(v) for v in log.voltage_v]
        self.current_a += [math.nan] * len(log)
        self.note_log(act, from_s, until_s)

    def note_log(self, act: Act, from_s: float, until_s: float, repeat: int = 1) -> None:
        """Another part of the last log, and what was done during it; the board was not asked."""
        first, end = (int(np.searchsorted(self._log_s, t)) for t in (from_s, until_s))
        self.probes.append(Probe(act, self._log_first + first, end - first, repeat=repeat))

    def add_currents(self, act: Act, readings: Sequence[tuple[float, float]], level_v: float) -> None:
        """Currents of the source alone, with the bench's clock; the meter was busy with a log."""
        first = len(self.time_s)
        for at_s, source_a in readings:
            self._keep(at_s, math.nan, source_a)
        self.probes.append(Probe(act, first, len(readings), level_v))

    def poll(self, wait_s: float, level_v: float | None, repeat: int) -> None:
        """Wait, read the node once, and what the board has read last."""
        self.bench.clock.wait(wait_s)
        first = len(self.time_s)
        self._read(with_current=False)
        self.note("polled", first, level_v=level_v, repeat=repeat)

    def add_times(self, act: Act, at_s: Sequence[float], reads: Reading = "") -> None:
        """When something was done, with the bench's clock, while the meter was busy with a log: no voltages."""
        self.probes.append(Probe(act, len(self.time_s), len(at_s), reads=reads, repeat=0))
        for one_s in at_s:
            self._keep(one_s, math.nan, math.nan)

    def trace(self) -> Trace:
        """Every reading, from the first one on; with a current only where the source was read at all."""
        time_s = np.array(self.time_s) - (self.time_s[0] if self.time_s else 0.0)
        amperes = np.array(self.current_a)
        return Trace(time_s, np.array(self.voltage_v), None if np.isnan(amperes).all() else amperes)

    def _read(self, with_current: bool) -> None:
        self.bench.clock.wait(0.0)  # looks at the stop request, which reading alone does not
        node_v = self.bench.voltage()
        source_a = math.nan
        if with_current and self.bench.source is not None:
            _, source_a = self.bench.source.read()
        self._keep(self.bench.clock.now(), node_v, source_a)

    def _keep(self, at_s: float, node_v: float, source_a: float) -> None:
        self.time_s.append(at_s - self._began_s)
        self.voltage_v.append(node_v)
        self.current_a.append(source_a)

    def _agree(self) -> bool:
        last_v = self.voltage_v[-AGREEING:]
        limit_v = abs(last_v[-1]) * self.settings.accuracy_reading + self.settings.accuracy_v
        return max(last_v) - min(last_v) <= max(limit_v, RESOLVED_SHARE * self.settings.rail_v)
