"""What happened to a run between its trials: it was resumed, an instrument was lost and came back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

HappeningKind = Literal["ended early", "resumed", "recovered", "not recovered"]


@dataclass(frozen=True)
class Happening:
    """One line of the journal that is no trial.

    `at_utc`: when, ISO 8601. `text`: what a person reads of it. `sequence`: the trial in hand, 0 where there was none.
    `role`: the instrument, empty where it was none. `tries`: how often it was reopened until it answered; `lasted_s`:
    real seconds until then.
    """

    kind: HappeningKind
    at_utc: str
    text: str
    sequence: int = 0
    role: str = ""
    tries: int = 0
    lasted_s: float = 0.0
