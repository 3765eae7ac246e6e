"""A file that is no plan at all is refused in one line, whatever it is."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from harness.bench_file import bench_from_text
from harness.errors import Problem, UserFileError
from harness.plan import plan_from_text, read_plan
from harness.user_file import MAX_BYTES, closest, dotted
from tests.harness.wrong_files import BENCH, PLAN


def refused(path: Path) -> str:
    with pytest.raises(UserFileError) as caught:
        read_plan(path)
    return str(caught.value)


def test_missing_file(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    assert refused(path) == f"{path}: no such file"


def test_folder(tmp_path: Path) -> None:
    assert refused(tmp_path) == f"{tmp_path}: is a folder, not a file"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_named_pipe_is_not_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    os.mkfifo(path)
    assert refused(path) == f"{path}: cannot be read: is not a regular file"


def test_huge_file(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    with path.open("wb") as stream:
        stream.truncate(MAX_BYTES + 1)
    assert refused(path) == f"{path}: must not be larger than 1000000 bytes"


def test_name_that_no_file_can_have() -> None:
    assert refused(Path("a\0b")).endswith(": cannot be read: embedded null byte")


def test_not_utf8_names_line_and_byte(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_bytes(b'[rail]\nvoltage = "3.3 V"\nnote = "\xb5"\n')
    assert refused(path) == f"{path}: line 3: not UTF-8: byte 0xb5"


def test_byte_order_mark_and_windows_lines_are_read(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_bytes(b"\xef\xbb\xbf" + PLAN.replace("\n", "\r\n").encode())
    assert read_plan(path).rail.voltage_v == 3.3


@pytest.mark.parametrize(
    ("text", "start"),
    [
        ("[rail]\nvoltage = 3.3 V\n", "plan.toml: line 2, column 15: not TOML: "),
        ("[rail\n", "plan.toml: line 1, column 6: not TOML: "),
        ("a = [", "plan.toml: last line: not TOML: "),
        ("a = 1\na = 2\n", "plan.toml: line 2, column 6: not TOML: "),
        ("a = " + "[" * 5000, "plan.toml: not TOML: nested too deeply"),
        ("a = " + "9" * 5000, "plan.toml: not TOML: "),
    ],
    ids=["no quotes", "open table", "open list", "twice", "deep", "long number"],
)
def test_not_toml_names_line_and_column(text: str, start: str) -> None:
    """What follows is the reader's own reason, which differs between Pythons; it must be there and on one line."""
    with pytest.raises(UserFileError) as caught:
        plan_from_text(text)
    message = str(caught.value)
    assert message.startswith(start)
    assert len(message.splitlines()) == 1
    assert len(message) > len("plan.toml: not TOML: ")


@pytest.mark.parametrize(
    "text", ["a." * 20_000 + "b = 1\n", "[" + "a . " * 20_000 + "b]\n", "'a'.\"b\"." * 20 + "c = 1"]
)
def test_a_key_of_thousands_of_parts_is_refused_at_once(text: str) -> None:
    """The time for it grew with the square of the parts: a plan of 40 kB took half a minute."""
    with pytest.raises(UserFileError) as caught:
        plan_from_text("# 1.2.3.4.5.6.7.8.9.0\n" + text)
    assert str(caught.value) == "plan.toml: line 2: a key must not have more than 32 parts"


def test_a_number_too_long_to_be_written_is_shown_all_the_same() -> None:
    """Used to be a traceback: Python writes no decimal number of thousands of digits."""
    with pytest.raises(UserFileError) as caught:
        plan_from_text(PLAN.replace("repeats = 3", "repeats = 0x" + "f" * 5000))
    assert str(caught.value) == f"plan.toml: trials.repeats: must be 1 to 1000: 0x{'f' * 77}…"


@pytest.mark.parametrize(
    ("more", "first", "count"),
    [
        ("".join(f"key{n} = {n}\n" for n in range(5000)), "plan.toml: pins[2].key0: unknown key", 4900),
        ('[[pins]]\nname = "D2"\n' * 5000, "plan.toml: pins[3].name: is already the name of pins[2]", 4900),
        ('neighbours = ["D1", ' + '"D1", ' * 5000 + "]", "plan.toml: pins[2].neighbours[2]: already stands", 4900),
    ],
    ids=["unknown", "twice", "in a list"],
)
def test_of_thousands_of_problems_the_first_are_told_and_the_others_counted(more: str, first: str, count: int) -> None:
    """Used to be thousands of lines, after minutes."""
    with pytest.raises(UserFileError) as caught:
        plan_from_text(f"{PLAN}\n{more}")
    lines = str(caught.value).splitlines()
    assert lines[0].startswith(first)
    assert lines[100:] == [f"plan.toml: {count} more problems"]


def test_an_empty_file_lacks_all_that_is_needed() -> None:
    with pytest.raises(UserFileError) as caught:
        plan_from_text("")
    keys = ["unit", "rail", "levels", "pull_down", "trials", "pins"]
    assert str(caught.value).splitlines() == [f"plan.toml: {key}: missing" for key in keys]


def test_places_are_written_as_in_toml() -> None:
    assert dotted(("wiring", "fit", "47 kΩ", "measured")) == 'wiring.fit."47 kΩ".measured'
    assert dotted(("pins", 2, "name")) == "pins[3].name"


def test_a_word_like_no_other_gets_the_whole_list() -> None:
    assert closest("qqq", ["hold", "path"]) == "known here: hold and path"
    assert closest("hodl", ["hold", "path"]) == "did you mean hold?"


WRONG_VALUES = st.sampled_from(
    ["nan", "-inf", "1e999", "[]", "{}", "[[[[]]]]", '""', '"\\u0000"', "2027-02-30", "2027-02-28", "07:00:00", "true"]
)


@given(st.sampled_from([PLAN, BENCH]), st.data())
def test_whatever_stands_at_a_key_the_answer_is_a_line_and_no_traceback(text: str, data: st.DataObject) -> None:
    lines = text.splitlines()
    keys = [number for number, line in enumerate(lines) if " = " in line]
    number = data.draw(st.sampled_from(keys))
    lines[number] = f"{lines[number].split(' = ')[0]} = {data.draw(WRONG_VALUES)}"
    read_or_refuse("\n".join(lines), bench=text is BENCH)


@given(st.sampled_from([PLAN, BENCH]), st.integers(0, 900), st.integers(0, 30), st.text(max_size=8))
@example(PLAN, 0, 0, "\x00")
def test_a_file_with_a_piece_torn_out_is_read_or_refused(text: str, start: int, length: int, put: str) -> None:
    read_or_refuse(text[:start] + put + text[start + length :], bench=text is BENCH)


def read_or_refuse(text: str, *, bench: bool) -> None:
    refused: tuple[Problem, ...] = ()
    try:
        read = bench_from_text(text).text if bench else plan_from_text(text).text
    except UserFileError as exc:
        read, refused = str(exc), exc.problems
    name = "bench.toml" if bench else "plan.toml"
    assert read == text or (refused and read.splitlines() == [str(problem) for problem in refused])
    assert all(problem.file == name and problem.rule for problem in refused)
