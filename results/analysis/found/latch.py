"""What is found of a pin that latches: what it takes to unlatch it, and the level that it must be pressed to.

Plain data, SI units. None always means "not determined" (or "does not apply"), and the note says why.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from results.analysis.value import Value

Agreement = Literal["agrees", "disagrees", "not compared"]


@dataclass(frozen=True)
class OverdriveFinding:
    """The current (A) that a source must sink to take the latched pin below V_IL.

    `presses` with evidence, of which `latched` latched. `latched_v`: the highest voltage seen there. `at_least` and
    `at_most`: between what still held the pin high and what surely takes it down, from resistors, with standard
    uncertainties; `held_by` and `cleared_by` name the resistors. `swept`: the same current from the sweep (on its down
    branch), largest at `swept_at_v`; `swept_half_width_a` holds 95 %.
    """

    state: Literal["latches", "latches sometimes", "does not latch", "not determined"]
    presses: int = 0
    latched: int = 0
    latched_v: Value | None = None
    at_least: Value | None = None
    at_most: Value | None = None
    held_by: str = ""
    cleared_by: str = ""
    swept: Value | None = None
    swept_half_width_a: float | None = None
    swept_at_v: float | None = None
    agreement: Agreement = "not compared"
    agreement_text: str = ""
    note: str = ""


@dataclass(frozen=True)
class LevelTried:
    """A press level (V at the pin, as measured while it was held) and how often the pin latched from there."""

    level: Value
    presses: int
    latched: int


@dataclass(frozen=True)
class PressLevelFinding:
    """The lowest press level that latches, as an interval (V at the pin).

    `never`: the highest level from which, and from all below, the pin never latched; `always`: the lowest from which,
    and from all above, it latched every time. `levels`: every level tried, lowest first. `swept`: the unstable rest
    point of the sweep's down branch with the bench's load.
    """

    state: Literal["latches", "latches sometimes", "latches from every level", "does not latch", "not determined"]
    levels: tuple[LevelTried, ...] = ()
    never: Value | None = None
    always: Value | None = None
    swept: Value | None = None
    agreement: Agreement = "not compared"
    agreement_text: str = ""
    note: str = ""

    @property
    def sometimes(self) -> int:
        """How many levels latched in some presses and not in others."""
        return sum(0 < one.latched < one.presses for one in self.levels)
