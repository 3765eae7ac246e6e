"""The files of a wire log in a run folder, wire-0001.jsonl and on: written capped and rotating, read with what is gone.

At most FILES files of FILE_BYTES each are kept; the oldest is removed. Every line is written at once, unbuffered, so
that it survives the end of the program, however it comes; it is not brought to the disk (fsync) each time, so that the
end of the computer itself may take the last lines.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from results.errors import RecordError
from results.record.wire_line import WireHeader, WireLine, read_line

FILES = 8
FILE_BYTES = 4 * 1024 * 1024

_READ_FILES = 1000
_READ_BYTES = 64 * 1024 * 1024
"""A stranger's folder: no more files, and none larger, are read."""

_NAME = re.compile(r"wire-(\d{4,9})\.jsonl")


def wire_files(folder: Path) -> list[Path]:
    """The wire log's files of a folder, oldest first. Raises RecordError where the folder cannot be read."""
    try:
        found = {int(match[1]): path for path in folder.iterdir() if (match := _NAME.fullmatch(path.name))}
    except OSError as exc:
        raise RecordError(f"{folder}: cannot be read: {exc.strerror}") from exc
    return [path for _, path in sorted(found.items())]


def number_of(path: Path) -> int:
    """Of a wire log's file."""
    match = _NAME.fullmatch(path.name)
    return int(match[1]) if match else 0


class WireFiles:
    """Writes the files of one folder, on from those that are there. `header` makes the first line of file n.

    Every method raises OSError where the disk does not take it; what was half written is then cut off.
    """

    def __init__(
        self, folder: Path, header: Callable[[int], bytes], *, files: int = FILES, file_bytes: int = FILE_BYTES
    ) -> None:
        self._folder = folder
        self._header = header
        self._files = files
        self._file_bytes = file_bytes
        there = wire_files(folder)
        self._number = number_of(there[-1]) if there else 0
        self._size = 0
        self._handle: int | None = None

    def append(self, line: bytes) -> None:
        """Add one line, in a new file where the newest is full."""
        if self._handle is None or self._size + len(line) > self._file_bytes:
            self._begin()
        self._write(line)

    def close(self) -> None:
        """Close; a second call does nothing."""
        if self._handle is not None:
            handle, self._handle = self._handle, None
            os.close(handle)

    def _begin(self) -> None:
        """The next file, and the oldest gone: first, so that no more than stated are ever kept."""
        self.close()
        for old in wire_files(self._folder)[: 1 - self._files or None]:
            old.unlink(missing_ok=True)
        self._number += 1
        path = self._folder / f"wire-{self._number:04d}.jsonl"
        self._handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND, 0o666)
        self._size = 0
        self._write(self._header(self._number))

    def _write(self, line: bytes) -> None:
        assert self._handle is not None
        try:
            rest = memoryview(line)
            while rest:
                # os.write may take only a part, as on a disk that is nearly full.
                rest = rest[os.write(self._handle, rest) :]
        except OSError:
            with contextlib.suppress(OSError):
                os.ftruncate(self._handle, self._size)
            raise
        self._size += len(line)


@dataclass(frozen=True)
class Session:
    """What is left of one time that the run was begun or resumed: its newest header, and its lines in order."""

    header: WireHeader
    lines: tuple[WireLine, ...]


@dataclass(frozen=True)
class WireLog:
    """A wire log as far as it can be read. `gone`: what is not there, a line of text each, with numbers and times."""

    sessions: tuple[Session, ...]
    gone: tuple[str, ...]


def read_wire_log(folder: Path) -> WireLog:
    """All sessions of a folder, oldest first; none where there is no wire log. Raises RecordError only where the folder
    itself cannot be read: a damaged file or line stands in `gone`."""
    reading = _Reading([], [])
    for path in wire_files(folder)[:_READ_FILES]:
        reading.file(path)
    return WireLog(tuple(Session(header, tuple(lines)) for header, lines in reading.sessions), tuple(reading.gone))


def newest(folder: Path) -> tuple[int, int]:
    """Number of the newest session of a folder and of its newest message; 0 and 0 where there is no wire log."""
    for path in reversed(wire_files(folder)):
        reading = _Reading([], [])
        reading.file(path)
        if reading.sessions:
            header = reading.sessions[-1][0]
            return header.session, max(reading.last, header.first - 1)
    return 0, 0


def damaged_lines(path: Path) -> list[str]:
    """What is damaged in one file, a line of text each. A line that was cut off as the program ended is no damage."""
    reading = _Reading([], [])
    reading.file(path)
    return reading.damaged


@dataclass
class _Reading:
    """How far the reading has come. `last`: the newest line's number, and its time as a text."""

    sessions: list[tuple[WireHeader, list[WireLine]]]
    gone: list[str]
    damaged: list[str] = field(default_factory=list)
    last: int = 0
    last_at: str = "the beginning"

    def file(self, path: Path) -> None:
        try:
            if path.stat().st_size > _READ_BYTES:
                self._damaged(path, f"not read: larger than {_READ_BYTES} bytes")
                return
            data = path.read_bytes()
        except OSError as exc:
            self._damaged(path, f"cannot be read: {exc.strerror}")
            return
        *lines, cut = data.split(b"\n")
        header: WireHeader | None = None
        for number, text in enumerate(lines, start=1):
            try:
                line = read_line(text)
            except ValueError as exc:
                self._damaged(path, f"line {number}: {exc}")
                continue
            if isinstance(line, WireHeader):
                header = line
                self._header(line)
            elif header is None:
                self._damaged(path, f"line {number}: before any header")
            else:
                self._line(line)
        if cut:
            self.gone.append(f"{path.name}: cut off after message {self.last} at {self.last_at}: the run ended there")

    def _damaged(self, path: Path, text: str) -> None:
        self.damaged.append(text)
        self.gone.append(f"{path.name}: {text}")

    def _header(self, header: WireHeader) -> None:
        if not self.sessions or self.sessions[-1][0].session != header.session:
            self.sessions.append((header, []))
        else:
            self.sessions[-1] = (header, self.sessions[-1][1])

    def _line(self, line: WireLine) -> None:
        header, lines = self.sessions[-1]
        at = f"{line.time_s:.3f} s of session {header.session} (begun {header.begun_utc})"
        if line.number <= self.last:
            self.gone.append(f"message {line.number} at {at}: out of order, left out")
            return
        if line.number > self.last + 1:
            self.gone.append(f"messages {self.last + 1} to {line.number - 1}: from {self.last_at} to {at}")
        self.last, self.last_at = line.number, at
        lines.append(line)
