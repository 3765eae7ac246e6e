"""Tries in processes of their own: a run that hangs while a pin is pressed is killed by its guard, an outcome too."""

from __future__ import annotations

import multiprocessing
import tempfile
import threading
import traceback
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from queue import Empty, Queue

from tests.faults.outcome import Outcome, ShortBench, short_bench
from tests.faults.sequences import BrokenRuleError, hold
from tests.faults.tries import Try

BOUND_S = 150.0
"""Real seconds for one try, its repetitions included: deadlines of a run that is recovered, made safe and guarded."""


def outcomes(tries: Sequence[Try], jobs: int) -> Iterator[Outcome]:
    """Every outcome as it comes, so many at a time."""
    waiting: Queue[Try] = Queue()
    for attempt in tries:
        waiting.put(attempt)
    done: Queue[Outcome | BaseException | None] = Queue()
    threads = [threading.Thread(target=_feed, args=(waiting, done), daemon=True) for _ in range(jobs)]
    for thread in threads:
        thread.start()
    running = len(threads)
    while running:
        found = done.get()
        if isinstance(found, BaseException):
            raise found
        if found is None:
            running -= 1
        else:
            yield found


def sequences(count: int, jobs: int, number: int) -> tuple[bool, str]:
    """So many runs with random sequences of faults, shared out; whether the rules held, and what is to be said."""
    share = [count // jobs + (index < count % jobs) for index in range(jobs)]
    found: Queue[Sequences | BaseException] = Queue()

    def one(size: int, index: int) -> None:
        try:
            worker = _Worker()
            found.put(worker.sequences(size, number + index))
            worker.end()
        except BaseException as exc:  # noqa: BLE001 - raised again below
            found.put(exc)

    for index, size in enumerate(share):
        threading.Thread(target=one, args=(size, index), daemon=True).start()
    all_found: list[Sequences] = []
    for _ in share:
        each = found.get()
        if isinstance(each, BaseException):
            raise each
        all_found.append(each)
    runs = sum(each.runs for each in all_found)
    broken = [each.broken for each in all_found if each.broken]
    told = f"{runs} runs with sequences of faults, " + (f"broken by: {' | '.join(broken)}" if broken else "all held")
    return not broken, told


def _feed(waiting: Queue[Try], done: Queue[Outcome | BaseException | None]) -> None:
    """Give one process after another tries to make, until there are none."""
    try:
        worker = _Worker()
        try:
            while True:
                attempt = waiting.get_nowait()
                found = worker.outcome(attempt)
                done.put(found)
                if found.kind == "hung":
                    worker.end()
                    worker = _Worker()
        except Empty:
            pass
        finally:
            worker.end()
    except BaseException as exc:  # noqa: BLE001 - raised again where the outcomes are awaited
        done.put(exc)
    done.put(None)


@dataclass(frozen=True)
class Sequences:
    """Of one process: how many runs with sequences of faults were made, and the shortest one that broke a rule."""

    runs: int
    broken: str


class _Worker:
    """A process with a simulated bench of its own."""

    def __init__(self) -> None:
        context = multiprocessing.get_context("spawn")
        self._pipe, far = context.Pipe()
        self._process = context.Process(target=_work, args=(far,), daemon=True)
        self._process.start()
        far.close()

    def outcome(self, attempt: Try) -> Outcome:
        try:
            self._pipe.send(attempt)
            if not self._pipe.poll(BOUND_S):
                return Outcome(attempt, "hung", f"not ended after {BOUND_S:g} s")
            found = self._pipe.recv()
        except (EOFError, OSError):
            self._process.join(5.0)
            return Outcome(attempt, "hung", f"the process of the run ended by {self._process.exitcode}")
        if isinstance(found, str):
            raise AssertionError(found)
        outcome: Outcome = found
        return outcome

    def sequences(self, count: int, number: int) -> Sequences:
        """Random sequences, in the process itself, so that hypothesis can make a counterexample shorter."""
        self._pipe.send((count, number))
        runs, last = 0, ""
        while True:
            if not self._pipe.poll(BOUND_S):
                return Sequences(runs, f"{last}: hung")
            try:
                found = self._pipe.recv()
            except EOFError:
                self._process.join(5.0)
                return Sequences(runs, f"{last}: the process of the run ended by {self._process.exitcode}")
            if isinstance(found, str):
                raise AssertionError(found)
            if isinstance(found, Sequences):
                return found
            if isinstance(found, Try):
                last, runs = str(found.injections), runs + 1

    def end(self) -> None:
        self._pipe.close()
        self._process.join(10.0)
        if self._process.is_alive():
            self._process.kill()
            self._process.join()


def _work(pipe: Connection) -> None:
    """In the process: one outcome for each try, until the pipe is closed."""
    with suppress(EOFError), tempfile.TemporaryDirectory(prefix="stuckpin-faults-") as folder:
        try:
            with short_bench(Path(folder)) as bench:
                while True:
                    asked = pipe.recv()
                    pipe.send(bench.outcome(asked) if isinstance(asked, Try) else _sequences(bench, pipe, *asked))
        except EOFError:
            raise
        except Exception:  # noqa: BLE001 - told to the process that asked
            # A defect of the tries, and no outcome: the whole thing ends with it.
            pipe.send(traceback.format_exc())


def _sequences(bench: ShortBench, pipe: Connection, count: int, number: int) -> Sequences:
    runs = 0

    def make(attempt: Try) -> Outcome:
        nonlocal runs
        runs += 1
        # Said before it is made: where the process is killed in it, this is what killed it.
        pipe.send(attempt)
        return bench.outcome(attempt)

    bench.look_undisturbed("relay")
    bench.look_undisturbed("source")
    try:
        hold(make, count, number=number)
    except BrokenRuleError as broken:
        return Sequences(runs, str(broken))
    return Sequences(runs, "")
