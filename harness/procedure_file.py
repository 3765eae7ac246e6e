"""A procedure by its name: a built-in one, or one of the user's own from a .py file.

A file of one's own is carried out as it stands, with all rights of the user, so it is taken only from a folder that the
command line allows. It defines a function of its own name:

    long_hold.py:   def long_hold(bench, trial, settings) -> Observation
"""

from __future__ import annotations

import hashlib
import inspect
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import wraps
from pathlib import Path, PurePath
from types import ModuleType
from typing import TYPE_CHECKING, Any

from harness.errors import UserFileError, shown

if TYPE_CHECKING:
    from drivers.bench import Bench
    from procedures.settings import PressSettings
    from results.record.observation import Observation
    from results.record.trial import Trial

    ProcedureFunction = Callable[[Bench, Trial, PressSettings], Observation]

BUILT_IN = ("press_release",)
"""Procedures that come with stuckpin and make a trial; the first is what a plan that names none gets."""

MAX_BYTES = 1_000_000


@dataclass(frozen=True)
class LoadedProcedure:
    """A procedure ready to be carried out. `path` and `sha256` (of the file) are empty for a built-in one."""

    name: str
    function: ProcedureFunction
    path: str = ""
    sha256: str = ""


def load_procedure(name: str, folders: Sequence[Path], *, plan: Path | str = "plan.toml") -> LoadedProcedure:
    """The procedure that a plan names; `folders` are those that the command line allows.

    Raises UserFileError: no such procedure, not inside an allowed folder, not Python, or not a function of that name
    that takes (bench, trial, settings).
    """
    if PurePath(name).suffix != ".py":
        return _built_in(name, plan)
    path = _find(name, folders, plan)
    source = _read(path)
    function = _function(path, _carry_out(path, source))
    return LoadedProcedure(name, _checked(path, function), str(path), hashlib.sha256(source).hexdigest())


def _built_in(name: str, plan: Path | str) -> LoadedProcedure:
    if name not in BUILT_IN:
        raise UserFileError(plan, "trials.procedure", "unknown procedure and not the name of a .py file", shown(name))
    from procedures.press_release import press_release

    return LoadedProcedure(name, press_release)


def _find(name: str, folders: Sequence[Path], plan: Path | str) -> Path:
    """The file, with links and `..` followed to where it really is: that is what must lie in an allowed folder."""
    key, value = "trials.procedure", shown(name)
    if not folders:
        rule = "a procedure of your own is carried out only from a folder that the command line allows"
        raise UserFileError(plan, key, rule, value)
    for folder in folders:
        try:
            found = (folder / name).resolve(strict=True)
        except (OSError, RuntimeError, ValueError):
            continue
        if not any(found.is_relative_to(allowed.resolve()) for allowed in folders):
            raise UserFileError(plan, key, f"leads out of the allowed folder to {found}", value)
        if not found.is_file():
            raise UserFileError(plan, key, f"is not a file: {found}", value)
        return found
    where = ", ".join(str(folder) for folder in folders)
    raise UserFileError(plan, key, f"no such file in {where}", value)


def _read(path: Path) -> bytes:
    if path.suffix != ".py" or not path.stem.isidentifier():
        raise UserFileError(path, "", "must be named as a Python function, with the ending .py")
    try:
        with path.open("rb") as stream:
            source = stream.read(MAX_BYTES + 1)
    except OSError as exc:
        raise UserFileError(path, "", f"cannot be read: {exc.strerror}") from exc
    if len(source) > MAX_BYTES:
        raise UserFileError(path, "", f"must not be larger than {MAX_BYTES} bytes")
    return source


def _carry_out(path: Path, source: bytes) -> ModuleType:
    """The module, made from exactly the bytes that were hashed, and without leaving bytecode beside the user's file."""
    try:
        code = compile(source, str(path), "exec", dont_inherit=True)
    except SyntaxError as exc:
        raise UserFileError(path, f"line {exc.lineno or 1}", f"not Python: {exc.msg}") from exc
    except (ValueError, RecursionError, MemoryError) as exc:
        raise UserFileError(path, "", f"not Python: {exc}") from exc
    module = ModuleType(f"procedure_file_{path.stem}")
    module.__file__ = str(path)
    sys.modules[module.__name__] = module  # dataclasses look their module up by its name
    try:
        exec(code, vars(module))
    except (Exception, SystemExit) as exc:
        del sys.modules[module.__name__]
        raise UserFileError(path, _line_of(exc, path), f"fails when it is loaded: {_one_line(exc)}") from exc
    return module


def _function(path: Path, module: ModuleType) -> Callable[..., Any]:
    name = path.stem
    function = vars(module).get(name)
    if not inspect.isfunction(function):
        raise UserFileError(path, name, f"must be a function that the file defines, {name}(bench, trial, settings)")
    if inspect.iscoroutinefunction(function) or inspect.isgeneratorfunction(function):
        raise UserFileError(path, name, "must be a plain function, neither async nor a generator")
    try:
        inspect.signature(function).bind(None, None, None)
    except TypeError as exc:
        taken = str(inspect.signature(function))
        raise UserFileError(path, name, "must take three arguments, (bench, trial, settings)", taken) from exc
    return function


def _checked(path: Path, function: Callable[..., Any]) -> ProcedureFunction:
    """The function with its result checked: a forgotten `return` must not become a trial without a trace."""
    from results.record.observation import Observation

    @wraps(function)
    def checked(bench: Bench, trial: Trial, settings: PressSettings) -> Observation:
        result = function(bench, trial, settings)
        if not isinstance(result, Observation):
            raise UserFileError(path, path.stem, "must return an Observation", type(result).__name__)
        if problem := _unrecordable(trial, result):
            raise UserFileError(path, path.stem, "must return an Observation that can be recorded", problem)
        return result

    return checked


def _unrecordable(trial: Trial, observation: Observation) -> str:
    """What keeps an observation from being recorded and read again; empty where nothing does.

    A record that is written and cannot be read would be lost evidence, found only after the run.
    """
    from results.errors import ResultsError
    from results.record import journal, samples

    try:
        span = samples.span_of(observation.trace, samples.encode(observation.trace), 0)
        damaged = journal.read(journal.line_of(trial, span, observation), "observation").damaged
    except (AttributeError, TypeError, ValueError, ResultsError) as exc:
        return _one_line(exc)
    return damaged[0].removeprefix("observation: line 1: ") if damaged else ""


def _line_of(error: BaseException, path: Path) -> str:
    """The last line of the user's own file that the error came through."""
    lines, step = [], error.__traceback__
    while step is not None:
        if step.tb_frame.f_code.co_filename == str(path):
            lines.append(step.tb_lineno)
        step = step.tb_next
    return f"line {lines[-1]}" if lines else ""


def _one_line(error: BaseException) -> str:
    text = " ".join(str(error).split())
    return f"{type(error).__name__}: {text}" if text else type(error).__name__
