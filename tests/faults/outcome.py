"""One try on a simulated bench of its own, and what came of it in one word."""

from __future__ import annotations

import itertools
import re
import traceback
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from tests.faults.faults import named
from tests.faults.judge import Truth, Verdict, judged, truth_of
from tests.faults.safe import put_in_order
from tests.faults.short_run import PressPath, made, served
from tests.faults.tries import Try

Kind = Literal["right number", "named failure", "wrong number", "no name", "unsafe", "hung", "crash", "no bite"]
"""`right number`: every planned trial measured, all as in the undisturbed run. `named failure`: the run ended early, or
a trial failed, for a reason that names role and cause; every number is right. What must never be: a `wrong number`; a
failure with `no name`; an end that is not safe and was not said to be; one that never came; a traceback. `no bite`: the
fault found nothing to take hold of."""

GOOD: tuple[Kind, ...] = ("right number", "named failure")
STALLS = 2
"""How often a try is made again whose only fault was a deadline on a wire that had none: the computer was too busy."""

_STALL = re.compile(
    r"no (reply|write|connection) within|disagrees with the host's clock|came .* s into the log"
    # The system gives the number of a pseudo-terminal anew while somebody else's run still has it.
    r"|Could not exclusively lock port"
)


@dataclass(frozen=True)
class Outcome:
    """What came of a try. `text`: what was said, or what is wrong; `stalled`: how often it was made again."""

    attempt: Try
    kind: Kind
    text: str = ""
    stalled: int = 0

    @property
    def holds(self) -> bool:
        """Whether the two rules hold, and the bench ended safe."""
        return self.kind in GOOD


class ShortBench:
    """A simulated bench with the truth of its undisturbed runs. Made by `short_bench`."""

    def __init__(self, folder: Path, resources: Mapping[str, str]) -> None:
        self._folder = folder
        self._resources = resources
        self._number = itertools.count()
        self._truths: dict[str, Truth] = {}
        self._messages: dict[str, Mapping[str, int]] = {}

    def look_undisturbed(self, path: PressPath) -> None:
        """Make the run that all others are held against, unless it was made."""
        if path in self._truths:
            return
        for _ in range(STALLS + 1):
            put_in_order(self._resources)
            plain = made(self._place(), self._resources, path)
            if not _STALL.search(str(plain.result.error)):
                break
        self._truths[path] = truth_of(plain.result)
        self._messages[path] = {role: len(sent) for role, sent in plain.commands.items()}
        put_in_order(self._resources)

    def outcome(self, attempt: Try) -> Outcome:
        """Make this try, again where only the computer was too slow."""
        self.look_undisturbed(attempt.path)
        for stalled in range(STALLS + 1):
            found = replace(self._once(attempt), stalled=stalled)
            if not (found.kind in ("no name", "no bite") and _STALL.search(found.text)):
                break
        return found

    def _once(self, attempt: Try) -> Outcome:
        armed = [(one.role, one.armed(self._messages[attempt.path])) for one in attempt.injections]
        try:
            run = made(self._place(), self._resources, attempt.path, armed)
            verdict = judged(run.result, self._truths[attempt.path], attempt.roles, self._resources)
        except Exception:  # noqa: BLE001 - whatever it is, a run must not raise it
            return Outcome(attempt, "crash", traceback.format_exc().strip().splitlines()[-1])
        finally:
            put_in_order(self._resources)
        clears = all(named(one.fault).clears for one in attempt.injections)
        kind, text = _kind(verdict, clears=clears, bitten=any(run.bites))
        return Outcome(attempt, kind, text)

    def _place(self) -> Path:
        return self._folder / f"try-{next(self._number)}"


def _kind(verdict: Verdict, *, clears: bool, bitten: bool) -> tuple[Kind, str]:
    said = "; ".join(verdict.said)
    if verdict.wrong:
        return "wrong number", "; ".join(verdict.wrong)
    if verdict.unsafe:
        return "unsafe", "; ".join(verdict.unsafe)
    if verdict.unnamed:
        return "no name", "; ".join(verdict.unnamed)
    if not bitten:
        return "no bite", said
    if not said and not verdict.complete:
        return "no name", "not complete, and nothing was said"
    if clears and not verdict.complete:
        return "no name", f"no fault to the harness, and yet: {said}"
    return ("right number" if verdict.complete else "named failure"), said


@contextmanager
def short_bench(folder: Path) -> Iterator[ShortBench]:
    """The simulated bench of the short run, started for these tries."""
    folder.mkdir(parents=True, exist_ok=True)
    with served(folder) as resources:
        yield ShortBench(folder, resources)
