"""The run folder: one plan carried out on one unit, from the first trial to the sealed evidence.

During a run it holds plan.toml, bench.toml, run.json, journal.jsonl and the growing samples.raw; sealed, the samples
stand in traces.parquet, and manifest.sha256 vouches for all. A folder is opened for reading without being changed (the
run may still be going on elsewhere); what a crash left behind is cut off before the first write.
"""

from __future__ import annotations

import contextlib
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from results.errors import RecordError
from results.record import bounds, journal, manifest, samples, traces_table
from results.record.durable import GrowingFile, put_in_place, sync_folder, write_whole
from results.record.happening import Happening
from results.record.journal import Entry, Journal
from results.record.new_folder import new_folder, remove_folder, safe_name
from results.record.observation import Observation, Outcome
from results.record.plain_file import read_plain
from results.record.run_json import as_json, from_json
from results.record.run_record import RunRecord
from results.record.soundness import unsound_trace
from results.record.trace import Trace
from results.record.trial import Trial
from results.record.wire_files import wire_files

PLAN, BENCH, RECORD, JOURNAL, TRACES, SAMPLES = (*manifest.EVIDENCE, "samples.raw")


class RunFolder:
    """One run folder. Made by `create` or `open`; every method raises RecordError where a file is not what it says."""

    def __init__(self, path: Path, record: RunRecord) -> None:
        self.path = path
        self._record = record
        self._writers: tuple[GrowingFile, GrowingFile] | None = None
        self._measured: set[int] = set()

    @classmethod
    def create(
        cls, parent: Path, unit: str, record: RunRecord, plan_text: str, bench_text: str, started: datetime
    ) -> RunFolder:
        """A new folder `<UTC time>_<unit>` in `parent` (made if missing), never one that exists.

        `started` must know its time zone. What a folder's name cannot carry is replaced in `unit`. An empty
        `record.run` becomes the name of the folder.
        """
        if started.tzinfo is None:
            raise RecordError(f"started: a time without a time zone: {started.isoformat()}")
        path = new_folder(parent, f"{started.astimezone(UTC):%Y%m%dT%H%M%SZ}_{safe_name(unit)}")
        record = record if record.run else replace(record, run=path.name)
        # run.json last: a folder that has one has all the others.
        files = {PLAN: plan_text, BENCH: bench_text, SAMPLES: "", JOURNAL: "", RECORD: as_json(record)}
        try:
            for name, text in files.items():
                write_whole(path / name, text.encode())
        except RecordError:
            remove_folder(path, files)
            raise
        return cls(path, record)

    @classmethod
    def open(cls, path: Path) -> RunFolder:
        """An existing run folder, finished or not. Nothing in it is changed."""
        text = _read(path / RECORD, "missing: not a run folder", bounds.RECORD_BYTES)
        try:
            record = from_json(text.decode("utf-8"), path / RECORD)
        except UnicodeDecodeError as exc:
            raise RecordError(f"{path / RECORD}: byte {exc.start}: not UTF-8") from exc
        return cls(path, record)

    @property
    def record(self) -> RunRecord:
        """What run.json says."""
        return self._record

    @property
    def sealed(self) -> bool:
        """Whether the evidence is complete and closed."""
        return (self.path / manifest.NAME).exists()

    def update_record(self, record: RunRecord) -> None:
        """Replace run.json, before the run is sealed."""
        self._refuse_sealed("run.json cannot be changed")
        write_whole(self.path / RECORD, as_json(record).encode())
        self._record = record

    def add_notes(self, notes: Sequence[str]) -> None:
        """Add to the notes of run.json, before the run is sealed."""
        self.update_record(replace(self._record, notes=(*self._record.notes, *notes)))

    def tell(self, happening: Happening) -> None:
        """Add what happened to the run between its trials to the journal: on the disk when this returns."""
        self._refuse_sealed("nothing can be added")
        _, lines = self._writers or self._prepare()
        with self._looked_at_again_after_an_error():
            lines.append(journal.line_of_happening(happening))

    def happenings(self) -> tuple[Happening, ...]:
        """What happened to the run between its trials, in order."""
        return self._journal().happenings

    def done(self) -> frozenset[int]:
        """The sequence numbers of the trials that a run which goes on does not make again: all but those that failed,
        or whose samples or lines are damaged."""
        return frozenset(sequence for sequence, outcome in self._outcomes().items() if outcome != "failed")

    def append(self, trial: Trial, observation: Observation) -> None:
        """Commit a trial: when this returns, its samples and its line are on the disk.

        A trial that was measured is refused a second time; one that failed or had no contact may be made again, and the
        later one counts. After an error (a full disk) the folder is as it was, and the call may be repeated.
        """
        self._refuse_sealed("no trial can be added")
        raw, lines = self._writers or self._prepare()
        if trial.sequence in self._measured:
            raise RecordError(f"{self.path / JOURNAL}: trial {trial.sequence} ({trial.label}): measured already")
        data = samples.encode(observation.trace)
        span = samples.span_of(observation.trace, data, raw.end)
        line = journal.line_of(trial, span, observation)
        with self._looked_at_again_after_an_error():
            raw.append(data)
            try:
                lines.append(line)
            except RecordError:
                with contextlib.suppress(RecordError):  # the first error is the one to tell
                    raw.cut(span.offset)
                raise
        if observation.outcome == "measured":
            self._measured.add(trial.sequence)

    @contextlib.contextmanager
    def _looked_at_again_after_an_error(self) -> Iterator[None]:
        """What a failed write has left behind may not have been removable either: the next one begins by looking."""
        try:
            yield
        except RecordError:
            self._writers = None
            raise

    def observations(self) -> list[tuple[Trial, Observation]]:
        """Every trial that was made, in the order in which it was made, with its trace as logged.

        Of a trial that was made again the latest counts. A trial whose samples are damaged comes back as `failed`, with
        an empty trace and a note that says so: nothing wrong is ever read as measured.
        """
        latest: dict[int, tuple[Trial, Observation]] = {}
        for trial, seen in self.every_try():
            latest.pop(trial.sequence, None)
            latest[trial.sequence] = (trial, seen)
        return list(latest.values())

    def tries(self) -> dict[int, int]:
        """How often each trial was tried, by its sequence number."""
        return dict(Counter(entry.trial.sequence for entry in self._journal().entries))

    def every_try(self) -> list[tuple[Trial, Observation]]:
        """Every try of every trial, in the order in which they were made."""
        entries = self._journal().entries
        traces, _ = self._stored(entries)
        return [(one.trial, _checked(one, trace)) for one, trace in zip(entries, traces, strict=True)]

    def problems(self) -> list[str]:
        """What is wrong with this folder, one line a problem: lines, samples, and once sealed the manifest."""
        return self.damage() + self.altered()

    def altered(self) -> list[str]:
        """Which files are not as they were when the run was sealed, one line each; none before it is."""
        return manifest.verify(self.path) if self.sealed else []

    def damage(self) -> list[str]:
        """What is wrong with the lines of the journal and the samples of its trials, one line a problem."""
        found = self._journal()
        whole, unreadable = self._intact(found.entries)
        problems = [*found.damaged, *([unreadable] if unreadable else [])]
        problems += [
            f"trial {entry.trial.sequence} ({entry.trial.label}): samples are damaged: checksum does not match"
            for entry, intact in zip(found.entries, whole, strict=True)
            if not unreadable and not intact
        ]
        return problems

    def _intact(self, entries: Sequence[Entry]) -> tuple[list[bool], str]:
        """Of each line whether its samples are those committed; where the table of them cannot be read, also why."""
        if not self.sealed and (self.path / SAMPLES).exists():
            return samples.intact(self.path / SAMPLES, [entry.samples for entry in entries]), ""
        traces, unreadable = self._stored(entries)
        return [samples.is_intact(trace, one.samples) for one, trace in zip(entries, traces, strict=True)], unreadable

    def seal(self) -> None:
        """Close the evidence: samples into traces.parquet, then the manifest. A sealed folder stays as it is.

        The raw samples are removed only after the table was read back equal, and are kept where a line of the journal
        is damaged: its samples are in no other file.
        """
        if not self.sealed:
            self._prepare()
            entries = self._journal().entries
            self._write_table(entries, samples.read(self.path / SAMPLES, [entry.samples for entry in entries]))
            manifest.write(self.path, (*manifest.EVIDENCE, *(path.name for path in wire_files(self.path))))
        self._writers = None
        if not self._journal().damaged and (self.path / SAMPLES).exists():
            # Sealed is sealed: what cannot be removed now does no harm, and goes with the next call.
            with contextlib.suppress(OSError):
                (self.path / SAMPLES).unlink()
                sync_folder(self.path)

    def _write_table(self, entries: Sequence[Entry], traces: Sequence[Trace]) -> None:
        path = self.path / TRACES
        sequences = [entry.trial.sequence for entry in entries]
        traces_table.write_part(path, sequences, traces)
        put_in_place(path)
        back = traces_table.read(path, sequences, [entry.samples for entry in entries])
        for entry, written, read in zip(entries, traces, back, strict=True):
            if samples.encode(written) != samples.encode(read):
                raise RecordError(f"{path}: trial {entry.trial.sequence}: not read back as written; {SAMPLES} is kept")

    def _prepare(self) -> tuple[GrowingFile, GrowingFile]:
        """Cut off what was never committed, and be ready to add."""
        found = self._journal()
        raw, lines = GrowingFile(self.path / SAMPLES), GrowingFile(self.path / JOURNAL)
        if lines.end > found.end:
            lines.cut(found.end)
        committed = max((entry.samples.offset + entry.samples.length for entry in found.entries), default=0)
        # Behind a damaged line may lie samples that were committed: they stay. Where committed ones are missing,
        # nothing new may lie in their place.
        if raw.end < committed or (raw.end > committed and not found.damaged):
            raw.cut(committed)
        self._measured = {sequence for sequence, outcome in self._outcomes().items() if outcome == "measured"}
        self._writers = raw, lines
        return self._writers

    def _outcomes(self) -> dict[int, Outcome]:
        """What came of each trial that was made, its latest line counting; one whose samples are damaged has failed."""
        entries = self._journal().entries
        return {
            entry.trial.sequence: entry.fields["outcome"] if intact else "failed"
            for entry, intact in zip(entries, self._intact(entries)[0], strict=True)
        }

    def _journal(self) -> Journal:
        return journal.read(_read(self.path / JOURNAL, "missing", bounds.JOURNAL_BYTES), JOURNAL)

    def _stored(self, entries: Sequence[Entry]) -> tuple[list[Trace], str]:
        """The traces of these lines as stored; where the table of a sealed run cannot be read, empty ones and why."""
        spans = [entry.samples for entry in entries]
        if not self.sealed and (self.path / SAMPLES).exists():
            return samples.read(self.path / SAMPLES, spans), ""
        try:
            return traces_table.read(self.path / TRACES, [entry.trial.sequence for entry in entries], spans), ""
        except RecordError as exc:
            return [Trace(np.empty(0), np.empty(0)) for _ in entries], str(exc)

    def _refuse_sealed(self, what: str) -> None:
        if self.sealed:
            raise RecordError(f"{self.path}: sealed: {what}")


def log_folder(parent: Path, name: str, plan_text: str, bench_text: str) -> Path:
    """A new folder `<UTC time>_<name>_wire_log` in `parent` for a wire log that belongs to no run, with the bench file
    and, where there is one, the plan. Raises RecordError."""
    path = new_folder(parent, f"{datetime.now(UTC):%Y%m%dT%H%M%SZ}_{safe_name(name)}_wire_log")
    for file, text in ((PLAN, plan_text), (BENCH, bench_text)):
        if text:
            write_whole(path / file, text.encode())
    return path


def _read(path: Path, missing: str, most: int) -> bytes:
    try:
        return read_plain(path, most)
    except FileNotFoundError as exc:
        raise RecordError(f"{path}: {missing}") from exc
    except OSError as exc:
        raise RecordError(f"{path}: cannot be read: {exc.strerror}") from exc


def _checked(entry: Entry, trace: Trace) -> Observation:
    observation = entry.observation(trace)
    problem = "checksum does not match"
    if samples.is_intact(trace, entry.samples):
        problem = unsound_trace(trace, one_log=not observation.probes)
    if not problem:
        return observation
    note = f"samples of trial {entry.trial.sequence} are damaged: {problem}"
    empty = Trace(np.empty(0), np.empty(0))
    return replace(observation, trace=empty, outcome="failed", notes=(*observation.notes, note))
