"""How a press-release trial is to be made: the plan's and the bench's numbers that a procedure needs, in SI."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from results.record.observation import Reading
from results.record.run_record import DwellRules, PressLevelRules, RemedyRules, SweepRules
from results.record.trial import Resistor

PressPath = Literal["relay", "source", "hand"]

FREE_SHARE = 0.8
"""Of the rail: a bus that is joined to it and to nothing else stands above this."""


@dataclass(frozen=True)
class PressSettings:
    """All that a press-release trial needs to know. Times in bench seconds, the rest in SI units.

    `rail_v` is nominal, used where the bench cannot measure it. `log_before_s` is logged before the release, `log_s`
    after it, `slack_s` more, for a release that comes late. `reaction_s` is what a person is given to follow a prompt.
    `settle_s` passes between a relay's command and a reading. `pull_down_high_ohm` is the weakest pull-down that the
    plan expects: contact is proven by the current that it must draw. `accuracy_reading` (relative) and `accuracy_v`
    are the limits of the meter, `source_accuracy_reading` and `source_accuracy_a` those of a source's current.
    `meter_ohm` is None where unknown. `resistors` by name. `press_v` None presses to the rail; no press is above the
    rail by more than `above_rail_max_v`. `rail_tolerance` is relative to `rail_v`. `sweep` is how pins are swept,
    `press_level` how the lowest level that latches is looked for, `remedies` what is tried to clear pins; None where
    the plan does not ask for it. `allowed_s` from the release until below V_IL. `buffer_off`: the pin setup with the
    input buffer off, for the checklist. `neighbours`: by pin, the pins beside it. `series_ohm`: by pin, what lies on
    the board between the bench and the pin itself.
    `dwell`: how long a pin is held and logged on a long dwell; None where none is. `press_to` "ground": pins have
    pull-ups, are pressed to 0 V and rest at the rail, where trial resistors and discharge end.
    """

    path: PressPath
    rail_v: float
    v_il: float
    v_ih: float
    hold_s: float
    log_before_s: float
    log_s: float
    interval_s: float
    aperture_s: float
    pull_down_high_ohm: float
    accuracy_reading: float
    accuracy_v: float
    resistors: Mapping[str, Resistor]
    meter_ohm: float | None = 10e6
    discharge_s: float = 0.02
    settle_s: float = 0.01
    slack_s: float = 0.1
    reaction_s: float = 2.0
    press_v: float | None = None
    above_rail_max_v: float = 0.3
    rail_tolerance: float = 0.05
    source_accuracy_reading: float = 0.0
    source_accuracy_a: float = 0.0
    press_to: Literal["rail", "ground"] = "rail"
    sweep: SweepRules | None = None
    press_level: PressLevelRules | None = None
    remedies: RemedyRules | None = None
    allowed_s: float = 0.05
    dwell: DwellRules | None = None
    series_ohm: Mapping[str, float] = field(default_factory=dict)
    buffer_off: str = "buffer off"
    neighbours: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def mirrored(self, volts: float, rail_v: float | None) -> float:
        """How far a voltage is from the level that pins rest at, in volt: itself, or (pressed to ground) the rail less
        it. Twice gives the voltage again. `rail_v` None: the rail was not measured, and is taken as nominal."""
        if self.press_to == "rail":
            return volts
        return (self.rail_v if rail_v is None else rail_v) - volts

    @property
    def rests_below_v(self) -> float:
        """V_IL, or (pressed to ground) how far V_IH is below the nominal rail: so near to its rest level a pin reads as
        released."""
        return self.v_il if self.press_to == "rail" else self.rail_v - self.v_ih

    @property
    def reads_released(self) -> Reading:
        """What the board reads of a pin that was let go and is at rest."""
        return "low" if self.press_to == "rail" else "high"

    def reading_limit_v(self, at_v: float) -> float:
        """By how much a reading may be wrong there (V): k = 2, rectangular limits of the meter."""
        return 2.0 * (abs(at_v) * self.accuracy_reading + self.accuracy_v) / math.sqrt(3.0)

    def rests_surely(self, volts: float) -> bool:
        """Whether the board must read that voltage as released, whatever of its accuracy the meter used up."""
        if self.press_to == "rail":
            return volts < self.v_il - self.reading_limit_v(self.v_il)
        return volts > self.v_ih + self.reading_limit_v(self.v_ih)

    def rests(self, volts: float) -> bool:
        """Whether the board must read that voltage as released."""
        return volts <= self.v_il if self.press_to == "rail" else volts >= self.v_ih

    def is_pressed(self, volts: float) -> bool:
        """Whether the board must read that voltage as pressed."""
        return volts >= self.v_ih if self.press_to == "rail" else volts <= self.v_il

    def bus_is_free(self, alone_v: float, rail_v: float | None) -> bool:
        """Whether the bus without the pin shows that nothing presses it: at V_IL at most, or (pressed to ground, and
        joined to the rail) near the rail, where a closed press relay would make a divider of it."""
        if self.press_to == "rail":
            return alone_v <= self.v_il
        return alone_v >= FREE_SHARE * (self.rail_v if rail_v is None else rail_v)
