"""The resistor to fit, as plain data: what is known to be safe, what a value of the series does, one value for all.

SI units; None always means "not determined", and a reason stands beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from results.record.trial import Condition

Which = Literal["next down", "recommended", "next up"]

Clears = Literal["clears", "not shown", "sticks"]
"""Whether a part as bought, at the ends of its tolerance, lets the pin fall: it does, nothing shows it, it does not."""


@dataclass(frozen=True)
class SafeLimit:
    """How large a resistor outside may be, by what advice rests on (series resistance on the board taken off).

    `low_ohm`: at its lower uncertainty limit; `high_ohm`: above it the pin sticks (None: not known).
    """

    low_ohm: float
    high_ohm: float | None
    source: Literal["trials", "line", "sweep"]


@dataclass(frozen=True)
class SeriesValue:
    """One preferred value as the resistor to fit.

    `margin`: in conductance, of the part at the upper end of its tolerance, to the lower limit of what is safe;
    negative beyond it. `pressed_a`: through the button while it is pressed, into the resistor and the pin's own
    pull-down (`pull_down_counted` False: not known, and not in it). `resistor_w` in the resistor, `rail_w` from the
    rail, both while pressed. `release_time_s`: from the rail to V_IL, on the bench; `release_from` says from what, or
    why there is none. All of the nominal value.
    """

    which: Which
    ohm: float
    margin: float | None
    clears: Clears
    keeps_margin: bool
    pressed_a: float
    resistor_w: float
    rail_w: float
    pull_down_counted: bool
    release_time_s: float | None
    release_from: str


@dataclass(frozen=True)
class PinFit:
    """What one pin needs at its worst: the smallest value over the conditions, and under which. `ohm` is None where
    none is needed or, with `needed` not False, where none can be named."""

    pin: str
    condition: Condition
    needed: bool | None
    ohm: float | None
    margin: float | None
    reason: str


@dataclass(frozen=True)
class BoardAdvice:
    """One value for every pin of the unit that needs a resistor, over all conditions in which the unit is used.

    `needed`: False where no pin needs one, None where that cannot be told. `ohm` is None where a pin that needs one, or
    may need one, has none: `open_pins` names them, and `so_far_ohm` is what suits all the others. `margin`: the
    smallest over pins and conditions, at `worst_pin` under `worst_condition`. `pins`: one each, as the pins stand.
    `left_out`: pin setups that do not count, each with its reason. `tried_only`: it is no better than the values tried.
    """

    needed: bool | None
    ohm: float | None
    so_far_ohm: float | None
    margin: float | None
    worst_pin: str
    worst_condition: Condition | None
    open_pins: tuple[str, ...]
    pins: tuple[PinFit, ...]
    neighbours: tuple[SeriesValue, ...]
    left_out: tuple[str, ...]
    tried_only: bool
    reason: str
