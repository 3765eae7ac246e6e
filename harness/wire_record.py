"""The wire log of a run: what every link tells, numbered, in memory until there is a folder, and then in its files.

A disk that fails ends the log, never the run: `problem` then says so, once.
"""

from __future__ import annotations

import importlib.metadata
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from drivers.wire_log import Tap, WireEvent
from harness.bench_file import BenchFile
from results.errors import RecordError
from results.record.run_folder import log_folder
from results.record.wire_files import WireFiles, newest
from results.record.wire_line import LONGEST, WireHeader, WireLine, header_line, line_of

CLOCK_ROLE = "clock"
"""What the wire log calls the bench's clock."""

WAITING_BYTES = 4 * 1024 * 1024
"""Of messages that are kept while there is no folder; beyond that the oldest are given up."""

_LINE_BYTES = 200
"""What a line takes beside its message, roughly."""


class WireRecord:
    """Takes events of links (any thread) and writes them down.

    `bench_time` may be set where time can be asked for at no cost; else lines carry the time that the bench's clock
    told last. `identities` may be set once they are known. `tell` is told, once, where the log had to end early;
    `problem` then says the same.
    """

    def __init__(self, file: BenchFile, tell: Callable[[str], None]) -> None:
        self.problem = ""
        self.bench_time: Callable[[], float] | None = None
        self._told_s: float | None = None
        self.identities: dict[str, str] = {}
        self._file = file
        self._tell = tell
        self._begun_s = time.monotonic()
        self._begun_utc = datetime.now(UTC).isoformat(timespec="milliseconds")
        self._lock = threading.Lock()
        self._waiting: deque[WireLine] = deque()
        self._waiting_bytes = 0
        self._number = 0
        self._session = 1
        self._run = ""
        self._files: WireFiles | None = None
        self._closed = False

    def tap(self, role: str) -> Tap:
        """The tap of this role's link."""

        def told(event: WireEvent) -> None:
            self._take(role, event)

        return told

    def write_into(self, folder: Path, run: str) -> None:
        """From now on into the files of this folder, what has waited first.

        Where it holds a wire log already, this is another session of it, with later numbers.
        """
        with self._lock:
            try:
                session, last = newest(folder)
                self._session, self._run = session + 1, run
                self._number += last
                self._files = WireFiles(folder, self._header)
                while self._waiting:
                    waited = self._waiting.popleft()
                    self._files.append(line_of(replace(waited, number=waited.number + last)))
                self._waiting_bytes = 0
            except (OSError, RecordError) as exc:
                self._give_up(exc)

    def close(self) -> None:
        """After this nothing is taken any more; a second call does nothing."""
        with self._lock:
            self._closed = True
            if self._files is not None:
                self._files.close()
                self._files = None

    def write_apart(self, parent: Path, name: str, plan_text: str) -> Path | None:
        """What has waited, and what follows, into a folder of its own in `parent`, beside no run; returns its path.

        It holds the bench file too, and the plan where there is one, so that it can be replayed as well. Nothing is
        written where nothing has waited, and None returned, as where it failed.
        """
        if not self._waiting:
            return None
        try:
            folder = log_folder(parent, name, plan_text, self._file.text)
        except RecordError as exc:
            self._give_up(exc)
            return None
        self.write_into(folder, folder.name)
        return None if self.problem else folder

    def _take(self, role: str, event: WireEvent) -> None:
        with self._lock:
            if self._closed or self.problem:
                return
            self._number += 1
            if role == CLOCK_ROLE and event.direction == "received":
                with suppress(ValueError):
                    self._told_s = float(event.data)
            line = WireLine(
                number=self._number,
                time_s=event.time_s - self._begun_s,
                role=role,
                what=event.direction,
                data=event.data[:LONGEST],
                left_out=max(0, len(event.data) - LONGEST),
                bench_s=self._told_s if self.bench_time is None else self.bench_time(),
                fault=event.fault,
                told=event.told,
            )
            if self._files is None:
                self._keep(line)
                return
            try:
                self._files.append(line_of(line))
            except (OSError, RecordError) as exc:
                self._give_up(exc)

    def _keep(self, line: WireLine) -> None:
        self._waiting.append(line)
        self._waiting_bytes += len(line.data) + _LINE_BYTES
        while self._waiting_bytes > WAITING_BYTES:
            self._waiting_bytes -= len(self._waiting.popleft().data) + _LINE_BYTES

    def _give_up(self, error: Exception) -> None:
        why = getattr(error, "strerror", None) or str(error)
        self.problem = f"the wire log ends at message {self._number}: {why}"
        self._tell(self.problem)

    def _header(self, file: int) -> bytes:
        return header_line(
            WireHeader(
                file=file,
                session=self._session,
                first=self._number - len(self._waiting),
                run=self._run,
                version=importlib.metadata.version("stuckpin"),
                begun_utc=self._begun_utc,
                speed=self._file.clock.speed,
                resources={role: table.resource for role, table in self._file.instruments().items()},
                identities=self.identities,
            )
        )
