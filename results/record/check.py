"""A check of the bench: what was looked at, within which limits, and what came out. A JSON file beside the bench file.

A run takes the newest check of the very bench file that it is given (its SHA-256), and keeps it in its own record.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from pydantic import TypeAdapter, ValidationError

from results.errors import RecordError
from results.record.bounds import CHECK_BYTES
from results.record.durable import write_whole
from results.record.plain_file import read_plain
from results.record.soundness import unsound

CheckVerdict = Literal["pass", "fail", "not determined", "not applicable"]

FOLDER = "checks"
"""The folder beside the bench file that holds its checks."""


@dataclass(frozen=True)
class CheckItem:
    """One thing that was checked.

    `value` in `unit` with standard uncertainty `u`; None where there is no number. `low` and `high`: the limits, None
    where that side has none. `note` says why an item was not determined, and whatever a reader must know of a number.
    """

    name: str
    verdict: CheckVerdict
    value: float | None = None
    unit: str = ""
    u: float | None = None
    low: float | None = None
    high: float | None = None
    note: str = ""


@dataclass(frozen=True)
class InPlace:
    """A resistor as measured in its place, relay contact and wiring included: ohm, with standard uncertainty.

    `wire` as the bench file names it: "press", "rail", "discharge", "fit.8.2 kΩ".
    """

    wire: str
    ohm: float
    u_ohm: float


@dataclass(frozen=True)
class CheckRecord:
    """One check of one bench. Moments are ISO 8601 in UTC.

    `resistors`: as measured. `meter_ohm`, `leakage_s`, `capacitance_f`: the meter's input, and the fixture's leakage
    (siemens) and capacitance (farad), None where not determined; `…_u…` are standard uncertainties.
    """

    bench_name: str
    bench_sha256: str
    checked_utc: str
    valid_until_utc: str
    version: str
    items: tuple[CheckItem, ...]
    resistors: tuple[InPlace, ...] = ()
    meter_ohm: float | None = None
    meter_u_ohm: float | None = None
    leakage_s: float | None = None
    leakage_u_s: float | None = None
    capacitance_f: float | None = None
    capacitance_u_f: float | None = None
    operator: str = ""

    @property
    def failed(self) -> tuple[CheckItem, ...]:
        return tuple(item for item in self.items if item.verdict == "fail")

    def is_expired(self, utc: str) -> bool:
        """Whether the check no longer holds at that moment. Raises ValueError where either is no moment."""
        return datetime.fromisoformat(utc) > datetime.fromisoformat(self.valid_until_utc)


_ADAPTER: TypeAdapter[CheckRecord] = TypeAdapter(CheckRecord)


def sha256_of(text: str) -> str:
    """By what a check knows its bench file: any change of it, a comment too, makes another bench."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def write_check(check: CheckRecord, folder: Path) -> Path:
    """Write a check into a folder, which is made where it is missing. Raises RecordError."""
    moment = datetime.fromisoformat(check.checked_utc).strftime("%Y%m%dT%H%M%SZ")
    path = folder / f"{moment}_{check.bench_sha256[:12]}.json"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise RecordError(f"{folder}: cannot hold checks: {exc.strerror}") from exc
    text = json.dumps(asdict(check), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    write_whole(path, text.encode("utf-8"))
    return path


def read_check(path: Path) -> CheckRecord:
    """Read a check. Raises RecordError in one line where the file is none."""
    try:
        raw: Any = json.loads(read_plain(path, CHECK_BYTES).decode("utf-8"))
        check = _ADAPTER.validate_python(raw)
        datetime.fromisoformat(check.checked_utc)
        check.is_expired(check.checked_utc)
    except OSError as exc:
        raise RecordError(f"{path}: cannot be read: {exc.strerror}") from exc
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError) as exc:
        raise RecordError(f"{path}: not JSON") from exc
    except ValidationError as exc:
        first = exc.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise RecordError(f"{path}: {where}: {first['msg']}: {repr(first.get('input'))[:80]}") from exc
    except (TypeError, ValueError) as exc:
        raise RecordError(f"{path}: checked_utc, valid_until_utc: must be moments with a time zone") from exc
    problem = unsound(check)
    if problem:
        raise RecordError(f"{path}: {problem}")
    return check


def checks_in(folder: Path) -> Iterable[CheckRecord]:
    """Every check of a folder, newest first; none where there is no folder. Raises RecordError for a damaged one."""
    paths = sorted(folder.glob("*Z_*.json")) if folder.is_dir() else []
    return sorted(map(read_check, paths), key=lambda check: datetime.fromisoformat(check.checked_utc), reverse=True)
