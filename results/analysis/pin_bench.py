"""The bench at one pin: what turns what was read in a trial into a rest point or a hold point."""

from __future__ import annotations

import math
from dataclasses import dataclass

from results.analysis.findings import TraceFinding, Value
from results.analysis.leakage import RestPoint, bench_load, bench_load_u, rest_point
from results.analysis.pull_down import HoldPoint, hold_point
from results.errors import RecordError
from results.record.observation import Observation
from results.record.run_record import RunRecord
from results.record.trial import Pin, Resistor, Trial


@dataclass(frozen=True)
class ReadTrial:
    """A planned trial with what was observed and what its trace says; both None where it was never made."""

    trial: Trial
    observation: Observation | None = None
    trace: TraceFinding | None = None

    @property
    def is_evidence(self) -> bool:
        """Measured, read without a problem, and contact not disproven."""
        return (
            self.observation is not None
            and self.observation.outcome == "measured"
            and self.observation.contact != "disproven"
            and self.trace is not None
            and not self.trace.problem
        )


@dataclass(frozen=True)
class PinBench:
    """What turns the readings of one pin into currents."""

    record: RunRecord
    pin: Pin

    @property
    def load_s(self) -> float | None:
        return bench_load(self.record.meter, self.record.fixture)

    @property
    def load_u_s(self) -> float:
        return bench_load_u(self.record.meter, self.record.fixture)

    @property
    def gain_u(self) -> float:
        """Relative standard uncertainty that all readings share (rectangular limits)."""
        return self.record.meter.accuracy_reading / math.sqrt(3.0)

    def resistor(self, name: str) -> Resistor:
        try:
            return self.record.resistor(name)
        except KeyError:
            raise RecordError(f"run.json: resistors: no resistor named {name!r}") from None

    def point(self, touch: Value, resistor: str) -> RestPoint:
        return rest_point(touch, self.resistor(resistor), self.load_s, self.pin.series_ohm, self.load_u_s)

    def rest_of(self, read: ReadTrial) -> RestPoint | None:
        """The rest point of a trial; None where the node did not settle by itself."""
        if not read.is_evidence or read.trace is None or read.observation is None:
            return None
        settled = read.trace.settled
        if settled is None:
            return None
        if read.trace.at_press_level and read.observation.holder != "pin":
            return None
        return self.point(Value(settled.voltage_v, settled.u_v), read.trial.resistor)

    def held_v(self, read: ReadTrial) -> float | None:
        """The level while pressed (V): as measured then, else as it stands in the trace."""
        if read.observation is not None and read.observation.hold_v is not None:
            return read.observation.hold_v
        edge = None if read.trace is None else read.trace.edge
        return None if edge is None else edge.held_v

    def hold_of(self, read: ReadTrial) -> HoldPoint | None:
        """Net pin current while held; None where the press path is not known or the meter's load is not."""
        if not read.is_evidence or read.observation is None or read.trace is None or self.load_s is None:
            return None
        # Held at the press level by a leak: what the pull-down draws there cannot be told from it.
        if read.trace.at_press_level:
            return None
        held_v = self.held_v(read)
        outside = self.point(Value(0.0, 0.0), read.trial.resistor).outside
        return hold_point(read.observation, held_v, outside, self.pin.series_ohm, self.record.meter, self.record.source)
