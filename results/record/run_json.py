"""run.json as text: written from a record, and read into one that a bench could have made."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from results.errors import RecordError
from results.record.record_rules import unsound_record
from results.record.run_record import FORMAT, RunRecord

_ADAPTER: TypeAdapter[RunRecord] = TypeAdapter(RunRecord)


def as_json(record: RunRecord) -> str:
    """The text of run.json."""
    return json.dumps(asdict(record), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def from_json(text: str, path: Path | str = "run.json") -> RunRecord:
    """Read run.json. Raises RecordError naming the first key that is wrong."""
    try:
        raw: Any = json.loads(text)
    except json.JSONDecodeError as exc:
        raise RecordError(f"{path}: line {exc.lineno}: not JSON: {exc.msg}") from exc
    except ValueError as exc:
        raise RecordError(f"{path}: not JSON: a number of thousands of digits") from exc
    except RecursionError as exc:
        raise RecordError(f"{path}: not JSON: nested too deeply") from exc
    if not isinstance(raw, dict):
        raise RecordError(f"{path}: must be a JSON object: {repr(raw)[:80]}")
    if isinstance(raw.get("format"), int) and raw["format"] > FORMAT:
        raise RecordError(f"{path}: format: written by a newer stuckpin: {raw['format']} > {FORMAT}")
    try:
        record = _ADAPTER.validate_python(raw)
    except ValidationError as exc:
        first = exc.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise RecordError(f"{path}: {where}: {first['msg']}: {repr(first.get('input'))[:80]}") from exc
    problem = unsound_record(record)
    if problem:
        raise RecordError(f"{path}: {problem}")
    return record
