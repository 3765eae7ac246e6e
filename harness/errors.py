"""What the user, or the program itself, can have wrong; and the exit status of every room's errors.

HarnessError
├── UserFileError         a plan, bench or procedure file is wrong
├── CommandLineError      the command line is wrong
├── SafetyError           the guard cannot be had: nothing may be pressed
├── TryFailedError        a try of a trial came to nothing, the bench being in order
└── NotRecoveredError     the bench failed more often, or for longer, than the plan's retest rule bears

Exit statuses: 0 every planned trial is valid and released, 1 any other verdict, 2 files or command line wrong, 3 the
bench failed, or the disk that the record goes to, 4 interrupted. `exit_status` maps the errors of all four rooms;
StopRequestedError is the only 4.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, time
from pathlib import Path
from typing import Any

from drivers.errors import BenchError, StopRequestedError
from procedures.errors import ProcedureError
from results.errors import ForeignTraceError, QuantityError, RecordError, ResultsError, StorageError

ALL_RELEASED = 0
OTHER_VERDICT = 1
FILES_WRONG = 2
BENCH_FAILED = 3
INTERRUPTED = 4

_SHOWN_CHARACTERS = 80
"""A value longer than this is cut in a message: the key tells where to find the rest."""


_LONG_BITS = 1024


class HarnessError(Exception):
    """Something outside of the bench is wrong; every line of the message stands for itself."""


@dataclass(frozen=True)
class Problem:
    """One thing wrong in one file: `key` as the file writes it (empty: the file itself), `rule`, `value` as written."""

    file: str
    key: str
    rule: str
    value: str = ""

    def __str__(self) -> str:
        return ": ".join(part for part in (self.file, self.key, self.rule, self.value) if part)


class UserFileError(HarnessError):
    """A file of the user is wrong, found before any instrument was touched.

    `problems` are in the order of the file, one line each; `file`, `key`, `rule` and `value` are those of the first.
    """

    def __init__(self, file: Path | str, key: str, rule: str, value: str = "") -> None:
        self._set((Problem(str(file), key, rule, value),))

    @classmethod
    def of(cls, problems: Sequence[Problem]) -> UserFileError:
        """One error for all problems of one reading; there must be at least one."""
        error = cls(problems[0].file, problems[0].key, problems[0].rule, problems[0].value)
        error._set(tuple(problems))
        return error

    def _set(self, problems: tuple[Problem, ...]) -> None:
        self.problems = problems
        self.file, self.key = problems[0].file, problems[0].key
        self.rule, self.value = problems[0].rule, problems[0].value
        self.args = ("\n".join(str(problem) for problem in problems),)


class CommandLineError(HarnessError):
    """An option or an argument of the command line is wrong, or they do not go together."""


class SafetyError(HarnessError):
    """The guard could not be started or is gone; without it nothing is pressed."""


class TryFailedError(HarnessError):
    """A try of a trial came to nothing on a bench in order (an overload, a board that refuses): another one may do."""


class NotRecoveredError(HarnessError):
    """A fault of the bench outlived the plan's retest rule; the run stops safe, and can be resumed."""


def exit_status(error: BaseException) -> int:
    """The exit status that an error of any room ends the program with."""
    if isinstance(error, StopRequestedError):
        return INTERRUPTED
    if isinstance(error, StorageError):
        return BENCH_FAILED
    if isinstance(error, UserFileError | CommandLineError | QuantityError | RecordError | ForeignTraceError):
        return FILES_WRONG
    if isinstance(error, BenchError | ProcedureError | SafetyError | ResultsError | HarnessError):
        return BENCH_FAILED
    raise error


def shown(value: Any, depth: int = 3) -> str:
    """A value of a TOML file as a message shows it: one line, as it would stand in the file, cut where it is long.

    Lists and tables deeper than `depth` are left out.
    """
    if isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, date | time):
        text = value.isoformat()
    elif isinstance(value, int) and value.bit_length() > _LONG_BITS:
        # Python writes no decimal number of thousands of digits.
        text = f"{value:#x}"
    elif isinstance(value, str):
        text = json.dumps(value, ensure_ascii=not value.isprintable())
    elif isinstance(value, list | tuple | dict) and not depth:
        text = "…"
    elif isinstance(value, list | tuple):
        text = f"[{', '.join(shown(item, depth - 1) for item in value[:_SHOWN_CHARACTERS])}]"
    elif isinstance(value, dict):
        text = "{" + ", ".join(f"{written_key(key)} = {shown(item, depth - 1)}" for key, item in value.items()) + "}"
    else:
        text = str(value)
    return text if len(text) <= _SHOWN_CHARACTERS else f"{text[: _SHOWN_CHARACTERS - 1]}…"


def written_key(key: str) -> str:
    """A key as a TOML file writes it: in quotes unless it is a bare word."""
    return key if re.fullmatch(rf"[A-Za-z0-9_-]{{1,{_SHOWN_CHARACTERS}}}", key) else shown(key)
