"""The bytes of a trace give back the trace, and a checksum finds every byte that changed."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import numpy as np
import pytest

from results.errors import RecordError
from results.record import samples
from results.record.samples import SampleSpan
from results.record.trace import Trace
from tests.results.record.runs import observation, same_trace


def test_samples_are_little_endian_doubles_column_after_column() -> None:
    trace = Trace(np.array([0.0, 1e-4]), np.array([3.3, 2.5]), np.array([1e-6, 2e-6]))
    assert samples.encode(trace) == struct.pack("<6d", 0.0, 1e-4, 3.3, 2.5, 1e-6, 2e-6)


@pytest.mark.parametrize("sequence", [1, 3, 4, 12])
def test_decoding_is_the_opposite_of_encoding(sequence: int) -> None:
    trace = observation(sequence).trace
    data = samples.encode(trace)
    back = samples.decode(data, 3 if trace.current_a is not None else 2)
    assert same_trace(trace, back)
    assert samples.is_intact(back, samples.span_of(trace, data, 0))


def test_a_big_endian_or_single_precision_array_is_stored_by_value() -> None:
    trace = Trace(np.arange(3).astype(">f8"), np.array([0.5, 0.25, 0.125], dtype=np.float32).astype(np.float64))
    assert samples.encode(trace) == struct.pack("<6d", 0.0, 1.0, 2.0, 0.5, 0.25, 0.125)


def test_every_overload_has_the_same_bits() -> None:
    negative_nan = np.array([struct.unpack("<d", struct.pack("<Q", 0xFFF8_0000_0000_0001))[0]])
    assert samples.encode(Trace(np.zeros(1), negative_nan)) == samples.encode(Trace(np.zeros(1), np.array([np.nan])))


def test_one_changed_bit_anywhere_is_found() -> None:
    trace = observation(3).trace
    data = samples.encode(trace)
    span = samples.span_of(trace, data, 0)
    assert span.crc32 == zlib.crc32(data)
    rng = np.random.default_rng(20260304)
    for position in rng.integers(0, 8 * len(data), 300):
        damaged = bytearray(data)
        damaged[position // 8] ^= 1 << (position % 8)
        assert not samples.is_intact(samples.decode(bytes(damaged), 3), span)


def test_arrays_of_different_lengths_are_refused() -> None:
    with pytest.raises(RecordError, match=r"trace: all arrays must have the one shape \(n,\): \(3,\), \(2,\)"):
        samples.encode(Trace(np.zeros(3), np.zeros(2)))


def test_a_span_must_add_up() -> None:
    with pytest.raises(ValueError, match="length 40 bytes, expected 32"):
        SampleSpan(offset=0, length=40, count=2, columns=2, crc32=0)


@pytest.mark.parametrize("offset", [0, 2**62])
def test_a_journal_that_asks_for_more_than_there_is_memory_for_is_refused(tmp_path: Path, offset: int) -> None:
    """Used to take the memory for it first."""
    path = tmp_path / "samples.raw"
    path.write_bytes(b"")
    one = SampleSpan(offset, 160_000_000, 10_000_000, 2, 0)
    for count, told in ((3, r"480000000 bytes missing: not the samples of this journal"), (51, "510000000 samples,")):
        with pytest.raises(RecordError, match=told):
            samples.read(path, [one] * count)
    with pytest.raises(ValueError, match="10000001 samples, more than 10000000 of one trace"):
        SampleSpan(0, 160_000_016, 10_000_001, 2, 0)
    with pytest.raises(ValueError, match="not a span of samples"):
        SampleSpan(2**70, 0, 0, 2, 0)


def test_missing_bytes_are_read_as_overload_and_not_taken_for_intact(tmp_path: Path) -> None:
    trace = observation(1, samples=5).trace
    data = samples.encode(trace)
    path = tmp_path / "samples.raw"
    path.write_bytes(data[:-3])
    (back,) = samples.read(path, [samples.span_of(trace, data, 0)])
    assert np.array_equal(back.time_s, trace.time_s)
    assert np.array_equal(back.voltage_v[:-1], trace.voltage_v[:-1])
    assert np.isnan(back.voltage_v[-1])
    assert not samples.is_intact(back, samples.span_of(trace, data, 0))
