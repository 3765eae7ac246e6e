"""A run folder of a stranger is analysed, or refused by name: it is data, whatever stands in it."""

from __future__ import annotations

import csv
import json
import os
import tempfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from harness.reporting import write_derived
from harness.summary import status_of, summary_lines
from results.errors import RecordError
from results.record import journal, samples
from results.record.run_folder import RunFolder
from results.record.trace import Trace
from results.record.wholeness import wholeness
from results.visible import visible
from tests.results.record.runs import filled_run
from tests.strangers.judge import accepted_or_refused, tried
from tests.strangers.nasty import JSON, mangled_bytes, places, put

FILES = ("plan.toml", "bench.toml", "run.json", "journal.jsonl", "traces.parquet", "samples.raw", "manifest.sha256")
PARTS = (f"{name}.part" for name in ("trials.csv", "pins.csv", "budgets.csv", "run.json"))
DERIVED = ("trials.csv", "pins.csv", *PARTS)
PRECIOUS = "precious"


@cache
def originals() -> dict[bool, dict[str, bytes]]:
    """File name -> bytes of a small run, by whether it is sealed."""
    found = {}
    for sealed in (False, True):
        with tempfile.TemporaryDirectory() as scratch:
            folder = filled_run(Path(scratch), 4)
            if sealed:
                folder.seal()
            found[sealed] = {path.name: path.read_bytes() for path in folder.path.iterdir()}
    return found


@contextmanager
def stranger(files: dict[str, bytes]) -> Iterator[Path]:
    """A run folder of these files, and beside it a file that nothing may touch."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "run"
        folder.mkdir()
        victim = Path(scratch) / "victim"
        victim.write_text(PRECIOUS, encoding="utf-8")
        for name, data in files.items():
            (folder / name).write_bytes(data)
        yield folder
        assert victim.read_text(encoding="utf-8") == PRECIOUS
        assert {path.name for path in Path(scratch).iterdir()} == {"run", "victim"}


def reported(kind: str, folder: Path, *, pdf: bool = False) -> None:
    """Report on the folder and verify it; whatever comes out is obeyed by nobody."""

    def read() -> None:
        finding = write_derived(folder, pdf=pdf)
        assert status_of(finding) in (0, 1, 3)
        assert "\n" not in "".join(map(visible, summary_lines(finding)))
        for path in folder.glob("*.csv"):
            harmless(path)

    accepted_or_refused(kind, read, (RecordError,), "")
    accepted_or_refused(f"{kind}, verified", lambda: wholeness(folder).verdict, (RecordError,), "")


def harmless(path: Path) -> None:
    """No cell is a formula or holds what a program would obey."""
    with path.open(encoding="utf-8", newline="") as file:
        for row in csv.reader(file):
            for cell in row:
                assert cell == visible(cell)
                assert not cell.lstrip().startswith(("=", "@", "+", "＝", "＋", "－", "＠")), cell
                if cell.startswith("-"):
                    float(cell)


@tried(150)
@given(st.booleans(), st.data())
def test_run_json(sealed: bool, data: st.DataObject) -> None:
    files = dict(originals()[sealed])
    raw = json.loads(files["run.json"])
    for _ in range(data.draw(st.integers(1, 2))):
        raw = put(raw, data.draw(st.sampled_from(list(places(raw)))), data.draw(JSON))
    with stranger({**files, "run.json": json.dumps(raw).encode()}) as folder:
        reported("run.json", folder)


@tried(150)
@given(st.data())
def test_a_line_of_the_journal_with_a_right_checksum(data: st.DataObject) -> None:
    files = dict(originals()[False])
    lines = [json.loads(line) for line in files["journal.jsonl"].splitlines()]
    number = data.draw(st.integers(0, len(lines) - 1))
    body = {key: value for key, value in lines[number].items() if key != "crc32"}
    lines[number] = put(body, data.draw(st.sampled_from(list(places(body)))), data.draw(JSON))
    with stranger({**files, "journal.jsonl": b"".join(map(signed, lines))}) as folder:
        reported("line of the journal", folder)


def signed(line: Any) -> bytes:
    """A line with its checksum, as whoever wants to be believed would make it."""
    body = {key: value for key, value in line.items() if key != "crc32"} if isinstance(line, dict) else {"x": line}
    rest = json.dumps(body, separators=(",", ":")).encode()[1:]
    return b'{"crc32":"' + f'{zlib.crc32(rest):08x}",'.encode() + rest + b"\n"


LEVELS = st.sampled_from((0.0, -0.0, 3.3, 1e5, -1e30, 1e37, 9.9e37, 1e308, np.inf, -np.inf, np.nan, 1e-320))


@tried(80)
@given(st.data())
def test_samples_with_a_right_checksum(data: st.DataObject) -> None:
    """Voltages and times that no meter logged, in a file that says that it is whole."""
    files = dict(originals()[False])
    found = journal.read(files["journal.jsonl"])
    raw, lines = b"", []
    for entry, line in zip(found.entries, files["journal.jsonl"].splitlines(), strict=True):
        span = entry.samples
        trace = samples.decode(files["samples.raw"][span.offset : span.offset + span.length], span.columns)
        time_s, voltage_v = trace.time_s.copy(), trace.voltage_v.copy()
        for column in data.draw(st.lists(st.sampled_from([time_s, voltage_v]), max_size=2)):
            start = data.draw(st.integers(0, len(trace)))
            column[start : data.draw(st.integers(start, len(trace)))] = data.draw(LEVELS)
        strange = Trace(time_s, voltage_v, trace.current_a)
        encoded = samples.encode(strange)
        span = samples.span_of(strange, encoded, len(raw))
        raw += encoded
        lines.append(signed({**json.loads(line), "samples": vars(span)}))
    with stranger({**files, "journal.jsonl": b"".join(lines), "samples.raw": raw}) as folder:
        reported("samples", folder)


@tried(120)
@given(st.booleans(), st.data())
def test_bytes_anywhere(sealed: bool, data: st.DataObject) -> None:
    files = dict(originals()[sealed])
    for _ in range(data.draw(st.integers(1, 2))):
        name = data.draw(st.sampled_from(sorted(files)))
        files[name] = data.draw(mangled_bytes(files[name]))
    with stranger(files) as folder:
        reported("bytes of a run folder", folder)


@tried(80)
@given(st.booleans(), st.data())
def test_files_that_are_none(sealed: bool, data: st.DataObject) -> None:
    """Missing ones, folders, pipes, links that lead out, files without an end, and links laid where a file will be."""
    with stranger(originals()[sealed]) as folder:
        for name in data.draw(st.lists(st.sampled_from((*FILES, *DERIVED)), min_size=1, max_size=3, unique=True)):
            path = folder / name
            path.unlink(missing_ok=True)
            match data.draw(st.integers(0, 6)):
                case 0:
                    path.mkdir()
                case 1 if hasattr(os, "mkfifo"):
                    os.mkfifo(path)
                case 2:
                    path.symlink_to("/dev/zero")
                case 3:
                    path.symlink_to(folder.parent / "victim")
                case 4:
                    path.symlink_to(name)
                case 5:
                    with path.open("wb") as large:
                        large.truncate(1 << 40)
                case _:
                    pass
        reported("files that are none", folder)


EVIL = ('#read("/etc/passwd") $x^2$ *a* `b` <c> @d', "\x1b[2J\u202e\x00", "x" * 4_900)


@tried(3)
@given(st.data())
def test_names_in_the_report(data: st.DataObject) -> None:
    """Whatever a run's texts are, the report is typeset: no name is markup, mathematics, or a file to be read."""
    files = dict(originals()[False])
    raw = json.loads(files["run.json"])
    text = data.draw(st.sampled_from(EVIL))
    for at in (("unit", "name"), ("unit", "serial"), ("operator",), ("bench_name",), ("notes",), ("pins", 0, "note")):
        raw = put(raw, at, [text] if at == ("notes",) else text)
    with stranger({**files, "run.json": json.dumps(raw).encode()}) as folder:
        write_derived(folder, pdf=True)
        assert (folder / "report.pdf").read_bytes().startswith(b"%PDF-")
        assert len(RunFolder.open(folder).observations()) == 4
