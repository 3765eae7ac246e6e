"""What a long dwell shows of a pin, as plain data. SI units; None means "not determined", and the note says why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from results.analysis.value import Value
from results.record.observation import Observation
from results.record.trial import Trial

LevelWord = Literal["stuck high", "stuck low", "stuck between", "undecided", "released"]
"""A verdict by the level alone: what a release that was in time, or is long past, comes to."""


@dataclass(frozen=True)
class DwellFinding:
    """A pin held for `held_s` and logged for `logged_s` after its release (seconds).

    `released_s`: the release on the trace's own axis. `early`: where the node was when the ordinary log would have
    ended; `late`: at the end; both as on the trace, in volt. `drift` = late − early; `moved`: it is more than its
    uncertainty. `rate_v_per_min` over the last third; `goes_on`: that is more than its uncertainty. `net_drift` and
    `leak_drift` in ampere: of the net pin current, and of the leakage where the pull-down is known. `early_word` and
    `late_word` by the level at the pin without the bench; `ordinary_word` the worst verdict of the ordinary trials
    with the same resistor ("" where there is none). `coverage`: the factor k of expanded uncertainties.
    `turned_after_s`: when, after the release, the node crossed `released_level` for good, where the verdict changes
    across it.
    """

    trial: Trial
    observation: Observation | None = None
    released_s: float | None = None
    held_s: float | None = None
    logged_s: float | None = None
    early: Value | None = None
    late: Value | None = None
    drift: Value | None = None
    moved: bool | None = None
    rate_v_per_min: Value | None = None
    goes_on: bool | None = None
    net_drift: Value | None = None
    leak_drift: Value | None = None
    early_word: LevelWord | None = None
    late_word: LevelWord | None = None
    ordinary_word: str = ""
    turned_after_s: float | None = None
    released_level: str = "V_IL"
    contact_proven: bool = False
    coverage: float = 2.0
    note: str = ""

    @property
    def changes(self) -> bool | None:
        """Whether the verdict changes within the log; None where either is not determined."""
        if self.early_word is None or self.late_word is None:
            return None
        return self.early_word != self.late_word

    @property
    def sticks(self) -> bool:
        """Whether the pin is stuck at the end of the log, or was at its beginning."""
        return any(word in ("stuck high", "stuck low", "stuck between") for word in (self.early_word, self.late_word))
