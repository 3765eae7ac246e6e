"""What happened during a run, for every listener: terminal, log, page. Plain data; a listener never talks back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from results.record.observation import Observation
from results.record.run_record import RunRecord
from results.record.trial import Trial


@dataclass(frozen=True)
class RunStarted:
    """The bench is open, identified and safe; the run folder exists. `done`: the numbers of the trials that it holds
    already, of a run that goes on."""

    record: RunRecord
    folder: Path
    done: frozenset[int] = frozenset()


@dataclass(frozen=True)
class TrialStarted:
    """A trial begins."""

    trial: Trial


@dataclass(frozen=True)
class TrialFinished:
    """A trial is on the disk."""

    trial: Trial
    observation: Observation


@dataclass(frozen=True)
class Prompt:
    """The operator is asked to do something."""

    text: str


@dataclass(frozen=True)
class BenchTold:
    """Something happened to the bench that nobody is asked to do anything about: an instrument is lost, or is back."""

    text: str


@dataclass(frozen=True)
class BenchMadeSafe:
    """Everything is let go; `not_verified` lists what could not be proven, `proof` says what the bus itself told."""

    not_verified: tuple[str, ...]
    proof: str = ""


@dataclass(frozen=True)
class RunEnded:
    """The loop is over; `problem` is the one line that ended it early, empty where it ran to its end."""

    problem: str
    interrupted: bool


Event = RunStarted | TrialStarted | TrialFinished | Prompt | BenchTold | BenchMadeSafe | RunEnded
Listener = Callable[[Event], None]
