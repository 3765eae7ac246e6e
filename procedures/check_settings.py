"""What a check of the bench needs to know: the numbers that the bench file states, against which they are checked."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from procedures.settings import PressSettings
from results.record.run_record import Fixture, Levels, MeterModel, SourceModel
from results.record.trial import Resistor

End = Literal["rail", "ground"]


@dataclass(frozen=True)
class CheckSettings:
    """SI throughout, times in bench seconds.

    `press` holds the numbers of the bus check; its rail is the plan's, `rail_stated` False where no plan states one.
    `resistors`: every resistor that a relay puts on the bus, by its wire ("press", "fit.8.2 kΩ"). `memory`: readings
    that the meter stores, None where the bench file does not say. `source`: None where there is none behind a relay.
    `noise_v`: the largest noise of one sample (rms) that passes. `interval_s`, `aperture_s`: of the run's logs;
    `most_samples`: in one of them. `current_a`, `voltage_v`, `press_time_s`: the bench's limits.
    """

    press: PressSettings
    rail_stated: bool
    resistors: Mapping[str, Resistor]
    meter: MeterModel
    fixture: Fixture
    source: SourceModel | None
    memory: int | None
    noise_v: float
    current_a: float
    voltage_v: float
    press_time_s: float
    most_samples: int = 5000

    @property
    def interval_s(self) -> float:
        return self.press.interval_s

    @property
    def aperture_s(self) -> float:
        return self.press.aperture_s

    @property
    def levels(self) -> Levels:
        return Levels(self.press.v_il, self.press.v_ih)

    def leading_to(self, end: End) -> list[str]:
        """The wires whose resistors lead from the bus to the rail or to ground, the smallest first.

        A press leads to one of them, discharge and trial resistors to the other, the rail relay to the rail.
        """
        other: End = "ground" if self.press.press_to == "rail" else "rail"
        ends = {wire: self.press.press_to if wire == "press" else other for wire in self.resistors if wire != "source"}
        if "rail" in ends:
            ends["rail"] = "rail"
        found = [wire for wire, where in ends.items() if where == end]
        return sorted(found, key=lambda wire: self.resistors[wire].nominal_ohm or math.inf)

    def load(self) -> str | None:
        """What is put on the bus to ground to draw a current: the smallest trial resistor, else the press."""
        fits = [wire for wire in self.leading_to("ground") if wire.startswith("fit.") or wire == "press"]
        return fits[0] if fits else None

    def with_rail(self, rail_v: float) -> CheckSettings:
        """The same with the rail as measured, where no plan states another."""
        if self.rail_stated:
            return self
        press = replace(self.press, rail_v=rail_v, v_il=0.25 * rail_v, v_ih=0.6 * rail_v)
        return replace(self, press=press)

    def samples(self, seconds: float) -> int:
        """How many samples of a run's log cover so many seconds, no more than the meter stores nor a press may last."""
        count = int(min(seconds, 0.5 * self.press_time_s) / self.interval_s)
        return max(16, min(count, self.most_samples))
