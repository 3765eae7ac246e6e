"""What is found of a remedy tried on a pin. Plain data, SI units; None means "not determined" (or "does not apply")."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from results.analysis.value import Value
from results.record.run_record import Remedy

RemedyVerdict = Literal["does not clear", "undecided", "clears", "nothing to clear", "failed", "not tried"]
"""`nothing to clear`: the pin does not latch, and the remedy does no harm. The last two are no evidence either way."""

MarginOf = Literal["", "conductance", "current", "time"]
"""In what a margin is: the resistor's conductance over what is needed; the driver's current over the overdrive
current; the time allowed over the time taken."""


@dataclass(frozen=True)
class RemedyFinding:
    """One remedy on one pin under one condition.

    `tries` with evidence, of which `cleared` cleared the pin. `margin` is relative: 0.5 is half as much again as is
    needed. `extra_current_a` and `power_w`: what the remedy takes while the pin is pressed. `release_time_s`: the
    longest seen, from the release until below V_IL. `rest`: the highest voltage of the node with the remedy at work.

    An external pull-down: `resistor`, its name. Driven low: `first` and `settled` currents that the source sank (A),
    `needed` the most that the pin drives on its way down. Polled buffer: of `polls` read, `polls_right` were right;
    `followed_s`: the longest that the board took to follow a release, `period_at_least_s` the poll period that its
    delay shows; `safe_gap` (s): how long the buffer must stay off for the node to fall from the rail to V_IL, an upper
    bound where `safe_gap_is_bound`.
    """

    remedy: Remedy
    verdict: RemedyVerdict
    tries: int = 0
    cleared: int = 0
    margin: float | None = None
    margin_of: MarginOf = ""
    extra_current_a: float | None = None
    power_w: float | None = None
    release_time_s: float | None = None
    rest: Value | None = None
    resistor: str = ""
    first: Value | None = None
    settled: Value | None = None
    needed: Value | None = None
    polls: int = 0
    polls_right: int = 0
    followed_s: float | None = None
    period_at_least_s: float | None = None
    safe_gap: Value | None = None
    safe_gap_is_bound: bool = False
    note: str = ""
