"""plan.toml and bench.toml for a replay: those of the run, with the replay's resources and clock put in."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from harness.errors import UserFileError
from harness.user_file import read_text
from harness.wire_record import CLOCK_ROLE
from results.record.check import FOLDER, sha256_of, write_check
from results.record.run_folder import RunFolder


def write_replay_files(run: Path, folder: Path, resources: Mapping[str, str]) -> tuple[Path, ...]:
    """Write bench.toml, and plan.toml where there is one, into `folder` (made if missing); returns their paths.

    The check of the bench that the run relied upon comes with them, valid until tomorrow: what it measured decides what
    is sent. Raises UserFileError where a file cannot be read or written, or the resources do not fit into it.
    """
    bench = served_bench(read_text(run / "bench.toml"), resources, run / "bench.toml")
    texts = {"bench.toml": bench}
    if (run / "plan.toml").exists():
        texts["plan.toml"] = read_text(run / "plan.toml")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            (folder / name).write_text(text, encoding="utf-8")
    except OSError as exc:
        raise UserFileError(folder, "", f"cannot be written: {exc.strerror}") from exc
    _write_check(run, folder, bench)
    return tuple(folder / name for name in texts)


def served_bench(text: str, resources: Mapping[str, str], path: Path) -> str:
    """A bench file's text with these resources, and pyvisa-py to reach them. All else stays as it is."""
    tables = _tables(text, path)
    for role, resource in resources.items():
        logged = tables.get(role, {}).get("resource")
        if logged is not None:
            text = _value_replaced(text, "resource", logged, resource)
    if (visa := tables.get("bench", {}).get("visa")) is not None:
        text = _value_replaced(text, "visa", visa, "@py")
    if "resource" not in tables.get(CLOCK_ROLE, {}):
        line = f"resource = {json.dumps(resources[CLOCK_ROLE])}\n"
        header = re.search(r"(?m)^[ \t]*\[[ \t]*clock[ \t]*\][^\n]*\n", text)
        if header is not None:
            text = text[: header.end()] + line + text[header.end() :]
        else:
            text = f"{text.rstrip()}\n\n[clock]\n{line}"
    served = _tables(text, path)
    for role, resource in resources.items():
        if served.get(role, {}).get("resource") != resource:
            raise UserFileError(path, f"{role}.resource", "cannot be replaced by the replay's", resource)
    return text


def _value_replaced(text: str, key: str, old: str, new: str) -> str:
    """Every `key = "old"` of a text, in either kind of quotes, with the new value."""
    either = "|".join(re.escape(quoted) for quoted in (json.dumps(old, ensure_ascii=False), f"'{old}'"))
    return re.sub(rf"\b({re.escape(key)}[ \t]*=[ \t]*)(?:{either})", lambda found: found[1] + json.dumps(new), text)


def _tables(text: str, path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise UserFileError(path, "", f"not TOML: {exc}") from exc


def _write_check(run: Path, folder: Path, bench: str) -> None:
    if not (run / "run.json").exists():
        return
    record = RunFolder.open(run).record
    if record.check is None or record.check_state not in ("valid", "failed"):
        return
    until = datetime.now(UTC).replace(microsecond=0) + timedelta(days=1)
    check = replace(record.check, bench_sha256=sha256_of(bench), valid_until_utc=until.isoformat())
    write_check(check, folder / FOLDER)
