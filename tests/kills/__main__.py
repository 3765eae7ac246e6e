"""Kill the run again and again, and print what came of it; the last line is the verdict.

    python -m tests.kills --kills 200

Ends with 1 where anything fell short.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tests.kills.lab import SAFE_WITHIN_S
from tests.kills.story import Told, Undisturbed, story, undisturbed
from tests.kills.tried import BY_SOURCE, EVERYTHING, IN_A_CHAMBER, IN_REAL_TIME, PRESSES, Tried

SHARES: Sequence[tuple[Tried, float]] = (
    (PRESSES, 0.35),
    (EVERYTHING, 0.25),
    (BY_SOURCE, 0.15),
    (IN_A_CHAMBER, 0.15),
    (IN_REAL_TIME, 0.1),
)
"""Of all kills."""

WIDTH = 44


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="tests.kills", description="Kill runs at random instants, and resume them.")
    parser.add_argument("--kills", type=int, default=200, help="how many in all, at least")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2, help="stories told at a time")
    options = parser.parse_args(arguments)
    told: list[Told] = []
    with tempfile.TemporaryDirectory() as name:
        for tried, share in SHARES:
            folder = Path(name) / tried.name.replace(" ", "-").replace(",", "")
            alone = undisturbed(folder / "undisturbed", tried)
            told += _stories(folder, tried, alone, round(share * options.kills), options)
    return _print(told)


def _stories(folder: Path, tried: Tried, alone: Undisturbed, kills: int, options: argparse.Namespace) -> list[Told]:
    """Stories of one plan, until there have been so many kills."""
    told: list[Told] = []
    with ThreadPoolExecutor(options.jobs) as pool:
        number = 0
        while sum(len(one.kills) for one in told) < kills:
            batch = range(number, number + options.jobs)
            number += options.jobs
            seeds = [options.seed * 100_000 + each for each in batch]
            told += pool.map(lambda seed: story(folder / str(seed), tried, alone, seed), seeds)
            _say(f"{tried.name}: {sum(len(one.kills) for one in told)} of {kills} kills")
    return told


def _print(told: Sequence[Told]) -> int:
    columns = ("kills", "energised", "safe", "slowest", "stories", "ended", "as undisturbed")
    _say(f"{'':{WIDTH}}" + "".join(f"{name:>16}" for name in columns))
    for name in dict.fromkeys(one.name for one in told):
        _row(name, [one for one in told if one.name == name])
    _row("all", told)
    wrong = [line for one in told for line in one.wrong]
    for line in wrong:
        _say(f"FELL SHORT: {line}")
    kills = sum(len(one.kills) for one in told)
    if wrong:
        _say(f"verdict: {kills} kills, {len(wrong)} fell short")
        return 1
    _say(f"verdict: {kills} kills, the bench safe within {SAFE_WITHIN_S:g} s of each, every run as one undisturbed")
    return 0


def _row(name: str, told: Sequence[Told]) -> None:
    kills = [kill for one in told for kill in one.kills]
    safe = [kill.safe_after_s for kill in kills if kill.safe_after_s is not None]
    cells = (
        str(len(kills)),
        str(sum(bool(kill.energised) for kill in kills)),
        str(len(safe)),
        f"{max(safe, default=0.0):.2f} s",
        str(len(told)),
        str(sum(one.compared for one in told)),
        str(sum(one.compared and not one.wrong for one in told)),
    )
    _say(f"{name:{WIDTH}}" + "".join(f"{cell:>16}" for cell in cells))


def _say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
