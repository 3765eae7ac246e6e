"""manifest.sha256: the SHA-256 of every file of the evidence, in the format that `sha256sum --check` reads.

derived.sha256 is the same of the files that were derived from it last.
"""

from __future__ import annotations

import errno
import hashlib
import os
import re
from collections.abc import Sequence
from pathlib import Path

from results.errors import RecordError
from results.record.bounds import FILE_BYTES, MANIFEST_BYTES
from results.record.durable import write_whole
from results.record.plain_file import open_plain, read_plain

NAME = "manifest.sha256"
DERIVED = "derived.sha256"
EVIDENCE = ("plan.toml", "bench.toml", "run.json", "journal.jsonl", "traces.parquet")
_LINE = re.compile(r"([0-9a-f]{64}) [ *](.+)")


def write(folder: Path, files: Sequence[str] = EVIDENCE, name: str = NAME) -> None:
    """Write the manifest of these files of a folder. Raises RecordError if one of them cannot be read."""
    try:
        lines = [f"{_digest(folder / file)}  {file}\n" for file in files]
    except OSError as exc:
        raise RecordError(f"{exc.filename}: cannot be read: {exc.strerror}") from exc
    write_whole(folder / name, "".join(lines).encode())


def verify(folder: Path, files: Sequence[str] = EVIDENCE, name: str = NAME) -> list[str]:
    """What is wrong with the files of a folder, one line a problem; empty where all are as they were when sealed.

    `files` must stand in the manifest; what else stands in it is checked too.
    """
    try:
        listed, problems = listed_in(folder, name)
    except RecordError as exc:
        return [str(exc)]
    problems += [f"{name}: {file}: not listed" for file in files if file not in listed]
    return problems + [
        f"{file}: {problem}" for file, digest in listed.items() if (problem := difference(folder / file, digest))
    ]


def listed_in(folder: Path, name: str = NAME) -> tuple[dict[str, str], list[str]]:
    """File name -> SHA-256 as a manifest has it, and what is wrong with its lines. Raises RecordError: no manifest."""
    try:
        text = read_plain(folder / name, MANIFEST_BYTES).decode("utf-8")
    except FileNotFoundError as exc:
        raise RecordError(f"{name}: missing" + (": the run was never sealed" if name == NAME else "")) from exc
    except (OSError, UnicodeDecodeError) as exc:
        raise RecordError(f"{name}: cannot be read: {getattr(exc, 'strerror', None) or 'not UTF-8'}") from exc
    problems = []
    listed: dict[str, str] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        match = _LINE.fullmatch(line)
        if match is None or Path(match[2]).name != match[2]:
            problems.append(f"{name}: line {number}: not a SHA-256 and a file of this folder: {line[:100]!r}")
        else:
            listed[match[2]] = match[1]
    return listed, problems


def difference(path: Path, expected: str) -> str:
    """How a file differs from the one of which this is the SHA-256; empty where it does not."""
    try:
        actual = _digest(path)
    except FileNotFoundError:
        return "missing"
    except OSError as exc:
        return f"cannot be read: {exc.strerror}"
    return "" if actual == expected else f"changed since it was sealed: SHA-256 {actual} != {expected}"


def _digest(path: Path) -> str:
    with open_plain(path) as file:
        size = file.seek(0, os.SEEK_END)
        if size > FILE_BYTES:
            raise OSError(errno.EFBIG, f"{size} bytes, more than {FILE_BYTES}", str(path))
        file.seek(0)
        return hashlib.file_digest(file, "sha256").hexdigest()
