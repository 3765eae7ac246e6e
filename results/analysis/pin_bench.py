"""The bench at one pin: what turns what was read in a trial into a rest point or a hold point."""

from __future__ import annotations

import math
from dataclasses import dataclass

from results.analysis.ends import AT_ZERO, Ends, ground_of, taken_s
from results.analysis.findings import TraceFinding, Value
from results.analysis.leakage import RestPoint, bench_load, bench_load_u, rest_point
from results.analysis.pull_down.pull_down import HoldPoint, hold_point
from results.analysis.resistor.advice import UNSTATED_LOAD_S
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
    def helping_s(self) -> float | None:
        """What of the bench's load pulls a node to its rest level, in siemens: all, or (it ends elsewhere) nothing."""
        return 0.0 if ground_of(self.record.meter).value else self.load_s

    @property
    def hindering_s(self) -> float:
        """What of the bench's load holds a node at V_IL away from its rest level, as a conductance there."""
        load_s = UNSTATED_LOAD_S if self.load_s is None else self.load_s
        return max(-taken_s(load_s, ground_of(self.record.meter).value, self.record.levels.v_il), 0.0)

    def ends_of(self, observation: Observation | None) -> Ends:
        """Where resistor and load end in a trial: the rail as measured then, else as the plan allows it to be."""
        meter, ground = self.record.meter, ground_of(self.record.meter)
        if not ground.value:
            return AT_ZERO
        rail_v = None if observation is None else observation.rail_v
        if rail_v is None:
            return Ends(ground.value, 0.0, self.record.rail_tolerance * ground.value / math.sqrt(3.0))
        own_u_v = meter.accuracy_v / math.sqrt(3.0)
        return Ends(ground.value, ground.value - rail_v, own_u_v, -rail_v, self.gain_u)

    @property
    def gain_u(self) -> float:
        """Relative standard uncertainty that all readings share (rectangular limits)."""
        return self.record.meter.accuracy_reading / math.sqrt(3.0)

    def resistor(self, name: str) -> Resistor:
        try:
            return self.record.resistor(name)
        except KeyError:
            raise RecordError(f"run.json: resistors: no resistor named {name!r}") from None

    def point(self, touch: Value, resistor: str, observation: Observation | None = None) -> RestPoint:
        return rest_point(
            touch,
            self.resistor(resistor),
            self.load_s,
            self.pin.series_ohm,
            self.load_u_s,
            self.ends_of(observation),
        )

    def rest_of(self, read: ReadTrial) -> RestPoint | None:
        """The rest point of a trial; None where the node did not settle by itself."""
        if not read.is_evidence or read.trace is None or read.observation is None:
            return None
        settled = read.trace.settled
        if settled is None:
            return None
        if read.trace.at_press_level and read.observation.holder != "pin":
            return None
        return self.point(Value(settled.voltage_v, settled.u_v), read.trial.resistor, read.observation)

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
        node = self.point(Value(0.0, 0.0), read.trial.resistor, read.observation)
        # The gain of the meter acts on all of the current alike: here only what of the rail's reading is its own.
        injected = Value(node.injected_a, node.fitted.value * node.ends.own_u_v)
        return hold_point(
            read.observation,
            self.held_v(read),
            node.outside,
            self.pin.series_ohm,
            self.record.meter,
            self.record.source,
            injected=injected,
            ends=node.ends,
        )
