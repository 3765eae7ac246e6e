"""A folder of traces recorded elsewhere is read whole; one bad trace stops no other."""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path

import numpy as np
import pytest

from results.errors import ForeignTraceError
from results.record.bounds import TRACE_CSV_BYTES
from results.record.foreign_traces import read_folder

HEADER = "file,pin,trial_resistor_ohm,pin_setup,repeat"
VOLTS = [3.3, 3.3, 2.9, 2.4, 2.1, 2.05, 2.03, 2.03, 2.03, 2.03]
TRACE = "time_s,voltage_v\n" + "".join(f"{index * 1e-4:.4f},{volt}\n" for index, volt in enumerate(VOLTS))


def folder_with(folder: Path, trials: str | bytes, **traces: str | bytes) -> Path:
    for name, content in {"trials": trials, **traces}.items():
        data = content if isinstance(content, bytes) else content.encode()
        (folder / f"{name}.csv").write_bytes(data)
    return folder


def refusal(folder: Path) -> str:
    with pytest.raises(ForeignTraceError) as caught:
        read_folder(folder)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_every_row_comes_with_its_trace(tmp_path: Path) -> None:
    trials = f"{HEADER}\na.csv,D1,,reset default,1\nb.csv,D1,8200,reset default,1\nb.csv,D1,8200.0,reset default,2\n"
    rows = read_folder(folder_with(tmp_path, trials, a=TRACE, b=TRACE.replace("2.03", "0.01")))
    assert [(row.file, row.pin, row.trial_resistor_ohm, row.pin_setup, row.repeat) for row in rows] == [
        ("a.csv", "D1", None, "reset default", 1),
        ("b.csv", "D1", 8200.0, "reset default", 1),
        ("b.csv", "D1", 8200.0, "reset default", 2),
    ]
    assert [row.problem for row in rows] == ["", "", ""]
    assert rows[0].trace is not None
    assert rows[0].trace.voltage_v.tolist() == VOLTS
    assert rows[1].trace is not None
    assert rows[1].trace.voltage_v[-1] == 0.01


def test_optional_columns_are_read_and_empty_cells_are_not_stated(tmp_path: Path) -> None:
    trials = (
        f"{HEADER},hold_v,released_at_s,reads,temperature_c,remark\n"
        "a.csv,D1,none,reset default,1,3.246,0.0002,High,-5.5,odd one\n"
        "a.csv,D1,8k2,reset default,1,,,,,\n"
        "a.csv,D1,10 kΩ,buffer off,1\n"
    )
    full, empty, short = read_folder(folder_with(tmp_path, trials, a=TRACE))
    assert (full.hold_v, full.released_at_s, full.reads, full.temperature_c) == (3.246, 0.0002, "high", -5.5)
    assert (empty.hold_v, empty.released_at_s, empty.reads, empty.temperature_c) == (None, None, "", None)
    assert (full.trial_resistor_ohm, empty.trial_resistor_ohm, short.trial_resistor_ohm) == (None, 8200.0, 10000.0)


def test_a_spreadsheet_with_decimal_commas_is_read(tmp_path: Path) -> None:
    trials = HEADER.replace(",", ";") + ";hold_v\r\na.csv;Tür 1;8200,5;reset default;1;3,246\r\n"
    (row,) = read_folder(folder_with(tmp_path, trials.encode("latin-1"), a=TRACE))
    assert (row.pin, row.trial_resistor_ohm, row.hold_v) == ("Tür 1", 8200.5, 3.246)


def test_problems_of_single_traces_stand_beside_them(tmp_path: Path) -> None:
    names = ["good", "empty", "text", "backwards", "short", "single", "missing"]
    trials = HEADER + "\n" + "".join(f"{name}.csv,{name},,reset default,1\n" for name in names)
    folder_with(
        tmp_path,
        trials,
        good=TRACE,
        empty="",
        text=TRACE.replace("2.9", "high"),
        backwards=TRACE.replace("0.0005", "0.0003"),
        short="time_s,voltage_v\n0,1\n",
        single="voltage_v\n1\n2\n",
    )
    rows = read_folder(tmp_path)
    assert [row.problem for row in rows] == [
        "",
        "empty.csv: empty",
        "text.csv: line 4: voltage_v: not a number: 'high'",
        "backwards.csv: line 7: time_s: not increasing: 0.0003 s after 0.0004 s",
        "short.csv: 1 samples, expected at least 10",
        "single.csv: line 2: only one column: '1'",
        "missing.csv: cannot be read: No such file or directory",
    ]
    assert [row.trace is None for row in rows] == [False, *[True] * 6]


def test_the_least_number_of_samples_can_be_stated(tmp_path: Path) -> None:
    folder_with(tmp_path, f"{HEADER}\na.csv,D1,,reset default,1\n", a=TRACE)
    assert read_folder(tmp_path, min_samples=11)[0].problem == "a.csv: 10 samples, expected at least 11"
    assert read_folder(tmp_path, min_samples=10)[0].problem == ""


def test_overloads_are_kept_as_such(tmp_path: Path) -> None:
    trials = f"{HEADER}\na.csv,D1,,reset default,1\n"
    (row,) = read_folder(folder_with(tmp_path, trials, a=TRACE.replace("2.9", "9.9E+37")))
    assert row.trace is not None
    assert np.flatnonzero(row.trace.overload).tolist() == [2]


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("../x.csv,D1,,reset default,1", "file: leads outside the folder: '../x.csv'"),
        ("a/../../x.csv,D1,,reset default,1", "file: leads outside the folder: 'a/../../x.csv'"),
        ("/etc/passwd,D1,,reset default,1", "file: leads outside the folder: '/etc/passwd'"),
        ("..\\x.csv,D1,,reset default,1", "file: leads outside the folder: '..\\\\x.csv'"),
        ("C:x.csv,D1,,reset default,1", "file: leads outside the folder: 'C:x.csv'"),
        ("a\0.csv,D1,,reset default,1", "file: must be one line of no more than 200 characters: 'a\\x00.csv'"),
        (",D1,,reset default,1", "file: empty"),
        ("a.csv,,,reset default,1", "pin: empty"),
        ("a.csv,D1,,,1", "pin_setup: empty"),
        ("a.csv,D1,,reset default,", "repeat: empty"),
        ("a.csv,D1,,reset default,0", "repeat: not a whole number from 1 up: '0'"),
        ("a.csv,D1,,reset default,1.5", "repeat: not a whole number from 1 up: '1.5'"),
        ("a.csv,D1,-5,reset default,1", "trial_resistor_ohm: a resistance must be positive: '-5' Ω"),
        ("a.csv,D1,nan,reset default,1", "trial_resistor_ohm: not a finite number: 'nan'"),
        (
            "a.csv,D1,5 V,reset default,1",
            "trial_resistor_ohm: '5 V': wrong unit 'V': expected a quantity in Ω, for example \"8.2 kΩ\"",
        ),
        ("a.csv,D1,,reset default,1,x", "hold_v: not a number: 'x'"),
        ("a.csv,D1,,reset default,1,inf", "hold_v: not a finite number: 'inf'"),
        ("a.csv,D1,,reset default,1,,mid", "reads: neither high nor low nor empty: 'mid'"),
        ("a.csv,D1,,reset default,1,,,x", "8 columns, expected 7"),
        ("a.csv,D2,8k2,reset default,1", "the same trial as line 2: pin, trial resistor, pin setup and repeat"),
    ],
)
def test_what_is_wrong_with_a_row_is_named_by_line_and_column(tmp_path: Path, row: str, message: str) -> None:
    trials = f"{HEADER},hold_v,reads\na.csv,D2,8200,reset default,1\n{row}\n"
    assert refusal(folder_with(tmp_path, trials, a=TRACE)) == f"trials.csv: line 3: {message}"


@pytest.mark.skipif(sys.platform == "win32", reason="links need a privilege there")
def test_a_link_that_leads_outside_is_followed_no_further(tmp_path: Path) -> None:
    inside = tmp_path / "inside"
    inside.mkdir()
    (tmp_path / "secret.csv").write_text(TRACE, encoding="utf-8")
    (inside / "a.csv").symlink_to(tmp_path / "secret.csv")
    folder_with(inside, f"{HEADER}\na.csv,D1,,reset default,1\n")
    assert refusal(inside) == "trials.csv: line 2: file: leads outside the folder: 'a.csv'"
    (inside / "a.csv").unlink()
    (inside / "a.csv").symlink_to("a.csv")
    (row,) = read_folder(inside)
    assert row.trace is None
    assert row.problem == "a.csv: cannot be read: Too many levels of symbolic links"


@pytest.mark.parametrize("column", ["file", "pin", "pin_setup"])
@pytest.mark.parametrize("name", ["a\x1b[2J", "a\u202eb", "x" * 201])
def test_a_name_is_one_line_and_nothing_of_it_is_hidden(tmp_path: Path, column: str, name: str) -> None:
    """It used to stand in the run's record as it came, and went from there to tables, report and terminal."""
    cells = {"file": "a.csv", "pin": "D1", "pin_setup": "reset default"} | {column: name}
    folder_with(tmp_path, f"{HEADER}\n{cells['file']},{cells['pin']},,{cells['pin_setup']},1\n")
    told = refusal(tmp_path)
    assert re.match(rf"trials.csv: line \d: {column}: must be one line of no more than 200 characters: ", told)
    assert told.isprintable()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_is_not_waited_for_and_a_file_without_end_is_not_read(tmp_path: Path) -> None:
    """Both used to hang, or to fill the memory."""
    os.mkfifo(tmp_path / "pipe.csv")
    with (tmp_path / "large.csv").open("wb") as large:
        large.truncate(TRACE_CSV_BYTES + 1)
    rows = "".join(f"{name}.csv,D1,,reset default,{n}\n" for n, name in enumerate(("pipe", "large"), start=1))
    folder_with(tmp_path, f"{HEADER}\n{rows}")
    assert [row.problem for row in read_folder(tmp_path)] == [
        "pipe.csv: cannot be read: is not a regular file",
        "large.csv: cannot be read: must not be larger than 64000000 bytes",
    ]
    (tmp_path / "trials.csv").unlink()
    (tmp_path / "trials.csv").symlink_to(tmp_path / "pipe.csv")
    assert refusal(tmp_path).endswith("trials.csv: cannot be read: is a link, which may lead out of the folder")
    (tmp_path / "trials.csv").unlink()
    os.mkfifo(tmp_path / "trials.csv")
    assert refusal(tmp_path).endswith("trials.csv: cannot be read: is not a regular file")


@pytest.mark.parametrize(
    ("trials", "message"),
    [
        ("", "trials.csv: empty"),
        (f"{HEADER}\n", "trials.csv: no trial in it"),
        ("file,pin,repeat\n", "trials.csv: column missing: trial_resistor_ohm, pin_setup; it has file, pin, repeat"),
        (f"{HEADER},pin\n", "trials.csv: column more than once: pin"),
    ],
)
def test_what_is_wrong_with_all_of_trials_csv_is_raised(tmp_path: Path, trials: str, message: str) -> None:
    assert refusal(folder_with(tmp_path, trials)) == message


def test_a_folder_without_trials_csv_says_what_is_missing(tmp_path: Path) -> None:
    assert refusal(tmp_path) == f"{tmp_path / 'trials.csv'}: missing: it says which file is which trial"
