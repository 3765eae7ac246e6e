"""The closings of a bench's contacts over all its runs: a small file beside the bench file, kept before each press."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from harness.bench_file import BenchFile
from harness.errors import UserFileError
from harness.user_file import read_text
from results.errors import RecordError
from results.record.contact_count import ContactCount
from results.record.durable import write_whole

ENDING = ".contacts.json"
"""`bench.toml` has `bench.contacts.json` beside it."""

FORMAT = 1
MOST_CLOSINGS = 10**15


@dataclass(frozen=True)
class Kept:
    """What the file holds: the closings of each contact, and those of the run that wrote it last."""

    closings: Mapping[str, int] = field(default_factory=dict)
    run: str = ""
    of_run: Mapping[str, int] = field(default_factory=dict)


class ContactLedger:
    """Reads and writes the file. A bench whose file is not on the disk (a text alone) has none: it counts by itself."""

    def __init__(self, file: BenchFile, tell: Callable[[str], None]) -> None:
        """Reads nothing yet: see begin."""
        bench = Path(file.path).absolute()
        self.path: Path | None = bench.with_name(bench.stem + ENDING) if bench.is_file() else None
        self._limits = file.driver_limits()
        self._is_limited = self._limits.contact_life is not None or bool(self._limits.contact_lives)
        self._wires = {str(channel): wire for wire, channel in file.driver_wiring().wires()}
        self._tell = tell
        self._is_known = True
        self._run = ""
        self._earlier: dict[str, int] = {}
        self._session: dict[str, int] = {}
        self._kept = Kept()

    @property
    def before(self) -> Mapping[str, int]:
        """The closings of each contact before this session."""
        return self._kept.closings

    def begin_run(self, run: str, recorded: Iterable[ContactCount] = ()) -> None:
        """What closes counts as closed in this run, also what has closed since the bench was opened.

        `recorded`: what a run that goes on has in its record already; where it was killed, the file knows more.
        """
        self._run = run
        self._earlier = {count.contact: count.closings for count in recorded}
        if self._kept.run == run:
            self._earlier = dict(self._kept.of_run)

    def keep(self, closings: Mapping[str, int]) -> None:
        """Bring the closings of this session to the disk. Raises UserFileError where that fails and a life counts."""
        self._session = dict(closings)
        if self.path is None or not self._is_known:
            return
        total = _added(self._kept.closings, self._session)
        whole = {
            "format": FORMAT,
            "closings": dict(sorted(total.items())),
            "run": self._run,
            "of_run": dict(sorted(_added(self._earlier, self._session).items())) if self._run else {},
        }
        try:
            write_whole(self.path, (json.dumps(whole, indent=1) + "\n").encode())
        except RecordError as exc:
            self._lost(str(exc))

    def counts(self) -> tuple[ContactCount, ...]:
        """Every contact of the bench, in the order of its file."""
        of_run, total = _added(self._earlier, self._session), _added(self._kept.closings, self._session)
        is_known = self.path is not None and self._is_known
        return tuple(
            ContactCount(
                contact,
                wire,
                of_run.get(contact, 0),
                total.get(contact, 0) if is_known else None,
                self._limits.life_of(contact),
            )
            for contact, wire in self._wires.items()
        )

    def notes(self) -> list[str]:
        """One line for each contact that is near the end of its life."""
        return [
            f"{one.contact} ({one.wire}) has closed {one.closings_total} times, {one.life_share:.0%} of "
            f"limits.contact_life of {one.life}"
            for one in self.counts()
            if one.is_near_its_end
        ]

    def begin(self) -> None:
        """Read what was counted before, and see whether the file can be written; the bench is claimed by now.

        Raises UserFileError where the file is damaged or cannot be written and a life is limited: nothing may be
        pressed then. Without such a limit it is told, and contacts are counted in this run only.
        """
        if self.path is None:
            return
        try:
            self._kept = read_kept(self.path)
        except UserFileError as exc:
            self._lost(str(exc))
            return
        self._run, self._earlier = self._kept.run, dict(self._kept.of_run)
        self.keep({})
        self._run, self._earlier = "", {}
        for note in self.notes():
            self._tell(note)

    def _lost(self, why: str) -> None:
        self._is_known = False
        if self._is_limited:
            rule = "nothing is pressed: limits.contact_life counts closings over all runs"
            raise UserFileError(self.path or "", "", f"{rule}: {why.removeprefix(f'{self.path}: ')}")
        self._tell(f"{why}: contacts are counted in this run only")


def read_kept(path: Path) -> Kept:
    """The file of a bench's contacts; nothing where there is none. Raises UserFileError where it is damaged."""
    if not path.exists():
        return Kept()
    text = read_text(path)
    try:
        whole = json.loads(text)
    except (ValueError, RecursionError) as exc:
        raise UserFileError(
            path, "", f"is damaged (no JSON: {exc}): put it right, or remove it to count from 0"
        ) from exc
    if not isinstance(whole, dict) or whole.get("format") != FORMAT or not isinstance(whole.get("run", ""), str):
        raise UserFileError(path, "", "is damaged (not in this format): put it right, or remove it to count from 0")
    return Kept(_closings(path, whole, "closings"), whole.get("run", ""), _closings(path, whole, "of_run"))


def _closings(path: Path, whole: Mapping[str, object], key: str) -> dict[str, int]:
    found = whole.get(key, {})
    if not isinstance(found, dict):
        raise UserFileError(path, key, "is damaged (no table): put it right, or remove the file to count from 0")
    for contact, closings in found.items():
        if isinstance(closings, bool) or not isinstance(closings, int) or not 0 <= closings <= MOST_CLOSINGS:
            rule = f"must be 0 to {MOST_CLOSINGS} closings: put it right, or remove the file to count from 0"
            raise UserFileError(path, f"{key}.{contact}", rule, repr(closings))
    return dict(found)


def _added(one: Mapping[str, int], other: Mapping[str, int]) -> dict[str, int]:
    return {contact: one.get(contact, 0) + other.get(contact, 0) for contact in (*one, *other)}
