"""Bytes that are on the disk when a call returns: whole files, and files that only grow."""

from __future__ import annotations

import contextlib
import errno
import os
from pathlib import Path

from results.errors import RecordError, StorageError
from results.record.plain_file import open_fresh, open_growing


def write_whole(path: Path, data: bytes) -> None:
    """Put a file in place whole or not at all: `.part`, fsync, rename, fsync of the folder. Raises StorageError."""
    part = part_of(path)
    try:
        # Unbuffered, as in GrowingFile: nothing may be left to be written by a close.
        with open_fresh(part) as file:
            write_all(file.fileno(), data)
            os.fsync(file.fileno())
    except OSError as exc:
        with contextlib.suppress(OSError):  # where nothing can be written, nothing may be removable either
            part.unlink(missing_ok=True)
        raise StorageError(f"{path}: cannot write {len(data)} bytes: {exc.strerror}") from exc
    put_in_place(path)


def write_derived(path: Path, data: bytes) -> None:
    """Replace a file that can be made again, once all of it is written. Raises RecordError."""
    part = part_of(path)
    try:
        with open_fresh(part) as file:
            write_all(file.fileno(), data)
        part.replace(path)
    except OSError as exc:
        raise RecordError(f"{path}: cannot be written: {exc.strerror or exc}") from exc


def part_of(path: Path) -> Path:
    """The name under which a file is written before it is put in place."""
    return path.with_name(f"{path.name}.part")


def put_in_place(path: Path) -> None:
    """Rename the finished `.part` of a file to the file, for good. Raises StorageError."""
    try:
        part_of(path).replace(path)
        sync_folder(path.parent)
    except OSError as exc:
        raise StorageError(f"{path}: cannot put in place: {exc.strerror}") from exc


def sync_folder(folder: Path) -> None:
    """Make names in a folder (new, renamed, removed files) last. Raises OSError.

    Windows has no such call, and some network drives refuse it for a folder: there it does nothing.
    """
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as exc:
        if exc.errno not in _NO_SUCH_CALL:
            raise
    finally:
        os.close(handle)


_NO_SUCH_CALL = (errno.EINVAL, errno.ENOSYS, errno.ENOTSUP)


class GrowingFile:
    """A file that only grows, by whole pieces, each on the disk when `append` returns.

    It is opened for each piece and unbuffered: after a full disk a buffered file would write its leftovers past the
    truncation. `end` is the number of bytes that count; it is the size of the file at construction.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            with open_growing(path) as file:
                self.end = file.seek(0, os.SEEK_END)
        except OSError as exc:
            raise StorageError(f"{path}: cannot be opened: {exc.strerror}") from exc

    def append(self, data: bytes) -> int:
        """Add one piece; returns the offset at which it starts.

        Raises StorageError if it could not be written whole (the file is then cut to what it was before), RecordError
        if somebody else has changed the file in the meantime.
        """
        offset = self.end
        try:
            with open_growing(self.path) as file:
                size = file.seek(0, os.SEEK_END)
                if size != offset:
                    raise RecordError(f"{self.path}: changed by somebody else: {size} bytes, expected {offset}")
                try:
                    write_all(file.fileno(), data)
                    os.fsync(file.fileno())
                except OSError:
                    with contextlib.suppress(OSError):  # the first error is the one to tell; a next append finds out
                        os.ftruncate(file.fileno(), offset)
                    raise
        except OSError as exc:
            raise StorageError(f"{self.path}: cannot add {len(data)} bytes at {offset}: {exc.strerror}") from exc
        self.end = offset + len(data)
        return offset

    def cut(self, end: int) -> None:
        """Let the file end at `end`, for good: cut there, or zeros added up to there. Raises StorageError."""
        try:
            with open_growing(self.path) as file:
                os.ftruncate(file.fileno(), end)
                os.fsync(file.fileno())
        except OSError as exc:
            raise StorageError(f"{self.path}: cannot cut at {end}: {exc.strerror}") from exc
        self.end = end


def write_all(handle: int, data: bytes) -> None:
    """os.write may take only a part of what it is given, as on a disk that is nearly full."""
    rest = memoryview(data)
    while rest:
        rest = rest[os.write(handle, rest) :]
