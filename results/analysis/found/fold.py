"""Near the fold: how much margin a resistor has that released the node, as told by how slowly the node passed.

With a known capacitance the trace itself tells the current: I_net(V) − V·G = C dV/dt, so that the least of
−C·d(ln V)/dt at or above V_IL is G − G_req, and R/R_safe = G_req/G_t of the trial resistor.
"""

from __future__ import annotations

from dataclasses import dataclass

from results.analysis.uncertainty.estimate import Estimate
from results.analysis.value import Value
from results.record.trial import Trial


@dataclass(frozen=True)
class Passage:
    """The slowest pace (1/s) at or above V_IL, and at which volts; None where `reason` says why.

    `from_v`, `length_s`: where the passage to V_IL begins, and how long it takes. `slowdown`: the slowest pace against
    that near the press level (1: the same; None where the samples do not show that one). `per_volt`: where the slowest
    place is V_IL itself, by how much the pace changes with the voltage there (1/s a volt). `samples`: within the
    passage; `too_fast`: they are too few to show where it is slowest.
    """

    slowest: Value | None = None
    at_v: float | None = None
    from_v: float | None = None
    length_s: float | None = None
    slowdown: float | None = None
    per_volt: float = 0.0
    samples: int = 0
    too_fast: bool = False
    reason: str = ""


@dataclass(frozen=True)
class FoldMargin:
    """What one release with a resistor says of its margin.

    `ratio`: R/R_safe of the resistor as it is, with its uncertainty by source; `required`: G_req in S. Both are None
    where it is not observable, and `note` says why. `slower_than_rc`: the passage took longer than the resistor, the
    bench and the largest capacitance explain without any help of a pull-down (None: not known); `explained_s`: that
    longest time. `little`: R/R_safe with its U comes closer to 1 than the margin asked for. `shows_from_f`: on about
    this capacitance it would be observable.
    """

    trial: Trial
    passage: Passage
    ratio: Estimate | None = None
    required: Estimate | None = None
    explained_s: float | None = None
    slower_than_rc: bool | None = None
    little: bool | None = None
    shows_from_f: float | None = None
    note: str = ""
