"""An observation: all that one trial brought home, before anybody judges it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from results.record.trace import Trace

Reading = Literal["high", "low", ""]
"""What the board itself reads at its pin; empty where nobody asked or its setup cannot read."""

Outcome = Literal["measured", "no contact", "failed"]
"""`measured`: the trace can be judged. The other two are verdicts of the procedure itself, and no evidence."""

Holder = Literal["", "pin", "press path", "open"]
"""What keeps a node at the press level after the release: the pin (told apart through a second path), the press path
itself (a welded relay), or not told apart. Empty where the node left the press level."""

ContactProof = Literal[
    "board reading", "hold level", "press current", "rest level", "clamp diode", "not proven", "disproven"
]
"""By what the contact to the unit was proven in this trial (design: something that only the unit can do)."""


Branch = Literal["down", "up"]
"""Of a sweep: from the rail down to 0 V (as in a release), or up again."""


@dataclass(frozen=True)
class SweepStep:
    """One forced level of a sweep, and which samples of the trace were read there.

    `level_v` is what the source was told; what the node came to stands in the trace. `first` and `count`: its
    samples, one a reading. The last `agreeing` of them agree within their noise (0: not settled within the time
    allowed). `in_compliance`: the source's current limit decided, not the voltage. `sweep_pass` counts from 1; later
    ones are refined.
    """

    sweep_pass: int
    branch: Branch
    level_v: float
    first: int
    count: int
    agreeing: int
    in_compliance: bool = False
    reads: Reading = ""


Act = Literal["pressed", "released", "fitted", "driven low", "grounded", "polled"]
"""What was done to the pin just before it was read: pressed to a level; let go; a resistor fitted; a source or a
contact joined to it that holds it low; read by a board that opens its input buffer only for that."""


@dataclass(frozen=True)
class Probe:
    """One look at the node within a procedure of several acts, and which samples of the trace were read then.

    `level_v`: the level that was forced or pressed to, where the act has one. `resistor`: the trial resistor on the
    bus. `first` and `count`: its samples of the trace (0 samples: only the board was asked). `reads`: by the board.
    `repeat` counts from 1 the looks that are meant to be alike.
    """

    act: Act
    first: int
    count: int
    level_v: float | None = None
    resistor: str = "none"
    reads: Reading = ""
    repeat: int = 1


@dataclass(frozen=True)
class Observation:
    """What a procedure returns for one step of a run.

    Voltages in volt; None where not measured. `released_after_s` is when the release was commanded, on the trace's own
    time axis as far as the host's clock knows it (a hint for the search of the edge, never its position).
    `press_v` is the open-circuit voltage behind the press resistor, `press_ohm` that resistor (with its standard
    uncertainty), where known. `press_current_a` is what a source-measure unit saw while holding.
    `steps`: the levels of a sweep in the order in which they were forced; empty for all else. `probes`: the looks of a
    procedure of several acts, in order. `supply_a`: what the unit drew from its supply, released and at rest;
    `supply_before_a`: just before the press. `humidity`: relative, 0 to 1, as typed in.
    """

    trace: Trace
    outcome: Outcome = "measured"
    rail_v: float | None = None
    before_v: float | None = None
    hold_v: float | None = None
    press_v: float | None = None
    press_ohm: float | None = None
    press_u_ohm: float | None = None
    press_current_a: float | None = None
    released_after_s: float | None = None
    reads_before: Reading = ""
    reads_held: Reading = ""
    reads_settled: Reading = ""
    contact: ContactProof = "not proven"
    holder: Holder = ""
    temperature_c: float | None = None
    notes: tuple[str, ...] = field(default=())
    steps: tuple[SweepStep, ...] = ()
    probes: tuple[Probe, ...] = ()
    supply_a: float | None = None
    supply_before_a: float | None = None
    humidity: float | None = None
