"""The pull-down four ways, each with its uncertainty, and whether they agree at the voltage that they speak of.

A transistor that pulls down conducts less at the rail than at 0 V. The low-voltage sweep and the end of a decay speak
of small voltages; the divider with the press resistor speaks of the rail. Ways are compared where they speak of the
same voltage, by the normalised error.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from results.analysis.uncertainty.estimate import Estimate
from results.analysis.uncertainty.normalised_error import NormalisedError

WayName = Literal[
    "low-voltage sweep", "time constant", "several resistors", "divider with the press resistor", "sweep at the rail"
]
SpeaksOf = Literal["low voltage", "rail"]


@dataclass(frozen=True)
class PullDownWay:
    """One way: the conductance (S) that it found, None where `note` says why not.

    `speaks_of` small voltages or the rail; `at_v` is that voltage in volt (0: the limit at 0 V). `based_on`: how many
    points, trials or resistors.
    """

    name: WayName
    speaks_of: SpeaksOf
    conductance: Estimate | None = None
    at_v: float = 0.0
    based_on: int = 0
    note: str = ""


@dataclass(frozen=True)
class PullDownWays:
    """All ways for one pin in one pin setup.

    `alone`: the plan names this setup as the one with the buffer off, so that no leak is left beside the pull-down;
    elsewhere what is found is the pull-down less the leak. `at_v_il`, `at_rail`: chord conductance I/V by the sweep (S)
    at V_IL and at the rail (`at_rail_v` volt). `bend`: c of G = G0 (1 − c·V) in 1/V; `is_resistor`: its U holds zero.
    `capacitance`: by several resistors (farad), beside `known_capacitance` of the files. `comparisons` holds every pair
    that speaks of the same voltage, and of the capacitance where both are there.
    """

    pin_setup: str
    alone: bool
    ways: tuple[PullDownWay, ...]
    comparisons: tuple[NormalisedError, ...]
    at_v_il: Estimate | None = None
    at_rail: Estimate | None = None
    at_rail_v: float | None = None
    bend: Estimate | None = None
    bend_note: str = ""
    is_resistor: bool | None = None
    capacitance: Estimate | None = None
    known_capacitance: Estimate | None = None

    @property
    def disagreeing(self) -> tuple[NormalisedError, ...]:
        return tuple(pair for pair in self.comparisons if not pair.agrees)
