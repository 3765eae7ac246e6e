"""traces.parquet: every sample of every trial, in the order of the journal.

Columns: trial (its sequence number), time_s as logged, voltage_v and current_a (null: overload, or not logged).
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np

from results.errors import RecordError, StorageError
from results.record.bounds import SAMPLES_A_RUN
from results.record.durable import part_of
from results.record.plain_file import open_fresh, open_plain
from results.record.samples import SampleSpan
from results.record.trace import FloatArray, Trace

NAME = "traces.parquet"
TRIALS_A_GROUP = 24
KINDS = {"trial": "int32", "time_s": "double", "voltage_v": "double", "current_a": "double"}
BYTES_A_ROW = 64
SLACK_BYTES = 1_000_000
"""Of a row group when unpacked: twice the four columns as they stand, and what describes them."""

_ROWS_A_GROUP = 4_000_000
"""Long traces close a row group early, so that memory stays bounded."""


def write_part(path: Path, sequences: Sequence[int], traces: Sequence[Trace]) -> None:
    """Write the `.part` of the table and bring it to the disk. Raises StorageError."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    schema = pa.schema(
        [
            pa.field("trial", pa.int32(), nullable=False),
            pa.field("time_s", pa.float64(), nullable=False),
            pa.field("voltage_v", pa.float64()),
            pa.field("current_a", pa.float64()),
        ]
    )
    part = part_of(path)
    try:
        # What stands there is not written through: a link may have been planted.
        open_fresh(part).close()
        with (
            pa.OSFile(str(part), "wb") as file,
            pq.ParquetWriter(
                file,
                schema,
                compression="zstd",
                use_dictionary=["trial", "time_s"],
                use_byte_stream_split=["voltage_v", "current_a"],
            ) as writer,
        ):
            for group in _groups(traces):
                table = _table([sequences[i] for i in group], [traces[i] for i in group], schema)
                writer.write_table(table, row_group_size=max(1, table.num_rows))
        with part.open("r+b") as written:
            os.fsync(written.fileno())
    except OSError as exc:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise StorageError(f"{path}: cannot be written: {_reason(exc)}") from exc


def read(path: Path, sequences: Sequence[int], spans: Sequence[SampleSpan]) -> list[Trace]:
    """The traces of these trials, in the order of the journal, as stored.

    Raises RecordError if the table cannot be read or does not hold just these trials.
    """
    table = _load(path, sum(span.count for span in spans))
    counts = [span.count for span in spans]
    if not np.array_equal(table["trial"], np.repeat(np.asarray(sequences, dtype=np.int64), counts)):
        raise RecordError(f"{path}: trial: not the trials of the journal, in its order")
    traces = []
    start = 0
    for span in spans:
        rows = slice(start, start + span.count)
        current = table["current_a"][rows] if span.columns == 3 else None
        traces.append(Trace(table["time_s"][rows], table["voltage_v"][rows], current))
        start += span.count
    return traces


def _load(path: Path, samples: int) -> dict[str, FloatArray]:
    """The columns, once the table's own description has shown that they are those, and that many."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    names = ["trial", "time_s", "voltage_v", "current_a"]
    try:
        open_plain(path).close()
    except OSError as exc:
        raise RecordError(f"{path}: cannot be read: {exc.strerror}") from exc
    try:
        # Opened here, so that the file is closed whatever the reader raises; read_table takes a path for a data set.
        # No threads of the library's own: one that still read a file of Python's at exit ended the process by abort.
        with pa.OSFile(str(path), "rb") as source, pq.ParquetFile(source, pre_buffer=False) as file:
            _refuse_strange(path, file.metadata, file.schema_arrow, samples)
            table = file.read(columns=names, use_threads=False)
            return {name: np.asarray(table.column(name).to_numpy(), dtype=np.float64) for name in names}
    except (pa.ArrowException, OSError, ValueError, KeyError) as exc:
        raise RecordError(f"{path}: cannot be read: {_reason(exc)}") from exc


def _refuse_strange(path: Path, described: Any, schema: Any, samples: int) -> None:
    """A few bytes can describe columns larger than any memory: they are looked at before they are unpacked."""
    kinds = {name: str(schema.field(name).type) for name in schema.names if schema.names.count(name) == 1}
    wrong = [name for name, kind in KINDS.items() if kinds.get(name) != kind]
    if wrong:
        raise RecordError(f"{path}: {wrong[0]}: must be one column of {KINDS[wrong[0]]}: {kinds.get(wrong[0], 'none')}")
    if described.num_rows != samples:
        raise RecordError(f"{path}: holds {described.num_rows} samples, the journal {samples}")
    if samples > SAMPLES_A_RUN:
        raise RecordError(f"{path}: {samples} samples, more than {SAMPLES_A_RUN}")
    groups = (described.row_group(index) for index in range(described.num_row_groups))
    unpacked = sum(
        group.column(index).total_uncompressed_size for group in groups for index in range(group.num_columns)
    )
    if unpacked > BYTES_A_ROW * samples + SLACK_BYTES * max(1, described.num_row_groups):
        raise RecordError(f"{path}: {unpacked} bytes when unpacked, too many for {samples} samples")


def _reason(error: Exception) -> str:
    """In one line; the system's own words where it was the system (the library wraps them in its own)."""
    if isinstance(error, OSError) and error.errno:
        return os.strerror(error.errno)
    return str(error).splitlines()[0]


def _groups(traces: Sequence[Trace]) -> Iterator[list[int]]:
    group: list[int] = []
    rows = 0
    for index, trace in enumerate(traces):
        group.append(index)
        rows += len(trace)
        if len(group) == TRIALS_A_GROUP or rows >= _ROWS_A_GROUP:
            yield group
            group, rows = [], 0
    if rows:
        yield group


def _table(sequences: list[int], traces: list[Trace], schema: Any) -> Any:
    import pyarrow as pa

    def nullable(columns: list[FloatArray]) -> Any:
        return pa.array(np.concatenate(columns), from_pandas=True)

    unlogged = [np.full(len(trace), np.nan) if trace.current_a is None else trace.current_a for trace in traces]
    return pa.Table.from_arrays(
        [
            pa.array(np.repeat(np.asarray(sequences, dtype=np.int32), [len(trace) for trace in traces])),
            pa.array(np.concatenate([trace.time_s for trace in traces])),
            nullable([trace.voltage_v for trace in traces]),
            nullable(unlogged),
        ],
        schema=schema,
    )
