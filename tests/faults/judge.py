"""What came of a run with faults: right numbers, named failures, or what must never be."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.run import RunResult
from results.analysis.analysis import analyse_folder
from results.analysis.findings import TrialFinding, Value
from results.record import journal
from tests.faults.safe import not_safe

ALIKE_V = 1e-6
"""A pin whose trial is made again was pressed before; of that, discharging it leaves some nanovolts before the press.
All else is equal to the last bit: all chance of the simulated bench is keyed to its trial."""

ALONE = ("verdict", "settled", "net_current")
TOGETHER = ("at_pin", "leakage")
"""What is found of a trial alone; and what rests on others of its pin, which may have failed: equal within its
uncertainty."""
COVERAGE = 2.0


@dataclass(frozen=True)
class Truth:
    """The undisturbed run: by trial label, its finding and its line of the journal."""

    trials: Mapping[str, TrialFinding]
    lines: Mapping[str, Mapping[str, Any]]


@dataclass(frozen=True)
class Verdict:
    """Each list is empty in a run that is as it must be. `complete`: every planned trial measured, the run sealed.

    `wrong`: numbers of the record that are not the true ones. `unnamed`: failures whose reason names no role that had a
    fault. `unsafe`: what the simulated bench itself says is not safe, and the run did not say. `failed`: what the run
    said, for the table.
    """

    complete: bool
    wrong: tuple[str, ...]
    unnamed: tuple[str, ...]
    unsafe: tuple[str, ...]
    said: tuple[str, ...]

    @property
    def holds(self) -> bool:
        return not (self.wrong or self.unnamed or self.unsafe)


def truth_of(result: RunResult) -> Truth:
    """Raises AssertionError where the undisturbed run itself is not complete."""
    assert result.error is None, result.error
    assert result.folder is not None
    finding = analyse_folder(result.folder.path)
    lines = dict(_lines(result.folder.path))
    assert {fields["outcome"] for fields in lines.values()} == {"measured"}
    return Truth({one.trial.label: one for one in finding.trials}, lines)


def judged(result: RunResult, truth: Truth, roles: Sequence[str], resources: Mapping[str, str]) -> Verdict:
    """Judge a run in which the wires of these roles had faults."""
    wrong: list[str] = []
    unnamed: list[str] = []
    said = [] if result.error is None else [str(result.error)]
    complete = result.error is None
    if result.folder is not None:
        for label, fields in _lines(result.folder.path):
            if fields["outcome"] == "failed":
                said += fields["notes"]
                # The first is the cause; what follows it may be but a consequence, met first.
                unnamed += [f"{label}: {note}" for note in fields["notes"][:1] if not _names(note, roles)]
            else:
                wrong += _differences(label, fields, truth.lines[label])
        for trial in analyse_folder(result.folder.path).trials:
            if trial.verdict in ("failed", "not tested"):
                complete = False
            else:
                wrong += _wrong_finding(trial, truth.trials[trial.trial.label])
    if result.error is not None and not _names(str(result.error), roles):
        unnamed.append(str(result.error))
    left = [line for line in not_safe(resources) if not any(told.startswith(line[0]) for told in result.not_verified)]
    unnamed += [line for line in result.not_verified if line.partition(":")[0] not in roles]
    return Verdict(complete, tuple(wrong), tuple(unnamed), tuple(f"{role}: {what}" for role, what in left), tuple(said))


def _lines(folder: Path) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Every line of the journal that is a trial, the tries that failed included: label, and what was observed."""
    found = journal.read((folder / "journal.jsonl").read_bytes())
    assert found.damaged == (), found.damaged
    for entry in found.entries:
        yield entry.trial.label, entry.fields


def _names(text: str, roles: Sequence[str]) -> bool:
    return any(re.search(rf"\b{role}\b", text) for role in roles)


def _differences(label: str, seen: Mapping[str, Any], true: Mapping[str, Any]) -> Iterator[str]:
    """What a single line of the journal says that the undisturbed run does not."""
    for name, b in true.items():
        a = seen[name]
        alike = name == "before_v" and None not in (a, b) and abs(a - b) <= ALIKE_V
        if a != b and not alike:
            yield f"{label}: {name} {a!r}, true {b!r}"


def _wrong_finding(seen: TrialFinding, true: TrialFinding) -> Iterator[str]:
    for name in (*ALONE, *TOGETHER):
        a, b = getattr(seen, name), getattr(true, name)
        if a != b and not (name in TOGETHER and _agree(a, b)):
            yield f"{seen.trial.label}: {name} {a}, true {b}"


def _agree(a: Value | None, b: Value | None) -> bool:
    return a is not None and b is not None and abs(a.value - b.value) <= COVERAGE * math.hypot(a.u, b.u)
