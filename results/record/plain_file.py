"""Files as data of strangers: read only where they are plain files, and no further than their bound.

A named pipe would be waited for without an end, a device may never end, a link may lead out of the folder, and what is
written through a link that somebody planted overwrites a file elsewhere.
"""

from __future__ import annotations

import errno
import os
import stat
from io import BufferedReader, FileIO
from pathlib import Path

_NOT_THROUGH_LINKS = getattr(os, "O_NOFOLLOW", 0)
_READ = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
_WRITE = os.O_WRONLY | os.O_CREAT | os.O_EXCL | _NOT_THROUGH_LINKS | getattr(os, "O_BINARY", 0)
_GROW = os.O_RDWR | _NOT_THROUGH_LINKS | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)


def open_plain(path: Path, *, links: bool = False) -> BufferedReader:
    """An existing plain file, opened for reading. Raises OSError; also where it is no plain file, or (unless `links`)
    is a link."""
    return os.fdopen(_plain(path, _READ | (0 if links else _NOT_THROUGH_LINKS)), "rb")


def open_growing(path: Path) -> FileIO:
    """An existing plain file, opened unbuffered to be added to. Raises OSError as `open_plain`."""
    return os.fdopen(_plain(path, _GROW), "r+b", buffering=0)


def open_fresh(path: Path) -> FileIO:
    """A new file in place of whatever stands there, which is removed and not written through; unbuffered. Raises
    OSError."""
    path.unlink(missing_ok=True)
    return os.fdopen(os.open(path, _WRITE, 0o666), "wb", buffering=0)


def read_plain(path: Path, most: int, *, links: bool = False) -> bytes:
    """All bytes of a plain file. Raises OSError as `open_plain`; also where it holds more than `most` bytes."""
    with open_plain(path, links=links) as file:
        data = file.read(most + 1)
    if len(data) > most:
        raise OSError(errno.EFBIG, f"must not be larger than {most} bytes", str(path))
    return data


def _plain(path: Path, flags: int) -> int:
    try:
        descriptor = os.open(path, flags)
    except OSError as exc:
        if exc.errno == errno.ELOOP and flags & _NOT_THROUGH_LINKS:
            raise OSError(errno.ELOOP, "is a link, which may lead out of the folder", str(path)) from exc
        raise
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise OSError(errno.EINVAL, "is not a regular file", str(path))
    return descriptor
