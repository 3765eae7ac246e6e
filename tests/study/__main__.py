"""Make the study: `make study`, or python -m tests.study [--pins N] [--seed N] [--jobs N] [--write docs/study.md].

Prints how it goes on stderr, the table on stdout, the verdict in the last line. Ends with 1 where anything falls short.
"""

from __future__ import annotations

import argparse
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from dataclasses import replace
from datetime import UTC, datetime
from importlib.metadata import version
from multiprocessing import get_context
from pathlib import Path

from tests.study.characterise import Outcome, characterised, one_thread_each
from tests.study.page import Made, named, page, table, too_few
from tests.study.tally import tally

PINS = 1300
"""Some need no resistor: of the others, which have an interval, there are to be 1000."""

SEED = 2417


def main(arguments: Sequence[str] | None = None) -> int:
    """0 where nothing falls short, 1 where something does, 2 for a wrong command line."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.study", description="How often the interval of R_safe is right."
    )
    parser.add_argument("--pins", type=int, default=PINS, help=f"how many ({PINS})")
    parser.add_argument("--seed", type=int, default=SEED, help=f"of all chance ({SEED})")
    parser.add_argument("--jobs", type=int, default=2, help="pins at a time (2)")
    parser.add_argument("--write", type=Path, help="write the page there, too")
    options = parser.parse_args(arguments)
    if options.pins < 1 or options.jobs < 1 or options.seed < 0:
        parser.error("pins and jobs must be 1 or more, seed 0 or more")
    if options.write is not None and (problem := too_few(options.pins)):
        parser.error(problem)
    started = time.monotonic()
    outcomes = sorted(_with_progress(options.seed, options.pins, options.jobs), key=lambda one: one.number)
    minutes = (time.monotonic() - started) / 60.0
    counted = tally(outcomes)
    if options.write is not None:
        day = datetime.now(UTC).date().isoformat()
        made = Made(options.seed, version("stuckpin"), day, minutes, options.jobs)
        options.write.write_text(page(outcomes, made), encoding="utf-8")
    sys.stdout.write(table(counted))
    sys.stdout.writelines(f"not determined: {reason} ({named(numbers)})\n" for reason, numbers in counted.reasons)
    sys.stdout.write(f"{counted.verdict}\n")
    return 0 if counted.ok else 1


def _with_progress(seed: int, pins: int, jobs: int) -> Iterator[Outcome]:
    """Every outcome as it comes, with a line for each that is amiss and for each fiftieth."""
    started, missed, intervals = time.monotonic(), 0, 0
    for done, outcome in enumerate(_outcomes(seed, pins, jobs), start=1):
        if outcome.determined and outcome.has_interval:
            intervals += 1
            missed += not outcome.covered
        if amiss := _amiss(outcome):
            sys.stderr.write(f"pin {outcome.number} ({outcome.shape}, {outcome.supply}): {amiss}\n")
        if done % 50 == 0 or done == pins:
            left = (time.monotonic() - started) / done * (pins - done) / 60.0
            sys.stderr.write(f"{done} of {pins}: {missed} of {intervals} intervals missed, {left:.0f} min left\n")
        sys.stderr.flush()
        yield outcome


def _outcomes(seed: int, pins: int, jobs: int) -> Iterator[Outcome]:
    """Each pin once; one whose run failed is made again at the end, once, and that is counted."""
    failed = []
    for outcome in _made(seed, range(pins), jobs):
        if outcome.run_failed:
            sys.stderr.write(f"pin {outcome.number}, to be made again: {outcome.problem}\n")
            failed.append(outcome.number)
        else:
            yield outcome
    yield from (replace(outcome, failed_before=True) for outcome in _made(seed, failed, jobs))


def _made(seed: int, numbers: Sequence[int], jobs: int) -> Iterator[Outcome]:
    # Spawned, not forked: a run has threads of its own.
    with ProcessPoolExecutor(jobs, get_context("spawn")) as pool:
        waiting: list[Future[Outcome]] = [pool.submit(characterised, seed, number) for number in numbers]
        try:
            for future in as_completed(waiting):
                yield future.result()
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


def _amiss(outcome: Outcome) -> str:
    """What of an outcome is worth a line of its own."""
    said = {
        f"not determined: {outcome.problem}": not outcome.determined,
        "NONE NEEDED WRONG": outcome.none_needed_wrong,
        "BRACKET WRONG": outcome.bracket_wrong,
        "ADVICE STICKS": outcome.sticks,
        "ADVICE TOO SMALL": outcome.too_small,
        "sweep and trials disagree": outcome.agreement == "disagrees",
        "said to have a memory": outcome.has_memory,
        "interval misses": outcome.determined and outcome.has_interval and not outcome.covered,
    }
    found = [words for words, so in said.items() if so]
    return f"{'; '.join(found)}: {outcome!r}" if found else ""


if __name__ == "__main__":
    one_thread_each()
    # So that the pool is ended too, and with it the benches of the pins in hand.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(128 + signal.SIGTERM))
    sys.exit(main())
