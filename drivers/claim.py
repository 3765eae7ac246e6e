"""One bench, one run: a lock file a resource, which names its holder.

The lock is the kernel's (flock, msvcrt), so it ends with its process however that ends; the text in the file only
serves the message, and that of a process that is gone means nothing. The files stay: they are few, and one that is
removed while another process is about to lock it needs care, which only those of pseudo-terminals and run folders get.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
import sys
import tempfile
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

from drivers.address import address_key, address_keys, is_passing
from drivers.errors import LinkError
from drivers.holder import TEXT_MAX, holder_named, now, told_by_holder

_LOCK_AT = 1 << 20
"""Windows locks bytes, not files, and a locked byte cannot be read: this one lies beyond the text."""

_TRIES = 20
"""How often a lock file is opened anew that was removed between opening and locking it."""


@dataclass(frozen=True)
class _Lock:
    """One locked file; `passing`: it is removed with the claim, because its key never comes again."""

    resource: str
    descriptor: int
    path: Path
    passing: bool


class Claim:
    """The locks of all resources of one run, held until closed. Use as a context manager, or close()."""

    def __init__(self, facts: Mapping[str, str] | None = None) -> None:
        self._locks: dict[str, _Lock] = {}
        self._facts = {"since": now(), **(facts or {})}

    @property
    def resources(self) -> tuple[str, ...]:
        """What is claimed, each as it was first written."""
        return tuple(dict.fromkeys(lock.resource for lock in self._locks.values()))

    @property
    def descriptors(self) -> tuple[int, ...]:
        """The open lock files: a process that inherits them holds the claim too, for as long as it lives (POSIX)."""
        return tuple(lock.descriptor for lock in self._locks.values())

    def tell(self, **facts: str) -> None:
        """Add to what whoever comes second is told of this process: `guard`, the number of the process that guards."""
        self._facts.update(facts)
        for lock in self._locks.values():
            # Nobody's run fails because a message could not be written.
            with suppress(OSError):
                _write(lock, self._facts)

    def add(self, resource: str, folder: Path) -> None:
        """Claim one more. Raises LinkError as `claim`."""
        for key in address_keys(resource):
            if key in self._locks and self._locks[key].resource == resource:
                continue
            lock = _locked(resource, key, folder)
            self._locks[key] = lock
            with suppress(OSError):
                _write(lock, self._facts)

    def close(self) -> None:
        """Let go of everything; a second call does nothing."""
        while self._locks:
            _, lock = self._locks.popitem()
            # The text goes first: nobody shall be named who holds nothing.
            with suppress(OSError):
                os.ftruncate(lock.descriptor, 0)
            if lock.passing:
                # While it is still locked: whoever opened it in the meantime finds that it is gone, and opens anew.
                with suppress(OSError):
                    lock.path.unlink()
            os.close(lock.descriptor)

    def __enter__(self) -> Claim:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def claim(resources: Iterable[str], directory: Path | None = None, *, facts: Mapping[str, str] | None = None) -> Claim:
    """Lock every resource, or none. `directory` holds the lock files; by default one that all users of the system
    share. `facts` are told to whoever comes second: {"bench file": "/home/lab/bench.toml"}.

    Raises LinkError naming the process that holds a resource, or what keeps the lock file from being written.
    """
    folder = _shared_folder() if directory is None else directory
    held = Claim(facts)
    try:
        for resource in dict.fromkeys(resources):
            held.add(resource, folder)
    except BaseException:
        held.close()
        raise
    return held


def lock_name(resource: str) -> str:
    """The lock file's name: the same for every spelling of one address."""
    return _file_name(address_key(resource))


def _file_name(key: str) -> str:
    readable = re.sub(r"[^A-Za-z0-9]+", "-", key).strip("-")[:40]
    return f"{readable}-{hashlib.sha256(key.encode('utf-8', 'surrogateescape')).hexdigest()[:12]}.lock"


def _shared_folder() -> Path:
    """Where every user and every shell of this system looks: TMPDIR differs between them."""
    everybodys = Path("/tmp")
    return (everybodys if everybodys.is_dir() else Path(tempfile.gettempdir())) / "stuckpin-claims"


def _locked(resource: str, key: str, folder: Path) -> _Lock:
    path = folder / _file_name(key)
    for _ in range(_TRIES):
        try:
            _make_shared(folder)
            descriptor = _open_shared(path)
        except OSError as exc:
            raise LinkError(f"its lock file cannot be opened: {exc}", resource=resource) from exc
        try:
            if not _try_lock(descriptor):
                raise LinkError(f"in use by {_holder(descriptor)} (lock file {path})", resource=resource)
            if _is_still(path, descriptor):
                return _Lock(resource, descriptor, path, is_passing(key))
        except OSError as exc:
            os.close(descriptor)
            raise LinkError(f"its lock file cannot be locked: {exc}", resource=resource) from exc
        except BaseException:
            os.close(descriptor)
            raise
        os.close(descriptor)
    raise LinkError(f"its lock file {path} is removed again and again by somebody else", resource=resource)


def _write(lock: _Lock, facts: Mapping[str, str]) -> None:
    os.ftruncate(lock.descriptor, 0)
    os.lseek(lock.descriptor, 0, os.SEEK_SET)
    os.write(lock.descriptor, told_by_holder(lock.resource, facts))


def _is_still(path: Path, descriptor: int) -> bool:
    """Whether the name still leads to the file that was locked."""
    try:
        return os.path.samestat(path.lstat(), os.fstat(descriptor))
    except FileNotFoundError:
        return False


def _make_shared(folder: Path) -> None:
    """A folder in which every user of the system may lock, and none may remove another's file."""
    if folder.is_symlink():
        raise NotADirectoryError(f"{folder} is a link, which somebody else may have laid there")
    if not folder.is_dir():
        folder.mkdir(parents=True, exist_ok=True)
        folder.chmod(0o1777)


def _open_shared(path: Path) -> int:
    # Not through a link that somebody else laid there, and not waiting for the other end of a pipe.
    flags = os.O_RDWR | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    try:
        # First without creating: in a shared folder the kernel may refuse O_CREAT for a file of another user.
        descriptor = os.open(path, flags)
    except FileNotFoundError:
        descriptor = os.open(path, flags | os.O_CREAT, 0o666)
        # The umask has narrowed the mode; only its owner, this process, may widen it again.
        with suppress(OSError):
            path.chmod(0o666)
    found = os.fstat(descriptor)
    if not stat.S_ISREG(found.st_mode) or found.st_nlink > 1:
        os.close(descriptor)
        raise OSError(f"{path} is no file of its own, somebody else may have laid it there")
    return descriptor


def _holder(descriptor: int) -> str:
    os.lseek(descriptor, 0, os.SEEK_SET)
    return holder_named(os.read(descriptor, TEXT_MAX))


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
