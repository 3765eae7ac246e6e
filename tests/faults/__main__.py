"""Try every fault: `make faults`, or python -m tests.faults [--moments N] [--sequences N] [--fault NAME] and more.

Prints how it goes on stderr, the table on stdout, the verdict in the last line. Ends with 1 where anything falls short.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator, Sequence

from tests.faults.faults import FAULTS
from tests.faults.outcome import Outcome
from tests.faults.table import described, table, verdict
from tests.faults.tries import every_try
from tests.faults.workers import outcomes, sequences

MOMENTS = 3
SEQUENCES = 300
SEED = 2417


def main(arguments: Sequence[str] | None = None) -> int:
    """0 where nothing falls short, 1 where something does, 2 for a wrong command line."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.faults", description="What becomes of a run whose wires fail."
    )
    parser.add_argument("--moments", type=int, default=MOMENTS, help=f"moments of the run for each fault ({MOMENTS})")
    parser.add_argument("--sequences", type=int, default=SEQUENCES, help=f"runs with several faults ({SEQUENCES})")
    parser.add_argument("--seed", type=int, default=SEED, help=f"of all chance ({SEED})")
    parser.add_argument("--jobs", type=int, default=4, help="runs at a time (4): most of their time they wait")
    parser.add_argument("--fault", choices=[fault.name for fault in FAULTS], action="append", help="this one only")
    options = parser.parse_args(arguments)
    if min(options.moments, options.jobs) < 1 or options.sequences < 0:
        parser.error("moments and jobs must be 1 or more, sequences 0 or more")
    tries = list(every_try(options.seed, options.moments))
    if options.fault:
        tries = [one for one in tries if one.injections[0].fault in options.fault]
    single = sorted(_told(outcomes(tries, options.jobs), len(tries)), key=lambda one: tries.index(one.attempt))
    sys.stdout.write(table(single))
    ok, sentence = verdict(single)
    if options.sequences:
        kept, told = sequences(options.sequences, options.jobs, options.seed)
        ok, sentence = ok and kept, f"{sentence}; {told}"
    sys.stdout.write(f"{'every rule holds' if ok else 'FALLS SHORT'}: {sentence}\n")
    return 0 if ok else 1


def _told(found: Iterator[Outcome], count: int) -> Iterator[Outcome]:
    """Every outcome, with a line for each that falls short and for each fiftieth."""
    started = time.monotonic()
    for done, outcome in enumerate(found, start=1):
        if not outcome.holds:
            sys.stderr.write(f"{described(outcome)}\n")
        if done % 50 == 0 or done == count:
            left = (time.monotonic() - started) / done * (count - done) / 60.0
            sys.stderr.write(f"{done} of {count}, {left:.0f} min left\n")
        sys.stderr.flush()
        yield outcome


if __name__ == "__main__":
    sys.exit(main())
