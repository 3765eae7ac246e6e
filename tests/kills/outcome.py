"""What a run came to, and how another one differs from it."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from results.record import journal
from results.record.run_folder import JOURNAL, RunFolder

HOW_IT_WENT = ("contacts.csv", "recoveries.csv")
"""Tables of what was done, and not of what was measured: a relay that is closed again for a resumed run is counted."""


@dataclass(frozen=True)
class Outcome:
    """The derived tables by name, and every observation with its samples, by trial."""

    tables: dict[str, bytes]
    observations: dict[int, dict[str, Any]]
    verdicts: tuple[tuple[str, str], ...]


def outcome(run: Path) -> Outcome:
    """Of a run folder that came to its end."""
    tables = {path.name: path.read_bytes() for path in sorted(run.glob("*.csv")) if path.name not in HOW_IT_WENT}
    observations = {}
    for trial, observation in RunFolder.open(run).observations():
        fields = {name: value for name, value in vars(observation).items() if name != "trace"}
        fields |= vars(observation.trace)
        observations[trial.sequence] = {name: _plain(value) for name, value in fields.items()}
    return Outcome(tables, observations, tuple(_verdicts(run / "pins.csv")))


def not_once(run: Path) -> list[str]:
    """What is wrong with the record itself: trials that do not stand in the journal once as measured, evidence that is
    not what was sealed."""
    folder = RunFolder.open(run)
    entries = journal.read((run / JOURNAL).read_bytes()).entries
    measured = Counter(
        entry.trial.sequence for entry in entries if entry.fields["outcome"] in ("measured", "no contact")
    )
    planned = [trial.sequence for trial in folder.record.planned]
    wrong = [f"trial {one}: {measured[one]} times as measured" for one in planned if measured[one] != 1]
    wrong += [f"trial {sequence}: not planned" for sequence in measured.keys() - set(planned)]
    wrong += [] if folder.sealed else ["not sealed"]
    return wrong + folder.problems()


def differences(undisturbed: Outcome, other: Outcome) -> list[str]:
    """What is not equal to the last digit."""
    wrong = [f"{name}: differs" for name in undisturbed.tables if other.tables.get(name) != undisturbed.tables[name]]
    for sequence, fields in undisturbed.observations.items():
        there = other.observations.get(sequence, {})
        unlike = [name for name, value in fields.items() if there.get(name) != value]
        wrong += [f"trial {sequence}: {', '.join(unlike)} differ"] if unlike else []
    return wrong


def _plain(value: Any) -> Any:
    """Something that can be compared: an array by its bytes, in which NaN is equal to itself."""
    if isinstance(value, np.ndarray):
        return value.tobytes()
    if isinstance(value, tuple):
        return tuple(_plain(one) for one in value)
    return asdict(value) if hasattr(value, "__dataclass_fields__") else value


def _verdicts(pins: Path) -> Iterator[tuple[str, str]]:
    with pins.open(encoding="utf-8", newline="") as file:
        rows: Sequence[dict[str, str]] = list(csv.DictReader(file))
    yield from ((row["pin"], row["verdict"]) for row in rows)
