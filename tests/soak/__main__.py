"""`make soak`: a table of what was watched, what came out, and a verdict in the last line. Ends with 1 where anything
falls short."""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from tests.soak.flat import MOST_BYTES, MOST_SLOWER, flatness
from tests.soak.long_run import LISTED, LongRun, long_run

PINS = 25


def flat_table(seen: LongRun, short: list[str]) -> list[str]:
    """The lines of the table of processes; in what they fall short is added to `short`."""
    lines = [
        "| process | looks | memory, early to late | growth a trial | files | threads | CPU a trial, early to late |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name in ("run", "guard", "simulated bench"):
        looks = seen.looks.get(name, [])
        try:
            flat = flatness(looks)
        except ValueError as exc:
            short.append(f"{name}: {exc}")
            continue
        early, late = looks[len(looks) // 10].memory_kib / 1024, looks[-1].memory_kib / 1024
        lines.append(
            f"| {name} | {len(looks)} | {early:.1f} to {late:.1f} MiB | {flat.bytes_a_trial:.0f} bytes | "
            f"{flat.files[0]} to {flat.files[1]} | {flat.threads[0]} to {flat.threads[1]} | "
            f"{1e3 * flat.pace_s[0]:.1f} to {1e3 * flat.pace_s[1]:.1f} ms |"
        )
        short += [f"{name}: {each}" for each in flat.short]
    return lines


def _came_out(seen: LongRun, short: list[str]) -> list[str]:
    measured = seen.outcomes["measured"]
    if measured != seen.planned:
        short.append(f"{seen.planned - measured} of {seen.planned} trials were not measured")
    if seen.wrong:
        short.append(f"{seen.wrong} trials say other than the truth")
    if seen.status != 1:  # half of the pins stick
        short.append(f"the run ended with status {seen.status}: {seen.said}")
    differing = [name for name in seen.closed.keys() | seen.counted if seen.closed.get(name) != seen.counted.get(name)]
    if differing or not seen.closed:
        short.append(f"closings counted otherwise than the bench itself does: {', '.join(sorted(differing)) or 'none'}")
    most = max(seen.closed, key=lambda name: seen.closed[name], default="")
    return [
        f"{measured} of {seen.planned} trials measured, {seen.wrong} other than the truth; exit status {seen.status}; "
        f"{seen.planned / max(seen.trials_s, 1e-9):.0f} trials a second, sealed and analysed after "
        f"{seen.whole_s - seen.trials_s:.0f} s more.",
        f"{len(seen.closed)} contacts closed {sum(seen.closed.values())} times in all ({most}: "
        f"{seen.closed.get(most, 0)}); the run counted {sum(seen.counted.values())}.",
        f"Asked: growth of at most {MOST_BYTES:.0f} bytes a trial, no more files or threads late than early, CPU late/"
        f"early at most {MOST_SLOWER:g}.",
    ]


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description="Watch one long run.")
    parser.add_argument("--trials", type=int, default=50_000, help="planned trials, a multiple of 50 (50000)")
    options = parser.parse_args()
    repeats = max(1, options.trials // (PINS * len(LISTED)))
    short: list[str] = []

    def made(seen: LongRun) -> None:
        sys.stdout.write("\n".join(flat_table(seen, short)) + "\n\n")
        sys.stdout.flush()

    with tempfile.TemporaryDirectory(prefix="soak-") as folder:
        seen = long_run(Path(folder), PINS, repeats, max(1, options.trials // 200), made)
        sys.stdout.write("\n".join(_came_out(seen, short)) + "\n")
    verdict = f"soak: FELL SHORT: {'; '.join(short)}" if short else f"soak: flat over {seen.planned} trials"
    sys.stdout.write(f"{verdict}\n")
    return 1 if short else 0


if __name__ == "__main__":
    sys.exit(main())
