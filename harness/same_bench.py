"""Is it the bench, and the unit, that the run began with? Asked of the opened bench, before the run goes on."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from drivers.errors import InstrumentError
from results.record.happening import Happening
from results.record.plain_file import read_plain
from results.record.run_folder import JOURNAL, RunFolder
from results.record.run_record import RunRecord

Identities = Mapping[str, tuple[str, str]]
"""Role -> address and identity, as the opened bench found them."""

REPORT_MOST = 1_000_000
"""Bytes of a report of the guard that are read: it names a handful of instruments."""

NAMED = 3
"""Maker, model and serial: the fields of an identity that make an instrument; the fourth is its firmware (IEEE 488.2,
10.14)."""


def refuse_another_instrument(record: RunRecord, identities: Identities) -> None:
    """Raises InstrumentError where an instrument is not that of the record, or the board's console another unit's."""
    for was in record.instruments:
        resource, identity = identities.get(was.role, (was.resource, ""))
        if _who(was.role, identity) != _who(was.role, was.identity):
            what = "another unit" if was.role == "board" else "another instrument"
            rule = f"{what} than the run began with: answers {identity!r}, the run has {was.identity!r}"
            raise InstrumentError(rule, resource=resource)


def changed_in_place(record: RunRecord, identities: Identities) -> Iterator[str]:
    """Of the same instruments: another address, another firmware."""
    for was in record.instruments:
        resource, identity = identities.get(was.role, (was.resource, was.identity))
        if resource != was.resource:
            yield f"{was.role}: now at {resource}, was at {was.resource}"
        if identity != was.identity:
            yield f"{was.role}: now answers {identity!r}, answered {was.identity!r}"


def interruption(folder: RunFolder, guard_report: Path) -> str:
    """How the run ended before, as far as anything tells it: the run itself, and its guard where that had to act."""
    happenings = folder.happenings()
    reason = "nothing says why it ended (killed, crashed, or without power)"
    if happenings and happenings[-1].kind == "ended early":
        reason = f"it had ended early: {happenings[-1].text}"
    guard = _guard_text(guard_report, folder)
    return f"{reason}; {guard}" if guard else reason


def resumed_now(folder: RunFolder, before: str, notes: Sequence[str]) -> Happening:
    """The line of the journal that says when, for the how many-th time, and after what a run goes on."""
    done, planned = folder.done(), folder.record.planned
    first = next((trial.sequence for trial in planned if trial.sequence not in done), 0)
    number = 1 + sum(one.kind == "resumed" for one in folder.happenings())
    made = f"{len(done)} of {len(planned)} trials were made"
    text = "; ".join([f"resumed ({number}): {made}", before, *notes])
    return Happening("resumed", datetime.now(UTC).isoformat(timespec="seconds"), text, sequence=first)


def _who(role: str, identity: str) -> tuple[str, ...]:
    """The board's console answers any text, all of which may tell the unit."""
    if role == "board":
        return (identity,)
    return tuple(field.strip() for field in identity.split(",")[:NAMED])


def _guard_text(path: Path, folder: RunFolder) -> str:
    """What the guard of the interrupted run did; empty where its report is missing, no report, or of an earlier run."""
    with suppress(OSError, ValueError, AttributeError, RecursionError):
        if path.stat().st_mtime >= (folder.path / JOURNAL).stat().st_mtime:
            told = json.loads(read_plain(path, REPORT_MOST))
            left = told.get("not_verified") or {}
            done = "made everything safe"
            if left:
                done = "could not verify as safe: " + "; ".join(f"{name}: {why}" for name, why in left.items())
            return f"its guard ({told.get('reason')}) {done}"
    return ""
