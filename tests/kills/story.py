"""One story: a run killed again and again, resumed each time, until it comes to its end; and what came out."""

from __future__ import annotations

import traceback
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from tests.kills.lab import Ended, Kill, lab
from tests.kills.outcome import Outcome, differences, not_once, outcome
from tests.kills.tried import Tried

MOST_KILLS = 8
"""Of one story: it has to end some time."""


@dataclass(frozen=True)
class Undisturbed:
    """What a plan comes to when nobody kills anything, and how long that takes."""

    outcome: Outcome
    took_s: float


@dataclass
class Told:
    """A story's kills, and what fell short. `compared`: the run came to its end and was compared."""

    name: str
    kills: list[Kill] = field(default_factory=list)
    compared: bool = False
    wrong: list[str] = field(default_factory=list)


def undisturbed(folder: Path, tried: Tried) -> Undisturbed:
    """The same plan on a bench of its own, from beginning to end."""
    with lab(folder, tried) as there:
        ended = there.carried_out(there.begin())
        assert isinstance(ended, Ended)
        run = there.run()
        assert run is not None, ended.said
        assert ended.status in (0, 1), ended.said
        wrong = not_once(run)
        assert not wrong, wrong
        return Undisturbed(outcome(run), ended.took_s)


def story(
    folder: Path, tried: Tried, alone: Undisturbed, seed: int, most: int = MOST_KILLS, after_s: Sequence[float] = ()
) -> Told:
    """Kill at instants uniform over the undisturbed run's time (the first ones: `after_s`), resume, and compare."""
    chance = np.random.default_rng(seed)
    told = Told(tried.name)
    instants = list(after_s)
    try:
        with lab(folder, tried) as there:
            while True:
                run = there.run()
                command = there.begin() if run is None else there.go_on(run)
                at_s = instants.pop(0) if instants else float(chance.uniform(0.0, alone.took_s))
                came = there.carried_out(command, at_s if len(told.kills) < most else None)
                if isinstance(came, Ended):
                    break
                told.kills.append(came)
                if came.safe_after_s is None:
                    told.wrong.append(f"not safe in time after {came.after_s:.2f} s: {there.energised()}")
            run = there.run()
            if run is None or came.status not in (0, 1):
                told.wrong.append(f"{' '.join(command)} ended with {came.status}: {came.said[-500:]}")
                return told
            told.compared = True
            told.wrong += not_once(run)
            ours = outcome(run)
            if tried.speed is None:
                told.wrong += differences(alone.outcome, ours)
            elif ours.verdicts != alone.outcome.verdicts:
                told.wrong.append(f"verdicts {ours.verdicts}, undisturbed {alone.outcome.verdicts}")
    except Exception:  # noqa: BLE001 - a story that breaks has fallen short, and the others must still be told
        told.wrong.append(traceback.format_exc())
    return told
