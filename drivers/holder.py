"""Who holds an instrument: what a process writes into its lock file, and how it is named to whoever comes second.

A lock file can be written by every user of the system: its text only serves the message, and is taken as hearsay.
"""

from __future__ import annotations

import os
import re
import shlex
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

TEXT_MAX = 4096
_SHOWN = 200

_PROC = Path("/proc")


def told_by_holder(resource: str, facts: Mapping[str, str]) -> bytes:
    """The text of a lock file: process, resource, when that process began, and `facts`, one a line."""
    pid = os.getpid()
    lines = [f"{pid} {resource}", f"began {began(pid) or ''}".rstrip()]
    lines += [f"{name}: {' '.join(fact.split())}" for name, fact in facts.items() if fact]
    return ("\n".join(lines) + "\n").encode("utf-8", "replace")[:TEXT_MAX]


def now() -> str:
    """The moment, as a lock file has it."""
    return f"{datetime.now(UTC):%Y-%m-%d %H:%M:%S} UTC"


def holder_named(text: bytes) -> str:
    """ "process 4711 (stuckpin run plan.toml, since …, bench file …)", from the text of a lock that is held."""
    lines = text.decode("utf-8", "replace").splitlines()
    pid, start, facts = _read(lines)
    if pid is None:
        return "another process"
    if pid == os.getpid():
        return "this process itself"
    if not _is_that_process(pid, start):
        guard = f", process {facts['guard']}," if facts.get("guard", "").isdecimal() else ""
        return (
            f"the guard of process {pid}, which has ended: the guard{guard} makes the instruments safe; "
            "try again in some seconds"
        )
    said = [command(pid), *(f"{name} {fact}" for name, fact in facts.items() if name != "guard")]
    said = [each for each in said if each]
    return f"process {pid} ({', '.join(said)})" if said else f"process {pid}"


def began(pid: int) -> str | None:
    """When a process began, in the system's own count (field 22 of /proc/<pid>/stat); None where it does not tell."""
    try:
        fields = (_PROC / str(pid) / "stat").read_text(encoding="utf-8", errors="replace").rpartition(")")[2].split()
    except OSError:
        return None
    # The state comes right behind the name. A zombie holds nothing any more: to the system it has ended.
    return None if len(fields) < 20 or fields[0] == "Z" else fields[19]


def command(pid: int) -> str:
    """The command line of a process, cut where it is long; empty where the system does not tell."""
    try:
        raw = (_PROC / str(pid) / "cmdline").read_bytes()[:TEXT_MAX]
    except OSError:
        return ""
    words = [word.decode("utf-8", "replace") for word in raw.split(b"\0") if word]
    return _plain(shlex.join(words))


def _read(lines: list[str]) -> tuple[int | None, str, dict[str, str]]:
    first = re.match(r"([0-9]{1,10}) ", lines[0]) if lines else None
    if first is None:
        return None, "", {}
    start = lines[1].removeprefix("began").strip() if len(lines) > 1 else ""
    facts = {}
    for line in lines[2:]:
        name, colon, fact = line.partition(": ")
        if colon:
            facts[_plain(name)] = _plain(fact)
    return int(first[1]), start, facts


def _is_that_process(pid: int, start: str) -> bool:
    """Whether the process that wrote the text is still there; its number may be another's by now."""
    if not (_PROC / "self" / "stat").exists():
        return True
    found = began(pid)
    return found is not None and found == (start or found)


def _plain(text: str) -> str:
    shown = "".join(letter if letter.isprintable() else "?" for letter in text)
    return shown if len(shown) <= _SHOWN else f"{shown[: _SHOWN - 1]}…"
