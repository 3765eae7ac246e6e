"""The wire log's files stay within their cap, and what is gone from them is told with numbers and times."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from results.errors import RecordError
from results.record import wire_files
from results.record.wire_files import WireFiles, newest, read_wire_log
from results.record.wire_line import WireLine, header_line, line_of
from tests.results.record.test_wire_line import HEADER

CAP = 2000


def line(number: int) -> bytes:
    return line_of(WireLine(number, number / 10.0, "meter", "sent", f"MESSAGE {number}\n".encode()))


def written(folder: Path, count: int, *, files: int = 3, session: int = 1, first: int = 1) -> None:
    """Messages `first` to `first` + `count` - 1."""
    number = first
    writer = WireFiles(
        folder,
        lambda file: header_line(replace(HEADER, file=file, session=session, first=number)),
        files=files,
        file_bytes=CAP,
    )
    for number in range(first, first + count):
        writer.append(line(number))
    writer.close()


def names(folder: Path) -> list[str]:
    return [path.name for path in wire_files.wire_files(folder)]


def test_no_file_is_larger_than_its_cap_and_the_oldest_goes(tmp_path: Path) -> None:
    written(tmp_path, 100)
    assert names(tmp_path)[0] != "wire-0001.jsonl"
    assert len(names(tmp_path)) == 3
    assert all(path.stat().st_size <= CAP for path in tmp_path.iterdir())


def test_a_short_log_comes_back_whole(tmp_path: Path) -> None:
    written(tmp_path, 20, files=8)
    log = read_wire_log(tmp_path)
    assert log.gone == ()
    [session] = log.sessions
    assert [one.number for one in session.lines] == list(range(1, 21))
    assert session.lines[4].data == b"MESSAGE 5\n"


def test_what_was_rotated_away_is_told(tmp_path: Path) -> None:
    written(tmp_path, 100)
    log = read_wire_log(tmp_path)
    first = log.sessions[0].lines[0].number
    assert first > 1
    at = f"{first / 10.0:.3f} s of session 1 (begun 2027-01-01T00:00:00.000+00:00)"
    assert log.gone == (f"messages 1 to {first - 1}: from the beginning to {at}",)


def test_a_resumed_run_goes_on_with_later_numbers_in_a_new_file(tmp_path: Path) -> None:
    written(tmp_path, 5, files=8)
    assert newest(tmp_path) == (1, 5)
    written(tmp_path, 3, files=8, session=2, first=6)
    log = read_wire_log(tmp_path)
    assert log.gone == ()
    assert [(s.header.session, s.lines[0].number, len(s.lines)) for s in log.sessions] == [(1, 1, 5), (2, 6, 3)]
    assert names(tmp_path) == ["wire-0001.jsonl", "wire-0002.jsonl"]
    assert newest(tmp_path) == (2, 8)


def test_a_line_cut_by_the_end_of_the_program_is_told_and_costs_nothing_else(tmp_path: Path) -> None:
    written(tmp_path, 5)
    path = tmp_path / "wire-0001.jsonl"
    path.write_bytes(path.read_bytes()[:-10])
    log = read_wire_log(tmp_path)
    assert [one.number for one in log.sessions[0].lines] == [1, 2, 3, 4]
    at = "0.400 s of session 1 (begun 2027-01-01T00:00:00.000+00:00)"
    assert log.gone == (f"wire-0001.jsonl: cut off after message 4 at {at}: the run ended there",)


def test_a_damaged_line_is_told_with_its_number_and_never_read_as_a_message(tmp_path: Path) -> None:
    written(tmp_path, 5)
    path = tmp_path / "wire-0001.jsonl"
    path.write_bytes(path.read_bytes().replace(b"MESSAGE 3", b"MESSAGE 8"))
    log = read_wire_log(tmp_path)
    assert [one.number for one in log.sessions[0].lines] == [1, 2, 4, 5]
    begun = "session 1 (begun 2027-01-01T00:00:00.000+00:00)"
    assert log.gone == (
        "wire-0001.jsonl: line 4: checksum does not match",
        f"messages 3 to 3: from 0.200 s of {begun} to 0.400 s of {begun}",
    )


def test_a_folder_of_a_stranger_is_read_within_bounds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    written(tmp_path, 5)
    (tmp_path / "wire-0002.jsonl").write_bytes(line(6))
    (tmp_path / "wire-0003.jsonl").mkdir()
    monkeypatch.setattr(wire_files, "_READ_BYTES", 50)
    log = read_wire_log(tmp_path)
    assert log.sessions == ()
    assert log.gone[:2] == (
        "wire-0001.jsonl: not read: larger than 50 bytes",
        "wire-0002.jsonl: not read: larger than 50 bytes",
    )
    with pytest.raises(RecordError, match="cannot be read"):
        read_wire_log(tmp_path / "nowhere")


def test_lines_before_any_header_and_out_of_order_are_left_out(tmp_path: Path) -> None:
    (tmp_path / "wire-0001.jsonl").write_bytes(line(1) + header_line(HEADER) + line(17) + line(4))
    log = read_wire_log(tmp_path)
    assert [one.number for one in log.sessions[0].lines] == [17]
    assert log.gone[0] == "wire-0001.jsonl: line 1: before any header"
    assert log.gone[-1].endswith("out of order, left out")


def test_a_disk_that_fails_leaves_no_half_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    writer = WireFiles(tmp_path, lambda file: header_line(HEADER))
    writer.append(line(17))
    size = (tmp_path / "wire-0001.jsonl").stat().st_size
    real = wire_files.os.write
    pieces = iter([10])

    def full(handle: int, data: bytes) -> int:
        if (some := next(pieces, None)) is None:
            raise OSError(28, "No space left on device")
        return real(handle, bytes(data)[:some])

    monkeypatch.setattr(wire_files.os, "write", full)
    with pytest.raises(OSError, match="No space left"):
        writer.append(line(18))
    assert (tmp_path / "wire-0001.jsonl").stat().st_size == size
