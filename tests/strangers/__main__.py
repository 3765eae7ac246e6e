"""Try many more files and replies of strangers: python -m tests.strangers [--times 10], part of `make faults`.

Prints a table of what was tried and what came out, the verdict in the last line. Ends with 1 where anything fell short.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
import time
import traceback
from collections.abc import Sequence

MODULES = ("test_text_files", "test_trace_folders", "test_run_folders", "test_replies")
TIMES = 10


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.strangers", description="Files and replies made wrong.")
    parser.add_argument("--times", type=int, default=TIMES, help=f"as many examples as in the tests ({TIMES})")
    options = parser.parse_args(arguments)
    if options.times < 2:
        parser.error("times must be 2 or more")
    # Read where the tests are imported.
    os.environ["STRANGERS_EXAMPLES"] = str(options.times)
    from tests.strangers.judge import TALLY

    failed = []
    for module in MODULES:
        tests = importlib.import_module(f"tests.strangers.{module}")
        for name in [name for name in vars(tests) if name.startswith("test_")]:
            started = time.monotonic()
            try:
                getattr(tests, name)()
            except Exception:  # noqa: BLE001 - whatever it is, it is what was looked for
                failed.append(name)
                traceback.print_exc()
            sys.stderr.write(f"{module}.{name}: {time.monotonic() - started:.0f} s\n")
    sys.stdout.write(f"{'files and replies of strangers':40}{'accepted':>10}{'refused':>10}\n")
    for kind, counted in TALLY.items():
        sys.stdout.write(f"{kind:40}{counted['accepted']:>10}{counted['refused']:>10}\n")
    tried = sum(sum(counted.values()) for counted in TALLY.values())
    told = f"{tried} files and replies, each accepted or refused in one clean error"
    sys.stdout.write(f"FALLS SHORT: {', '.join(failed)}\n" if failed else f"every rule holds: {told}\n")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
