"""Where a leak comes from, board or chip: the finding of the checklist."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from results.analysis.value import Value
from results.record.trial import Handling

State = Literal["stays", "gone", "in between", "not known"]
"""A step's leak against that of the board as it stands."""

Origin = Literal["chip", "board", "both", "no leak", "not determined"]


@dataclass(frozen=True)
class ChecklistStep:
    """One step of the checklist on one pin.

    `presses` that are evidence, of `made`; `settled` (V) where the bench touches, `leak` (A) and `share` of the leak as
    it stands, means of them, None where not determined (`note` says why). `humidity` 0 to 1, None where nobody asked.
    `by_leak` (V): how far the leak alone holds the node from where it would rest, what a load that ends elsewhere does
    (ends.py) taken off; None: as far as `settled` says.
    """

    handling: Handling
    made: int
    presses: int
    settled: Value | None
    leak: Value | None
    share: Value | None
    state: State
    humidity: float | None = None
    note: str = ""
    by_leak: Value | None = None

    @property
    def held(self) -> Value | None:
        """How far the leak holds the node from its rest level, in volt."""
        return self.settled if self.by_leak is None else self.by_leak


@dataclass(frozen=True)
class OriginFinding:
    """What the steps together say: `origin`, and why. `evidence`: what speaks for it, a sentence each."""

    origin: Origin
    reason: str
    evidence: tuple[str, ...]
    steps: tuple[ChecklistStep, ...]
