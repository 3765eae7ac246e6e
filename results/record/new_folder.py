"""A new folder of its own for each run: its name, and its place on the disk."""

from __future__ import annotations

import contextlib
import re
import unicodedata
from collections.abc import Iterable
from pathlib import Path

from results.errors import StorageError
from results.record.durable import sync_folder

_UNIT_BYTES = 80
"""Of a unit's name in a folder's name: with the time before it, far below the 255 that file systems allow."""


def safe_name(unit: str) -> str:
    """A unit's name as it may stand in a folder's name on every system: letters, digits, `.`, `-`, `_`."""
    name = re.sub(r"[^\w.-]+", "-", unicodedata.normalize("NFC", unit)).strip(".-")
    # A name ends neither in a dot (Windows drops it) nor in half a letter.
    return name.encode()[:_UNIT_BYTES].decode(errors="ignore").rstrip(".-") or "unit"


def new_folder(parent: Path, name: str) -> Path:
    """Make a folder of that name in `parent` (made if missing), or of that name and a number: never one that exists.

    When this returns its name lasts. Raises StorageError.
    """
    path = parent / name
    attempt = 1
    try:
        parent.mkdir(parents=True, exist_ok=True)
        while True:
            try:
                path.mkdir()
            except FileExistsError:
                attempt += 1
                path = parent / f"{name}_{attempt}"
                continue
            break
        try:
            sync_folder(parent)
            with contextlib.suppress(PermissionError):  # to list it may not be ours to do
                sync_folder(parent.resolve().parent)  # in which `parent` itself may be new
        except OSError:
            remove_folder(path, ())
            raise
        return path
    except OSError as exc:
        raise StorageError(f"{parent}: cannot make a run folder: {exc.strerror}") from exc


def remove_folder(path: Path, names: Iterable[str]) -> None:
    """Take away a folder that could not be made whole, as far as the disk lets it."""
    with contextlib.suppress(OSError):
        for name in names:
            (path / name).unlink(missing_ok=True)
        path.rmdir()
