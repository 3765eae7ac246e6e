"""A procedure of one's own is carried out only from an allowed folder, and wrong ones are refused in one line."""

# ruff: noqa: E501 - an expected message stands on one line, as the user sees it

from __future__ import annotations

import hashlib
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from harness.errors import UserFileError, shown
from harness.procedure_file import BUILT_IN, MAX_BYTES, load_procedure
from procedures.press_release import press_release
from results.record.observation import Observation
from results.record.trace import Trace
from results.record.trial import Condition, Trial

NOTHING: Any = None
TRIAL = Trial(1, "hold_on.py", "D1", "none", Condition("reset default", 3.3), 1)

GOOD = """\
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from results.record.observation import Observation
from results.record.trace import Trace


@dataclass
class Own:
    note: str


def hold_on(bench, trial, settings):
    return Observation(Trace(np.zeros(2), np.ones(2)), notes=(Own("mine").note,))
"""


def write(folder: Path, text: str, name: str = "hold_on.py") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def refused(name: str, *folders: Path) -> str:
    with pytest.raises(UserFileError) as caught:
        load_procedure(name, folders, plan="plan.toml")
    message = str(caught.value)
    assert len(message.splitlines()) == 1
    return message


def test_built_in_procedure_needs_no_folder() -> None:
    assert load_procedure(BUILT_IN[0], ()).function is press_release


def test_unknown_built_in_procedure() -> None:
    line = 'plan.toml: trials.procedure: unknown procedure and not the name of a .py file: "press"'
    assert refused("press") == line


def test_own_procedure_is_carried_out_and_leaves_no_bytecode(tmp_path: Path) -> None:
    path = write(tmp_path, GOOD)
    loaded = load_procedure("hold_on.py", (tmp_path,))
    observation = loaded.function(NOTHING, TRIAL, NOTHING)
    assert isinstance(observation, Observation)
    assert observation.notes == ("mine",)
    assert (loaded.name, loaded.path) == ("hold_on.py", str(path.resolve()))
    assert loaded.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert list(tmp_path.iterdir()) == [path]


def test_without_an_allowed_folder_nothing_is_loaded() -> None:
    assert refused("hold_on.py") == (
        "plan.toml: trials.procedure: a procedure of your own is carried out only from a folder that the command line "
        'allows: "hold_on.py"'
    )


def test_file_that_is_not_there(tmp_path: Path) -> None:
    assert refused("hold_on.py", tmp_path) == (f'plan.toml: trials.procedure: no such file in {tmp_path}: "hold_on.py"')


@pytest.mark.parametrize("kind", ["dots", "absolute", "link"])
def test_no_way_out_of_the_allowed_folder(tmp_path: Path, kind: str) -> None:
    allowed = tmp_path / "allowed"
    allowed.mkdir()
    outside = write(tmp_path, GOOD)
    name = {"dots": "../hold_on.py", "absolute": str(outside), "link": "hold_on.py"}[kind]
    if kind == "link":
        (allowed / "hold_on.py").symlink_to(outside)
    rule = f"leads out of the allowed folder to {outside.resolve()}"
    assert refused(name, allowed) == f"plan.toml: trials.procedure: {rule}: {shown(name)}"


def test_a_link_that_stays_inside_is_followed(tmp_path: Path) -> None:
    inner = tmp_path / "inner"
    inner.mkdir()
    path = write(inner, GOOD)
    (tmp_path / "hold_on.py").symlink_to(path)
    assert load_procedure("hold_on.py", (tmp_path,)).path == str(path.resolve())


def test_an_allowed_folder_may_itself_be_a_link(tmp_path: Path) -> None:
    real = tmp_path / "real"
    real.mkdir()
    write(real, GOOD)
    (tmp_path / "link").symlink_to(real)
    assert load_procedure("hold_on.py", (tmp_path / "link",)).path == str((real / "hold_on.py").resolve())


def test_folder_in_place_of_a_file(tmp_path: Path) -> None:
    (tmp_path / "hold_on.py").mkdir()
    rule = f"is not a file: {(tmp_path / 'hold_on.py').resolve()}"
    assert refused("hold_on.py", tmp_path) == f'plan.toml: trials.procedure: {rule}: "hold_on.py"'


WRONG = [
    ("def hold_on(bench, trial)\n", "line 1: not Python: expected ':'"),
    ("x = 1\n\nraise ValueError('no\\nluck')\n", "line 3: fails when it is loaded: ValueError: no luck"),
    ("import sys\nsys.exit(3)\n", "line 2: fails when it is loaded: SystemExit: 3"),
    ("import not_there_at_all\n", "line 1: fails when it is loaded: ModuleNotFoundError: No module named 'not_there_at_all'"),
    ("def other(bench, trial, settings): ...\n", "hold_on: must be a function that the file defines, hold_on(bench, trial, settings)"),
    ("hold_on = 3\n", "hold_on: must be a function that the file defines, hold_on(bench, trial, settings)"),
    ("def hold_on(bench, trial): ...\n", "hold_on: must take three arguments, (bench, trial, settings): (bench, trial)"),
    ("def hold_on(bench, trial, settings, more): ...\n", "hold_on: must take three arguments, (bench, trial, settings): (bench, trial, settings, more)"),
    ("async def hold_on(bench, trial, settings): ...\n", "hold_on: must be a plain function, neither async nor a generator"),
    ("def hold_on(bench, trial, settings): yield\n", "hold_on: must be a plain function, neither async nor a generator"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "line"), WRONG, ids=[line[:50] for _, line in WRONG])
def test_wrong_procedure_file_is_refused_with_its_line(tmp_path: Path, text: str, line: str) -> None:
    path = write(tmp_path, text)
    assert refused("hold_on.py", tmp_path) == f"{path.resolve()}: {line}"


def test_a_file_that_fails_leaves_no_module_behind(tmp_path: Path) -> None:
    write(tmp_path, "raise ValueError\n", "left_over.py")
    path = (tmp_path / "left_over.py").resolve()
    assert refused("left_over.py", tmp_path) == f"{path}: line 1: fails when it is loaded: ValueError"
    assert "procedure_file_left_over" not in sys.modules


def test_a_name_that_no_function_can_have(tmp_path: Path) -> None:
    path = write(tmp_path, GOOD, "hold-on.py").resolve()
    assert refused("hold-on.py", tmp_path) == f"{path}: must be named as a Python function, with the ending .py"


def test_huge_procedure_file(tmp_path: Path) -> None:
    path = write(tmp_path, "#" * (MAX_BYTES + 1)).resolve()
    assert refused("hold_on.py", tmp_path) == f"{path}: must not be larger than 1000000 bytes"


def test_a_forgotten_return_is_not_a_trial(tmp_path: Path) -> None:
    path = write(tmp_path, "def hold_on(bench, trial, settings): ...\n").resolve()
    loaded = load_procedure("hold_on.py", (tmp_path,))
    with pytest.raises(UserFileError) as caught:
        loaded.function(NOTHING, TRIAL, NOTHING)
    assert str(caught.value) == f"{path}: hold_on: must return an Observation: NoneType"


def test_what_a_procedure_raises_passes_through(tmp_path: Path) -> None:
    write(tmp_path, "def hold_on(bench, trial, settings): return 1 / 0\n")
    with pytest.raises(ZeroDivisionError):
        load_procedure("hold_on.py", (tmp_path,)).function(NOTHING, TRIAL, NOTHING)


def test_the_traces_of_an_own_procedure_are_handed_on_untouched(tmp_path: Path) -> None:
    write(tmp_path, GOOD)
    trace = load_procedure("hold_on.py", (tmp_path,)).function(NOTHING, TRIAL, NOTHING).trace
    assert isinstance(trace, Trace)
    assert np.array_equal(trace.voltage_v, [1.0, 1.0])


@pytest.mark.parametrize(
    ("returned", "told"),
    [
        ("Observation(None)", "AttributeError: 'NoneType' object has no attribute 'time_s'"),
        ("Observation(Trace([0.0], [0.0]))", "AttributeError: 'list' object has no attribute 'ndim'"),
        ("Observation(Trace(np.zeros(2), np.zeros(3)))", "RecordError: trace: all arrays must have the one shape (n,): (2,), (3,)"),
        ("Observation(Trace(np.zeros(2), np.zeros(2)), outcome='fine')", "observation.outcome: Input should be 'measured', 'no contact' or 'failed'"),
        ("Observation(Trace(np.zeros(2), np.zeros(2)), hold_v='high')", "observation.hold_v: Input should be a valid number, unable to parse string as a number"),
    ],
)  # fmt: skip
def test_what_could_not_be_read_again_is_refused_before_it_is_recorded(
    tmp_path: Path, returned: str, told: str
) -> None:
    """Used to be written, and was then lost evidence: found as damage when the folder was analysed."""
    (tmp_path / "hold_on.py").write_text(
        GOOD.replace('Observation(Trace(np.zeros(2), np.ones(2)), notes=(Own("mine").note,))', returned)
    )
    loaded = load_procedure("hold_on.py", (tmp_path,))
    with pytest.raises(UserFileError) as caught:
        loaded.function(NOTHING, TRIAL, NOTHING)
    assert (
        str(caught.value)
        == f"{tmp_path / 'hold_on.py'}: hold_on: must return an Observation that can be recorded: {told}"
    )
