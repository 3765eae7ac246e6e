"""What was done: pin, resistor, condition and trial, the key of every record.

All values are SI. A trial resistor is passed by name, never compared as a float; its value stands once, in the run
record.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

NO_RESISTOR = "none"
"""The name of the trial resistor that is not there."""

NO_CAPACITOR = "none"
"""The name of the added capacitor that is not there."""


@dataclass(frozen=True)
class Pin:
    """One input of the unit under test.

    `node_capacitance_f` and its relative tolerance are None where they are not known. `series_ohm` lies on the board
    between what can be touched and the pin itself (protection, filter).
    """

    name: str
    node_capacitance_f: float | None = None
    series_ohm: float = 0.0
    note: str = ""
    node_capacitance_tolerance: float | None = None


@dataclass(frozen=True)
class Capacitor:
    """A known capacitor that a trial adds to the node (or `none`): `tolerance` is relative.

    `measured_f` with its standard uncertainty `measured_u_f` replaces the nominal value where it was measured.
    """

    name: str
    nominal_f: float | None
    tolerance: float = 0.0
    measured_f: float | None = None
    measured_u_f: float | None = None

    @property
    def capacitance_f(self) -> float:
        """In farad: measured where it was; 0 for `none`."""
        if self.nominal_f is None:
            return 0.0
        return self.nominal_f if self.measured_f is None else self.measured_f

    @property
    def capacitance_u_f(self) -> float:
        """Standard uncertainty in farad; a tolerance is rectangular (JCGM 100:2008, 4.3.7)."""
        if self.measured_f is not None and self.measured_u_f is not None:
            return self.measured_u_f
        return self.capacitance_f * self.tolerance / math.sqrt(3.0)


@dataclass(frozen=True)
class Resistor:
    """A trial resistor (or `none`).

    `nominal_ohm` is None for `none`. `tolerance` is relative (0.01 is 1 %). `measured_ohm` with its standard
    uncertainty `measured_u_ohm` replaces the nominal value where the bench has measured it in place.
    """

    name: str
    nominal_ohm: float | None
    tolerance: float = 0.0
    measured_ohm: float | None = None
    measured_u_ohm: float | None = None

    @property
    def conductance_s(self) -> float:
        """Conductance in siemens: of the measured value where there is one; 0 for `none`."""
        if self.nominal_ohm is None:
            return 0.0
        return 1.0 / (self.nominal_ohm if self.measured_ohm is None else self.measured_ohm)

    @property
    def conductance_u_s(self) -> float:
        """Standard uncertainty of the conductance in siemens.

        A tolerance is taken as the half-width of a rectangular distribution (JCGM 100:2008, 4.3.7).
        """
        if self.nominal_ohm is None:
            return 0.0
        if self.measured_ohm is not None and self.measured_u_ohm is not None:
            return self.measured_u_ohm / self.measured_ohm**2
        return self.conductance_s * self.tolerance / math.sqrt(3.0)


@dataclass(frozen=True)
class Condition:
    """Under what a pin was tried.

    `rail_v` is nominal; `temperature_c` is the plan's step, None where nobody measured it. `capacitor`: the name of the
    known capacitor that was added to the node. `neighbours` says what was done to the pins beside it, empty where
    nobody asked.
    """

    pin_setup: str
    rail_v: float
    temperature_c: float | None = None
    capacitor: str = NO_CAPACITOR
    neighbours: str = ""


Handling = Literal["", "as it stands", "buffer off", "cleaned", "pad", "lifted pin"]
"""What a person had done before a step of the checklist "board or chip": nothing; nothing, with the pin's input buffer
off; cleaned and dried the board there; lifted the pin, measured at its pad; the same, at the lifted pin. Empty: of no
checklist."""

Kind = Literal["trial", "sweep", "dwell", "unlatch", "press level", "remedy", "board or chip", "coupon", "damage watch"]
"""What a step of a run is: a press and release; a forced-voltage sweep; a press and release that are held and logged
for minutes; taking a latched pin below V_IL with resistors; the lowest press voltage that latches; a remedy tried; a
press and release within the checklist that tells a leak of the board from one of the chip; that of a check coupon,
which is no pin of the unit."""


@dataclass(frozen=True)
class Trial:
    """One step of a run on one pin under one condition; `procedure` carries it out, `kind` says what it is.

    `sequence` counts the planned trials of a run from 1. `resistor` is the name of a Resistor of the run record.
    `as_found` marks the trial made before the first reset of the board. `under` is what of the condition the plan
    steps, in short, "3.0V -10C"; empty where it steps nothing. `handling` is that of a step of the checklist.
    """

    sequence: int
    procedure: str
    pin: str
    resistor: str
    condition: Condition
    repeat: int
    as_found: bool = False
    kind: Kind = "trial"
    under: str = ""
    handling: Handling = ""

    @property
    def label(self) -> str:
        """What names this trial on the meter's display and in every message: the same whenever it is made."""
        under = f" {self.under}" if self.under else ""
        if self.kind == "coupon":
            return f"{self.pin} {self.resistor}{under} #{self.repeat}"
        if self.kind == "remedy":
            return f"{self.pin} {self.condition.pin_setup} {self.procedure.replace('_', ' ')}{under} #{self.repeat}"
        if self.kind == "board or chip":
            return f"{self.pin} {self.kind} {self.handling}{under} #{self.repeat}"
        if self.kind != "trial":
            return f"{self.pin} {self.condition.pin_setup} {self.kind}{under} #{self.repeat}"
        found = " as found" if self.as_found else ""
        return f"{self.pin} {self.condition.pin_setup} {self.resistor}{under} #{self.repeat}{found}"
