"""The one rule for what a stranger sends: it is accepted, or refused in one clean error; soon, and within memory."""

from __future__ import annotations

import os
import signal
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from hypothesis import settings

try:
    import resource
except ImportError:  # this system bounds no memory
    resource = None  # type: ignore[assignment]

EXAMPLES = int(os.environ.get("STRANGERS_EXAMPLES", "1"))
"""How many times as many examples as in the tests; `make faults` asks for more."""

CPU_S = 20.0
"""Of the processor, for one file: not of the clock, which runs on while a busy computer does something else."""

LONGEST = 2000
"""Characters of one line of an error."""

MEMORY = 2 << 30
"""Bytes beyond what the process held before."""

Tally = dict[str, Counter[str]]
TALLY: Tally = {}
"""What was tried, by kind: how many were accepted, how many refused."""


class TooLongError(AssertionError):
    """One file kept the reader busy for longer than CPU_S."""


def tried(examples: int) -> settings:
    """Settings of a test that tries so many examples; the same ones each time, unless more are asked for."""
    return settings(max_examples=examples * EXAMPLES, derandomize=EXAMPLES == 1, deadline=None)


def accepted_or_refused(
    kind: str, read: Callable[[], Any], errors: tuple[type[Exception], ...], named: str = "", lines: int = 1
) -> str:
    """Read a file of this kind within the bounds; the error's text where it was refused, else empty.

    Whatever is raised beside `errors` passes through, and is what the tests look for. A refusal has no more than
    `lines` lines, each with `named` in it and nothing that a terminal would obey.
    """
    counted = TALLY.setdefault(kind, Counter())
    told = ""
    try:
        with bounded():
            read()
    except errors as exc:
        told = str(exc) or type(exc).__name__
    if told:
        said = told.split("\n")
        assert len(said) <= lines, f"more than {lines} lines: {told[:500]!r}"
        assert all(named in line for line in said), f"{named!r} is not named: {told[:500]!r}"
        assert max(map(len, said)) < LONGEST, f"too long to be read: {told[:500]!r}"
    counted["refused" if told else "accepted"] += 1
    return told


@contextmanager
def bounded() -> Iterator[None]:
    """What happens inside has CPU_S of the processor, and MEMORY."""
    if resource is None or not hasattr(signal, "setitimer"):
        yield
        return

    def too_long(*_: Any) -> None:
        raise TooLongError(f"still busy after {CPU_S:g} s of the processor")

    before = signal.signal(signal.SIGVTALRM, too_long)
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    held = _held()
    if held:
        resource.setrlimit(resource.RLIMIT_AS, (held + MEMORY, hard))
    signal.setitimer(signal.ITIMER_VIRTUAL, CPU_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
        resource.setrlimit(resource.RLIMIT_AS, (soft, hard))
        signal.signal(signal.SIGVTALRM, before)


def _held() -> int:
    """Bytes of address space that this process has; 0 where the system does not tell."""
    try:
        with open("/proc/self/statm", encoding="ascii") as file:  # noqa: PTH123
            return int(file.read().split()[0]) * os.sysconf("SC_PAGE_SIZE")
    except OSError:
        return 0
