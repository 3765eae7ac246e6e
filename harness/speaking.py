"""What the command line says to a person: lines on standard output, complaints and defects on standard error."""

from __future__ import annotations

import os
import shutil
import sys
import traceback
from contextlib import suppress
from pathlib import Path

from harness.errors import BENCH_FAILED, FILES_WRONG, UserFileError, exit_status
from harness.lines import laid_out
from results.record.plain_file import open_fresh
from results.visible import visible

silent: list[str] = []
"""Why nothing is said any more; empty as long as somebody may read it."""


def say(line: str) -> None:
    """One line on the standard output, where somebody still reads it."""
    try:
        columns = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
        print(laid_out(visible(line), columns), flush=True)  # noqa: T201 - the command line's own output
    except OSError as exc:
        silence(exc)


def silence(error: OSError) -> None:
    """Nobody reads the standard output any more (`| head`), or its disk is full: what is being done goes on without."""
    if not silent and not isinstance(error, BrokenPipeError):
        complain(f"standard output: {error.strerror}")
    silent.append(str(error))
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())  # what is still buffered must go somewhere, or Python complains at its end
    os.close(nowhere)


def nowhere_for_closed_streams() -> None:
    """A standard stream that was closed before this program began leads nowhere: otherwise the next thing that is
    opened, an instrument's socket say, would take its number, and what is printed would go there."""
    for number, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        try:
            os.fstat(number)
        except OSError:
            nowhere = os.open(os.devnull, os.O_RDWR)
            if nowhere != number:
                os.dup2(nowhere, number)
                os.close(nowhere)
        if getattr(sys, name) is None:
            setattr(sys, name, open(number, mode, encoding="utf-8", closefd=False))  # noqa: SIM115 - as long as we live


def told_error(error: Exception) -> int:
    """Say what is wrong on the standard error; returns the exit status."""
    usage = getattr(error, "format_message", None)
    if usage is not None:
        if usage():  # empty where the help was shown instead
            complain(*usage().splitlines())
        return FILES_WRONG
    try:
        status = exit_status(error)
    except Exception:  # noqa: BLE001 - exit_status raises what it does not know: a defect of ours
        return _defect(error)
    problems = error.problems if isinstance(error, UserFileError) else (error,)
    complain(*(str(problem) for problem in problems))
    return status


def complain(*lines: str) -> None:
    """Lines on the standard error; where that is closed too, nobody is left to be told."""
    with suppress(OSError):
        print("stuckpin:", "\n".join(map(visible, lines)), file=sys.stderr)  # noqa: T201


def _defect(error: Exception) -> int:
    """A defect of the program: one line for the person, the details in a file for whoever mends it."""
    path = Path("stuckpin-defect.txt")
    try:
        with open_fresh(path) as file:
            file.write("".join(traceback.format_exception(error)).encode("utf-8", "backslashreplace"))
        where = f"; details in {path.resolve()}"
    except OSError:
        where = ""
    complain(f"defect in stuckpin itself: {type(error).__name__}: {error}{where}")
    return BENCH_FAILED
