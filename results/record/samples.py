"""The samples of a trial as bytes: little-endian float64, the column of times, then volts, then amperes if logged."""

from __future__ import annotations

import os
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from results.errors import RecordError
from results.record.bounds import MISSING_SAMPLES, SAMPLES_A_RUN, SAMPLES_A_TRACE
from results.record.plain_file import open_plain
from results.record.trace import FloatArray, Trace

SAMPLE_BYTES = 8


@dataclass(frozen=True)
class SampleSpan:
    """Where the samples of one trial lie in the file of samples, and their CRC-32 (zlib's).

    `length` in bytes is count x columns x 8; `columns` is 2, or 3 where a current was logged.
    """

    offset: int
    length: int
    count: int
    columns: int
    crc32: int

    def __post_init__(self) -> None:
        if self.columns not in (2, 3) or min(self.offset, self.count) < 0 or self.offset >= 2**63:
            raise ValueError(f"not a span of samples: {self}")
        if self.count > SAMPLES_A_TRACE:
            raise ValueError(f"{self.count} samples, more than {SAMPLES_A_TRACE} of one trace")
        if self.length != self.count * self.columns * SAMPLE_BYTES:
            raise ValueError(f"length {self.length} bytes, expected {self.count * self.columns * SAMPLE_BYTES}")


def encode(trace: Trace) -> bytes:
    """The bytes of a trace. Raises RecordError where its arrays are not one-dimensional and of one length."""
    columns = _columns(trace)
    if any(column.ndim != 1 or column.size != columns[0].size for column in columns):
        shapes = ", ".join(str(column.shape) for column in columns)
        raise RecordError(f"trace: all arrays must have the one shape (n,): {shapes}")
    return b"".join(_canonical(column).tobytes() for column in columns)


def decode(data: bytes, columns: int) -> Trace:
    """The trace of these bytes: the opposite of `encode`."""
    values = np.frombuffer(data, dtype="<f8").reshape(columns, -1).astype(np.float64)
    return Trace(values[0], values[1], values[2] if columns == 3 else None)


def span_of(trace: Trace, data: bytes, offset: int) -> SampleSpan:
    """The span of a trace whose bytes start at `offset`."""
    return SampleSpan(offset, len(data), len(trace), len(_columns(trace)), zlib.crc32(data))


def is_intact(trace: Trace, span: SampleSpan) -> bool:
    """Whether a trace, wherever it was stored since, is bit for bit the one that was committed."""
    return zlib.crc32(encode(trace)) == span.crc32


def read(path: Path, spans: list[SampleSpan]) -> list[Trace]:
    """The traces of these spans as stored, whether intact or not; bytes that are missing are read as NaN.

    Raises RecordError if the file cannot be read.
    """
    try:
        with open_plain(path) as file:
            _refuse_absurd(path, file.seek(0, os.SEEK_END), spans)
            traces = []
            for span in spans:
                file.seek(span.offset)
                data = file.read(span.length)
                whole = data[: len(data) - len(data) % SAMPLE_BYTES]
                missing = (span.length - len(whole)) // SAMPLE_BYTES
                traces.append(decode(whole + np.full(missing, np.nan, "<f8").tobytes(), span.columns))
            return traces
    except OSError as exc:
        raise RecordError(f"{path}: cannot be read: {exc.strerror}") from exc


def intact(path: Path, spans: Sequence[SampleSpan]) -> list[bool]:
    """Of each span whether its bytes are those that were committed; one is held in memory at a time.

    Raises RecordError if the file cannot be read.
    """
    try:
        with open_plain(path) as file:
            _refuse_absurd(path, file.seek(0, os.SEEK_END), spans)
            found = []
            for span in spans:
                file.seek(span.offset)
                data = file.read(span.length)
                found.append(len(data) == span.length and zlib.crc32(data) == span.crc32)
            return found
    except OSError as exc:
        raise RecordError(f"{path}: cannot be read: {exc.strerror}") from exc


def _refuse_absurd(path: Path, size: int, spans: Sequence[SampleSpan]) -> None:
    """A journal of a stranger may ask for more samples than there is memory for. Raises RecordError."""
    total = sum(span.count for span in spans)
    if total > SAMPLES_A_RUN:
        raise RecordError(f"{path}: the journal tells of {total} samples, more than {SAMPLES_A_RUN}")
    missing = sum(span.length for span in spans) - size
    if missing > MISSING_SAMPLES * SAMPLE_BYTES:
        raise RecordError(f"{path}: {missing} bytes missing: not the samples of this journal")


def _columns(trace: Trace) -> list[FloatArray]:
    return [trace.time_s, trace.voltage_v, *([] if trace.current_a is None else [trace.current_a])]


def _canonical(column: FloatArray) -> FloatArray:
    """Every NaN with the same bits: null in Parquet keeps no others, and the checksum must hold there too."""
    return np.where(np.isnan(column), np.nan, column).astype("<f8")
