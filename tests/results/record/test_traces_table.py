"""traces.parquet holds every sample as logged; an overload is null, and so is a current that nobody logged."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from results.errors import RecordError
from results.record import samples, traces_table
from results.record.durable import put_in_place
from results.record.samples import SampleSpan
from results.record.trace import Trace
from tests.results.record.runs import observation, same_trace

SEQUENCES = list(range(1, 31))


def spans_of(traces: list[Trace]) -> list[SampleSpan]:
    return [samples.span_of(trace, samples.encode(trace), 0) for trace in traces]


@pytest.fixture
def traces() -> list[Trace]:
    return [observation(sequence, samples=20 + sequence).trace for sequence in SEQUENCES]


@pytest.fixture
def path(tmp_path: Path, traces: list[Trace]) -> Path:
    path = tmp_path / "traces.parquet"
    traces_table.write_part(path, SEQUENCES, traces)
    put_in_place(path)
    return path


def test_traces_come_back_bit_for_bit(path: Path, traces: list[Trace]) -> None:
    back = traces_table.read(path, SEQUENCES, spans_of(traces))
    assert len(back) == len(traces)
    assert all(same_trace(one, other) for one, other in zip(traces, back, strict=True))


def test_the_table_has_the_stated_columns_nulls_and_row_groups(path: Path, traces: list[Trace]) -> None:
    with pq.ParquetFile(path) as file:
        table = file.read()
        groups = [file.metadata.row_group(index).num_rows for index in range(file.metadata.num_row_groups)]
        volts = file.metadata.row_group(0).column(2)
    assert table.column_names == ["trial", "time_s", "voltage_v", "current_a"]
    assert table.column("voltage_v").null_count == sum(int(trace.overload.sum()) for trace in traces) > 0
    assert table.column("current_a").null_count == sum(len(trace) for trace in traces if trace.current_a is None) > 0
    assert groups == [sum(len(trace) for trace in traces[:24]), sum(len(trace) for trace in traces[24:])]
    assert volts.compression == "ZSTD"
    assert "BYTE_STREAM_SPLIT" in volts.encodings


def test_an_empty_trace_and_an_empty_run_are_stored_too(tmp_path: Path) -> None:
    path = tmp_path / "traces.parquet"
    empty = Trace(np.empty(0), np.empty(0))
    for traces in ([], [empty], [empty, observation(1).trace, empty]):
        traces_table.write_part(path, range(len(traces)), traces)
        put_in_place(path)
        back = traces_table.read(path, range(len(traces)), spans_of(traces))
        assert [len(trace) for trace in back] == [len(trace) for trace in traces]


def test_a_table_of_other_trials_is_refused(path: Path, traces: list[Trace]) -> None:
    with pytest.raises(RecordError, match="trial: not the trials of the journal, in its order"):
        traces_table.read(path, SEQUENCES[::-1], spans_of(traces))
    with pytest.raises(RecordError, match="holds 1065 samples, the journal 1015"):
        traces_table.read(path, SEQUENCES[:-1], spans_of(traces)[:-1])


def bomb(path: Path, rows: int, **columns: pa.Array) -> None:
    """A table of many rows that are all alike: a few kilobytes on the disk."""
    part = {
        "trial": pa.array(np.ones(1000, "i4")),
        "time_s": pa.array(np.zeros(1000)),
        "voltage_v": pa.nulls(1000, pa.float64()),
        "current_a": pa.nulls(1000, pa.float64()),
        **columns,
    }
    table = pa.table(part)
    with pq.ParquetWriter(path, table.schema, compression="zstd") as writer:
        for _ in range(rows // 1000):
            writer.write_table(table)


def test_a_table_that_says_more_than_the_journal_is_refused_before_it_is_unpacked(path: Path) -> None:
    bomb(path, 100_000)
    with pytest.raises(RecordError, match=r"traces.parquet: holds 100000 samples, the journal 24$"):
        traces_table.read(path, [1], spans_of([observation(1, samples=24).trace]))


@pytest.mark.parametrize(
    ("name", "column", "told"),
    [
        ("trial", pa.array([1] * 1000, pa.int64()), "trial: must be one column of int32: int64"),
        ("voltage_v", pa.array(["x" * 1000] * 1000), "voltage_v: must be one column of double: string"),
        ("time_s", pa.array([[0.0]] * 1000), "time_s: must be one column of double: list<element: double>"),
        ("more", pa.array([f"{n:02000d}" for n in range(1000)]), "bytes when unpacked, too many for 1000 samples"),
    ],
)
def test_a_table_of_other_columns_is_refused(path: Path, name: str, column: pa.Array, told: str) -> None:
    bomb(path, 1000, **{name: column})
    spans = [SampleSpan(0, 16_000, 1000, 2, 0)]
    with pytest.raises(RecordError) as caught:
        traces_table.read(path, [1], spans)
    assert told in str(caught.value)


@pytest.mark.skipif(sys.platform == "win32", reason="links need a privilege there")
def test_a_table_is_written_through_no_link_and_read_through_none(path: Path, tmp_path: Path) -> None:
    victim, part = tmp_path / "victim", tmp_path / "traces.parquet.part"
    victim.write_text("precious")
    part.symlink_to(victim)
    traces_table.write_part(path, [], [])
    assert (victim.read_text(), part.is_symlink()) == ("precious", False)
    path.unlink()
    path.symlink_to(part)
    with pytest.raises(RecordError, match=r"traces.parquet: cannot be read: is a link, which may lead out of"):
        traces_table.read(path, [], [])


def test_what_is_no_table_is_refused_in_one_line(tmp_path: Path) -> None:
    path = tmp_path / "traces.parquet"
    path.write_bytes(b"PAR1 not a table")
    with pytest.raises(RecordError, match=r"traces\.parquet: cannot be read: ") as caught:
        traces_table.read(path, [], [])
    assert "\n" not in str(caught.value)
    with pytest.raises(RecordError, match=r"missing\.parquet: cannot be read: No such file or directory"):
        traces_table.read(tmp_path / "missing.parquet", [], [])
