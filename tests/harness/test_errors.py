"""Each error ends the program with the status that says who is at fault."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

import drivers.errors
import procedures.errors
import results.errors
from drivers.errors import BenchError, InstrumentError, LinkTimeoutError, StopRequestedError
from harness import errors
from harness.errors import (
    CommandLineError,
    HarnessError,
    Problem,
    SafetyError,
    UserFileError,
    exit_status,
    shown,
)
from procedures.errors import NotReachedError, ProcedureError
from results.errors import ForeignTraceError, QuantityError, RecordError, ReportError, ResultsError, StorageError

STATUS: list[tuple[BaseException, int]] = [
    (UserFileError("plan.toml", "", "no such file"), 2),
    (CommandLineError("--bench: missing"), 2),
    (QuantityError("x"), 2),
    (RecordError("x"), 2),
    (ForeignTraceError("x"), 2),
    (StorageError("x"), 3),
    (SafetyError("x"), 3),
    (BenchError("x"), 3),
    (LinkTimeoutError("x", resource="r"), 3),
    (InstrumentError("x", resource="r"), 3),
    (NotReachedError("x"), 3),
    (ReportError("x"), 3),
    (StopRequestedError("x"), 4),
]


@pytest.mark.parametrize(("error", "status"), STATUS, ids=[type(error).__name__ for error, _ in STATUS])
def test_exit_status(error: BaseException, status: int) -> None:
    assert exit_status(error) == status


def test_every_error_of_the_four_rooms_has_a_status() -> None:
    trees = (HarnessError, BenchError, ProcedureError, ResultsError)
    rooms = (errors, drivers.errors, procedures.errors, results.errors)
    found = [item for room in rooms for item in vars(room).values() if isinstance(item, type)]
    for kind in found:
        if issubclass(kind, trees):
            assert exit_status(kind.__new__(kind)) in (2, 3, 4)
    assert len([kind for kind in found if issubclass(kind, trees)]) > 15


def test_an_error_that_nobody_mapped_is_not_hidden() -> None:
    with pytest.raises(KeyError, match="slip"):
        exit_status(KeyError("slip"))


def test_user_file_error_is_one_line_a_problem() -> None:
    problems = [Problem("a.toml", "x.y", "must be 1", "2"), Problem("a.toml", "z", "missing")]
    error = UserFileError.of(problems)
    assert str(error) == "a.toml: x.y: must be 1: 2\na.toml: z: missing"
    assert error.problems == tuple(problems)
    assert (error.file, error.key, error.rule, error.value) == ("a.toml", "x.y", "must be 1", "2")
    assert str(UserFileError(Path("b.toml"), "", "no such file")) == "b.toml: no such file"


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ("8k2", '"8k2"'),
        ("47 kΩ", '"47 kΩ"'),
        ('a"b', '"a\\"b"'),
        ("a\nb\u2028\x85", '"a\\nb\\u2028\\u0085"'),
        (True, "true"),
        (3.0, "3.0"),
        (float("nan"), "nan"),
        (date(2027, 3, 31), "2027-03-31"),
        (["a", 1], '["a", 1]'),
        ({"a": [False], "b\nc": 1}, '{a = [false], "b\\nc" = 1}'),
        ([[[[1]], 2]], "[[[…], 2]]"),
        ("x" * 100, '"' + "x" * 78 + "…"),
    ],
)
def test_a_value_is_shown_on_one_line_as_a_file_would_write_it(value: object, text: str) -> None:
    assert shown(value) == text
