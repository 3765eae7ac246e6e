"""Is a run folder what it was? File by file: evidence, lines and samples, and what was derived last."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from results.errors import RecordError
from results.record import manifest
from results.record.run_folder import RunFolder
from results.record.wire_files import damaged_lines, wire_files

FileState = Literal["as sealed", "as written", "changed", "missing", "damaged", "whole", "not sealed", "not listed"]
"""`as sealed`, `as written`: the bytes have the checksum of manifest.sha256, or of derived.sha256. `whole`: no seal
vouches for the file, but all that it says of itself holds. `not sealed`: nothing can be said. `not listed`: it belongs
to neither list."""

WRONG: tuple[FileState, ...] = ("changed", "missing", "damaged")


@dataclass(frozen=True)
class FileFinding:
    """One file of a run folder; `text` says more of it, empty where there is no more to say."""

    name: str
    state: FileState
    text: str = ""

    def __str__(self) -> str:
        name = self.name if self.name.isprintable() else repr(self.name)
        return f"{name}: {self.state}" + (f": {self.text}" if self.text else "")


@dataclass(frozen=True)
class Wholeness:
    """What is known of every file of a run folder. `made` of `planned` trials stand in the journal."""

    sealed: bool
    files: tuple[FileFinding, ...]
    made: int
    planned: int

    @property
    def wrong(self) -> tuple[str, ...]:
        """The names of the files that are not what they were."""
        return tuple(dict.fromkeys(one.name for one in self.files if one.state in WRONG and not self._before(one)))

    @property
    def verdict(self) -> str:
        """One line: whether all is as it was."""
        if self.wrong:
            return f"not as it was: {', '.join(self.wrong)}"
        if not self.sealed:
            made = f"{self.made} of {self.planned} trials made"
            return f"not sealed: {made}, no damage found; no checksum vouches for the other files"
        damaged = dict.fromkeys(one.name for one in self.files if self._before(one))
        return "all as sealed" + (f"; damaged already then: {', '.join(damaged)}" if damaged else "")

    def _before(self, one: FileFinding) -> bool:
        """Whether this is damage in a file that has not changed since it was sealed."""
        as_sealed = FileFinding(one.name, "as sealed")
        return one.state == "damaged" and as_sealed in self.files


def wholeness(path: Path) -> Wholeness:
    """Look at every file of a run folder. Nothing is changed. Raises RecordError where it is none."""
    try:
        folder = RunFolder.open(path)
    except RecordError:
        # A run.json that can no longer be read is a finding, where a seal says that this was a run folder.
        if not (path / manifest.NAME).exists():
            raise
        return Wholeness(True, (*_listed(path, manifest.NAME), *_listed(path, manifest.DERIVED)), 0, 0)
    files = _listed(path, manifest.NAME) if folder.sealed else _unsealed(path)
    made = 0
    try:
        files += _insides(folder)
        made = len({trial.sequence for trial, _ in folder.observations()})
    except RecordError as exc:
        if not any(one.state in WRONG for one in files):  # that the file is gone is said already
            files.append(FileFinding("journal.jsonl", "damaged", str(exc)))
    files += _listed(path, manifest.DERIVED) if (path / manifest.DERIVED).exists() else []
    known = {one.name for one in files} | {manifest.NAME, manifest.DERIVED}
    damaged = {one.name for one in files if one.state == "damaged"}
    files = [one for one in files if one.state != "whole" or one.name not in damaged]
    others = sorted(one.name for one in path.iterdir() if one.name not in known)
    files += [FileFinding(name, "not listed", _why(name, folder.sealed)) for name in others]
    return Wholeness(folder.sealed, tuple(files), made, len(folder.record.planned))


def _listed(path: Path, name: str) -> list[FileFinding]:
    """Every file of a manifest, and every line of it that is none."""
    try:
        listed, problems = manifest.listed_in(path, name)
    except RecordError as exc:
        return [FileFinding(name, "damaged", str(exc))]
    found = [FileFinding(name, "damaged", problem.removeprefix(f"{name}: ")) for problem in problems]
    if name == manifest.NAME:
        found += [FileFinding(file, "missing", f"not in {name}") for file in manifest.EVIDENCE if file not in listed]
    right: FileState = "as sealed" if name == manifest.NAME else "as written"
    for file, digest in listed.items():
        problem = manifest.difference(path / file, digest)
        if not problem:
            found.append(FileFinding(file, right))
        elif problem == "missing":
            found.append(FileFinding(file, "missing"))
        else:
            found.append(FileFinding(file, "changed", problem.partition(": ")[2] or problem))
    return found


def _unsealed(path: Path) -> list[FileFinding]:
    """What stands in a folder that was never sealed, or whose seal is gone."""
    gone = (path / "traces.parquet").exists() and not (path / "samples.raw").exists()
    found = [FileFinding(manifest.NAME, "missing", "the samples are sealed, their seal is gone")] if gone else []
    samples = "traces.parquet" if gone else "samples.raw"
    for name in ("plan.toml", "bench.toml", "run.json", "journal.jsonl", samples):
        state: FileState = "not sealed" if name in ("plan.toml", "bench.toml", "run.json") else "whole"
        found.append(FileFinding(name, state) if (path / name).exists() else FileFinding(name, "missing"))
    for file in wire_files(path):
        damaged = damaged_lines(file)
        found += [FileFinding(file.name, "damaged", text) for text in damaged] or [FileFinding(file.name, "whole")]
    return found


def _insides(folder: RunFolder) -> list[FileFinding]:
    """Lines of the journal and samples of trials that do not fit their own checksums."""
    samples = "samples.raw" if (folder.path / "samples.raw").exists() and not folder.sealed else "traces.parquet"
    found = []
    for problem in folder.damage():
        name, _, text = problem.partition(": ")
        inside = name == "journal.jsonl"
        found.append(FileFinding(name if inside else samples, "damaged", text if inside else problem))
    return found


def _why(name: str, sealed: bool) -> str:
    if name == "samples.raw" and sealed:
        return "left over from sealing, or kept because a line of the journal is damaged"
    if name.endswith(".part"):
        return "left over from a file that was never put in place"
    return ""
