"""Carrying a run over the faults of its bench: made safe, reopened, prepared anew, the trial in hand made again.

Only the bench is given another chance. What a trial showed stands, whatever it is: a trial that was measured is never
made again.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from drivers.bench import Bench
from drivers.errors import (
    BenchError,
    InstrumentError,
    LimitError,
    LinkError,
    NotAsSetError,
    OtherInstrumentError,
    StopRequestedError,
    WiringError,
)
from harness.errors import NotRecoveredError, TryFailedError
from harness.events import BenchTold, Listener
from harness.guard import GIVE_UP_S
from harness.plan_tables import RetestTable
from procedures.errors import TooLateError
from results.record.happening import Happening, HappeningKind
from results.record.observation import Observation
from results.record.run_folder import RunFolder
from results.record.trace import Trace
from results.record.trial import Trial

LOOK_S = 0.02
"""Real seconds between two looks at the stop request while waiting."""

SAFE_AGAIN_S = 0.25
"""Real seconds between two tries to prove the bench safe: what may be pressed is not left alone for longer."""


def failed(error: Exception, role: str = "") -> Observation:
    """What stands in the record of a trial that an error ended; `role`: of the instrument whose address it names."""
    told = f"{role} {error}" if role else str(error)
    return Observation(Trace(np.empty(0), np.empty(0)), outcome="failed", notes=(told,))


class Recovery:
    """Makes trials within the retest rule. Every try is in the journal, and so is every recovery."""

    def __init__(
        self,
        bench: Bench,
        folder: RunFolder,
        rules: RetestTable,
        listen: Listener,
        look_again: Sequence[Callable[[], None]],
    ) -> None:
        """`look_again`: told after a recovery, so that whatever they know of the bench is looked at anew."""
        self.count = 0
        self._bench = bench
        self._folder = folder
        self._rules = rules
        self._listen = listen
        self._look_again = look_again
        self._gone_on = any(one.kind == "resumed" for one in folder.happenings())

    @property
    def power_was_off(self) -> bool:
        """Whether the board was switched off since the run began: in a recovery, or when the run ended early."""
        return (bool(self.count) or self._gone_on) and self._bench.switches_off

    def made(self, trial: Trial, once: Callable[[], Observation]) -> Observation:
        """The observation of the last try of a trial, which `once` makes; it is on the disk.

        Another try follows one that came to nothing, and a fault of the bench once that is recovered. Raises
        BenchError or NotRecoveredError for a fault that ends the run; the try is on the disk then, too.
        """
        for tried in range(1, self._rules.tries + 1):
            is_last = tried == self._rules.tries
            self._bench.clock.check_stop()
            try:
                observation = once()
            except StopRequestedError:
                raise
            except (TooLateError, TryFailedError) as exc:
                observation = failed(exc)
                self._folder.append(trial, observation)
            except BenchError as exc:
                # A wire knows its address only.
                observation = failed(exc, self._bench.role_of(getattr(exc, "resource", "")))
                self._recover(exc, trial, observation, is_last=is_last)
            else:
                self._folder.append(trial, observation)
                break
        return observation

    def through(self, act: Callable[[], None]) -> None:
        """Carry out what belongs to no trial; again after a fault of the bench. Raises as `made`."""
        while True:
            try:
                act()
            except StopRequestedError:
                raise
            except BenchError as exc:
                self._recover(exc)
            else:
                return

    def _recover(
        self, error: BenchError, trial: Trial | None = None, seen: Observation | None = None, *, is_last: bool = False
    ) -> None:
        """Make safe, record the try, and bring the bench back; raises what ends the run."""
        began_s = time.monotonic()
        unverified: list[str] = []
        fault: BenchError | None = None
        # What ends the run anyway is made safe where the bench is closed.
        if self._may_pass(error):
            unverified = self._made_safe()
            fault = self._fault(error)
            if seen is not None and fault is not None and fault is not error:
                # What was met first may be but a consequence: a board whose supply restarted says nothing.
                behind = failed(fault, self._bench.role_of(getattr(fault, "resource", "")))
                seen = replace(seen, notes=(*behind.notes, *seen.notes))
        if trial is not None and seen is not None:
            self._folder.append(trial, seen)
        if fault is None:
            raise error
        role = self._bench.role_of(getattr(fault, "resource", ""))
        what = f"{role} lost ({fault})" if role else f"bench at fault ({fault})"
        if not self._bench.nothing_presses(unverified):
            self._tell("not recovered", f"{what}: {'; '.join(unverified)}", trial, role, 0, began_s)
            raise error
        if self.count >= self._rules.failures:
            most = f"retest.failures: the run has recovered {self.count} times, as often as the plan allows"
            self._tell("not recovered", f"{what}: {most}", trial, role, 0, began_s)
            raise NotRecoveredError(f"{most}; then {what}") from error
        self.count += 1
        self._listen(BenchTold(f"{what}; bench made safe"))
        tries = self._brought_back(role, what, trial, began_s)
        for look in self._look_again:
            look()
        times = f"{tries} {'try' if tries == 1 else 'tries'}"
        again = "" if trial is None else f", trial {trial.label} {'stays failed' if is_last else 'is made again'}"
        back = f"reopened after {times}{again}"
        self._tell("recovered", f"{what}: {back}", trial, role, tries, began_s)
        self._listen(BenchTold(f"{role or 'bench'} {back}"))

    def _may_pass(self, error: BenchError) -> bool:
        """Whether an error may be a fault of the bench that passes. A limit is one of the plan; what is none of these
        has left the bench as it was, and would come again."""
        if not self._rules.failures or isinstance(error, LimitError):
            return False
        return isinstance(error, (LinkError, InstrumentError, WiringError)) or self._bench.state == "fault"

    def _fault(self, error: BenchError) -> BenchError | None:
        """The fault of the bench that an error tells of, now that it is safe; None where the run ends by it.

        One that has restarted meanwhile is behind whatever was met after it: its relays fell open, its output went off.
        Without that, wiring that disobeys must be looked at by a person.
        """
        restarted = None if isinstance(error, NotAsSetError) else self._bench.found_restart()
        return restarted or (None if isinstance(error, WiringError) else error)

    def _made_safe(self) -> list[str]:
        """Make the bench safe, tried on for as long as the guard would; returns what could not be proven."""
        until_s = time.monotonic() + GIVE_UP_S
        while unverified := self._bench.make_safe():
            if self._bench.nothing_presses(unverified) or time.monotonic() > until_s:
                break
            self._wait(SAFE_AGAIN_S)
        return unverified

    def _brought_back(self, role: str, what: str, trial: Trial | None, began_s: float) -> int:
        """Reopen, identify and prepare, again and again; returns at which try the bench was back.

        Raises OtherInstrumentError for another instrument than before, and NotRecoveredError after the try that
        followed the longest wait.
        """
        wait_s, waited_s, tries, other = self._rules.first_wait_s, 0.0, 0, ""
        while True:
            tries += 1
            try:
                self._prepare(role)
                return tries
            except (StopRequestedError, WiringError, LimitError):
                raise
            except BenchError as exc:
                unverified = self._made_safe()
                if not self._bench.nothing_presses(unverified):
                    raise
                # What a wire had left over may answer once; an instrument that is another one answers so again.
                if isinstance(exc, OtherInstrumentError) and str(exc) == other:
                    self._tell("not recovered", f"{what}: {exc}", trial, role, tries, began_s)
                    raise
                last, other = exc, str(exc)
            if waited_s >= self._rules.longest_wait_s:
                given_up = f"{what}: not recovered in {tries} tries within {time.monotonic() - began_s:.3g} s, at last"
                self._tell("not recovered", f"{given_up}: {last}", trial, role, tries, began_s)
                raise NotRecoveredError(f"{given_up}: {last}") from last
            self._bench.cover(wait_s)
            self._wait(wait_s)
            waited_s, wait_s = wait_s, min(2.0 * wait_s, self._rules.longest_wait_s)

    def _prepare(self, role: str) -> None:
        if role:
            with suppress(LinkError):  # making safe and preparing reopen it too, and say what is wrong with it
                self._bench.reopen(role)
        if self._bench.state != "safe" and (unverified := self._bench.make_safe()):
            raise BenchError("; ".join(unverified))
        self._bench.prepare()

    def _wait(self, seconds: float) -> None:
        """Real seconds. Raises StopRequestedError as soon as a stop is asked for."""
        until_s = time.monotonic() + seconds
        while (left_s := until_s - time.monotonic()) > 0.0:
            self._bench.clock.check_stop()
            time.sleep(min(left_s, LOOK_S))

    def _tell(self, kind: HappeningKind, text: str, trial: Trial | None, role: str, tries: int, began_s: float) -> None:
        self._folder.tell(
            Happening(
                kind,
                datetime.now(UTC).isoformat(timespec="seconds"),
                text,
                sequence=0 if trial is None else trial.sequence,
                role=role,
                tries=tries,
                lasted_s=round(time.monotonic() - began_s, 3),
            )
        )
