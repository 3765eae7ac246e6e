"""traces.parquet holds every sample as logged; an overload is null, and so is a current that nobody logged."""

from __future__ import annotations

from pathlib import Path

import numpy as np
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


def test_what_is_no_table_is_refused_in_one_line(tmp_path: Path) -> None:
    path = tmp_path / "traces.parquet"
    path.write_bytes(b"PAR1 not a table")
    with pytest.raises(RecordError, match=r"traces\.parquet: cannot be read: ") as caught:
        traces_table.read(path, [], [])
    assert "\n" not in str(caught.value)
    with pytest.raises(RecordError, match=r"missing\.parquet: cannot be read: No such file or directory"):
        traces_table.read(tmp_path / "missing.parquet", [], [])
