"""One bench, one run: a lock file a resource, which names its holder.

The lock is the kernel's (flock, msvcrt), so it ends with its process however that ends; the text in the file only
serves the message. The files stay: removing one that another process is about to lock would give two holders.
"""

from __future__ import annotations

import hashlib
import os
import re
import sys
import tempfile
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from types import TracebackType

from drivers.errors import LinkError

_LOCK_AT = 1 << 20
"""Windows locks bytes, not files, and a locked byte cannot be read: this one lies beyond the text."""

_TEXT_MAX = 4096


class Claim:
    """The locks of all resources of one run, held until closed. Use as a context manager, or close()."""

    def __init__(self, descriptors: dict[str, int]) -> None:
        self._descriptors = descriptors

    @property
    def resources(self) -> tuple[str, ...]:
        return tuple(self._descriptors)

    @property
    def descriptors(self) -> tuple[int, ...]:
        """The open lock files: a process that inherits them holds the claim too, for as long as it lives (POSIX)."""
        return tuple(self._descriptors.values())

    def close(self) -> None:
        """Let go of everything; a second call does nothing."""
        while self._descriptors:
            _, descriptor = self._descriptors.popitem()
            # The text goes first: nobody shall be named who holds nothing.
            with suppress(OSError):
                os.ftruncate(descriptor, 0)
            os.close(descriptor)

    def __enter__(self) -> Claim:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def claim(resources: Iterable[str], directory: Path | None = None) -> Claim:
    """Lock every resource, or none. `directory` holds the lock files; by default one that all users of the system
    share.

    Raises LinkError naming the process that holds a resource, or what keeps the lock file from being written.
    """
    folder = Path(tempfile.gettempdir()) / "stuckpin-claims" if directory is None else directory
    held = Claim({})
    try:
        for resource in dict.fromkeys(resources):
            held._descriptors[resource] = _locked(resource, folder)
    except BaseException:
        held.close()
        raise
    return held


def lock_name(resource: str) -> str:
    """The lock file's name: the same for every spelling of one address."""
    same = resource.strip()
    if Path(same).exists():
        # /dev/serial/by-id/... and /dev/ttyACM0 may be one port.
        same = str(Path(same).resolve())
    else:
        same = re.sub(r"^(tcpip|gpib|usb|asrl)::", r"\g<1>0::", same.casefold())
    readable = re.sub(r"[^A-Za-z0-9]+", "-", same).strip("-")[:40]
    return f"{readable}-{hashlib.sha256(same.encode()).hexdigest()[:12]}.lock"


def _locked(resource: str, folder: Path) -> int:
    path = folder / lock_name(resource)
    try:
        _make_shared(folder)
        descriptor = _open_shared(path)
    except OSError as exc:
        raise LinkError(f"its lock file cannot be opened: {exc}", resource=resource) from exc
    try:
        if not _try_lock(descriptor):
            raise LinkError(f"in use by {_holder(descriptor)} (lock file {path})", resource=resource)
        text = f"{os.getpid()} {resource}\n".encode()
        os.ftruncate(descriptor, 0)
        os.lseek(descriptor, 0, os.SEEK_SET)
        os.write(descriptor, text[:_TEXT_MAX])
    except BaseException:
        os.close(descriptor)
        raise
    return descriptor


def _make_shared(folder: Path) -> None:
    """A folder in which every user of the system may lock, and none may remove another's file."""
    if not folder.is_dir():
        folder.mkdir(parents=True, exist_ok=True)
        folder.chmod(0o1777)


def _open_shared(path: Path) -> int:
    # Not through a link that somebody else laid there.
    flags = os.O_RDWR | getattr(os, "O_NOFOLLOW", 0)
    try:
        # First without creating: in a shared folder the kernel may refuse O_CREAT for a file of another user.
        return os.open(path, flags)
    except FileNotFoundError:
        descriptor = os.open(path, flags | os.O_CREAT, 0o666)
        # The umask has narrowed the mode; only its owner, this process, may widen it again.
        with suppress(OSError):
            path.chmod(0o666)
        return descriptor


def _holder(descriptor: int) -> str:
    os.lseek(descriptor, 0, os.SEEK_SET)
    pid = os.read(descriptor, _TEXT_MAX).decode(errors="replace").partition(" ")[0]
    if not pid.isdecimal():
        return "another process"
    return "this process itself" if int(pid) == os.getpid() else f"process {pid}"


if sys.platform == "win32":
    import msvcrt

    def _try_lock(descriptor: int) -> bool:
        os.lseek(descriptor, _LOCK_AT, os.SEEK_SET)
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:
    import fcntl

    def _try_lock(descriptor: int) -> bool:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True
