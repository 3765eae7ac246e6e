"""The command line. Each command imports what it needs when it is called; nobody is shown a traceback."""

from __future__ import annotations

import importlib.metadata
import io
import json
import os
import shutil
import sys
import traceback
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from harness.errors import (
    BENCH_FAILED,
    FILES_WRONG,
    INTERRUPTED,
    OTHER_VERDICT,
    CommandLineError,
    UserFileError,
    exit_status,
)
from harness.lines import laid_out
from results.record.plain_file import open_fresh
from results.visible import visible

if TYPE_CHECKING:
    from harness.bench_file import BenchFile
    from harness.events import Event, Listener
    from harness.plan import Plan
    from harness.procedure_file import LoadedProcedure
    from harness.resuming import Resumption
    from harness.run import RunResult
    from harness.signals import StopRequest

app = typer.Typer(
    name="stuckpin",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    help=(
        "Finds digital inputs that stay high after they are let go: presses every pin of a board, releases it, logs "
        "its voltage, with and without trial resistors, and reports which pins stick, how bad, and what to fit.\n\n"
        "Exit status: 0 every planned trial released, 1 any other verdict, 2 files or command line wrong, 3 the bench "
        "failed, 4 interrupted; whatever it is, every pin was let go and every output is off, or the last lines say "
        "what could not be verified."
    ),
)


def _show_version(asked: bool) -> None:
    if asked:
        _say(f"stuckpin {importlib.metadata.version('stuckpin')}")
        raise typer.Exit


@app.callback()
def every_command(
    version: Annotated[
        bool, typer.Option("--version", help="Show the version and end.", is_eager=True, callback=_show_version)
    ] = False,
) -> None:
    """Options that stand before a command; the help of the whole is given above."""


Parent = Annotated[Path, typer.Option("--runs", help="Where the run folder is made.", show_default=True)]
Plain = Annotated[bool, typer.Option("--plain", help="Plain lines instead of the live view.")]
NoPdf = Annotated[bool, typer.Option("--no-pdf", help="Only the CSV files, no report.pdf.")]
OperatorName = Annotated[str, typer.Option("--operator", help="Who is at the bench; stands in the report.")]
Procedures = Annotated[
    list[Path] | None,
    typer.Option("--procedures", help="A folder from which a procedure file of your own may be carried out."),
]


Libraries = Annotated[
    list[str] | None,
    typer.Option("--visa-library", help="A VISA library that the bench file may name beside @py and @ivi: it is code."),
]


DEMO_FILES = "demo-files"


@app.command()
def demo(
    runs: Parent = Path("runs"),
    plain: Plain = False,
) -> None:
    """Check a simulated bench and carry out the 24-pin Fernhill plan on it, over real sockets and serial lines."""
    from harness.demo import fernhill_board, simulated_bench, write_demo_files

    with fernhill_board() as board, simulated_bench(board) as resources:
        plan, bench = write_demo_files(runs / DEMO_FILES, resources)
        _check(bench, plan, "demo")
        status = _run(plan, bench, runs=runs, operator="demo", plain=plain, pdf=True)
    raise typer.Exit(status)


@app.command()
def run(
    plan: Annotated[Path, typer.Argument(help="What to test (plan.toml).")],
    bench: Annotated[Path, typer.Option("--bench", help="Instruments and wiring (bench.toml).")],
    runs: Parent = Path("runs"),
    procedures: Procedures = None,
    operator: OperatorName = "",
    plain: Plain = False,
    no_pdf: NoPdf = False,
    visa_library: Libraries = None,
) -> None:
    """Carry out a plan on a bench: press, release, log, decide and report."""
    status = _run(
        plan,
        bench,
        runs=runs,
        operator=operator,
        plain=plain,
        pdf=not no_pdf,
        procedures=procedures or (),
        libraries=visa_library or (),
    )
    raise typer.Exit(status)


@app.command()
def resume(
    run: Annotated[Path, typer.Argument(help="The folder of a run that ended early.")],
    plan: Annotated[Path | None, typer.Option("--plan", help="The plan, where it has moved since.")] = None,
    bench: Annotated[Path | None, typer.Option("--bench", help="The bench file, where it has moved since.")] = None,
    procedures: Procedures = None,
    unit: Annotated[
        str | None, typer.Option("--unit", help="Serial of the unit on the bench, so that nobody is asked for it.")
    ] = None,
    operator: OperatorName = "",
    plain: Plain = False,
    no_pdf: NoPdf = False,
    visa_library: Libraries = None,
) -> None:
    """Go on with a run that ended early: make what is left, in the same folder, and seal it.

    Unit, plan, bench and procedure must be those that the run began with; the first difference is named.
    """
    from harness.resuming import is_finished, open_to_resume, resumption

    folder = open_to_resume(run)
    if is_finished(folder):
        folder.seal()
        raise typer.Exit(_report(folder.path, pdf=not no_pdf))
    whole = resumption(folder, plan, bench, procedures or ())
    raise typer.Exit(
        _bench_run(
            whole.plan,
            replace(whole.file, libraries=tuple(visa_library or ())),
            whole.procedure,
            runs=folder.path.parent,
            operator=operator,
            plain=plain,
            pdf=not no_pdf,
            resumed=whole,
            unit=unit,
        )
    )


@app.command()
def check(
    bench: Annotated[Path, typer.Option("--bench", help="Instruments and wiring (bench.toml).")],
    plan: Annotated[
        Path | None, typer.Option("--plan", help="A plan: its rail, tolerances and logs are what is checked against.")
    ] = None,
    operator: Annotated[str, typer.Option("--operator", help="Who is at the bench; stands in the check.")] = "",
    visa_library: Libraries = None,
) -> None:
    """Check the bench itself, with no pin on it: meter, time base, rail, relays, every resistor in place, fixture.

    The check is kept in a folder checks beside the bench file, where runs find it.

    Exit status: 0 nothing failed, 2 a file is wrong, 3 an item or the bench failed.
    """
    raise typer.Exit(_check(bench, plan, operator, visa_library or ()))


@app.command("import")
def import_(
    folder: Annotated[Path, typer.Argument(help="Folder with trials.csv and one CSV a trace.")],
    plan: Annotated[Path, typer.Option("--plan", help="Levels, pins and resistors of those traces (plan.toml).")],
    runs: Parent = Path("runs"),
    no_pdf: NoPdf = False,
) -> None:
    """Make a run folder, with the same analysis and report, from traces that another instrument saved."""
    from harness.plan import read_plan
    from harness.recorded import import_folder

    made = import_folder(folder, read_plan(plan), runs)
    raise typer.Exit(_report(made.path, pdf=not no_pdf))


@app.command()
def report(
    run: Annotated[Path, typer.Argument(help="A run folder.")],
    no_pdf: NoPdf = False,
) -> None:
    """Analyse a run folder again and write trials.csv, pins.csv and report.pdf anew."""
    raise typer.Exit(_report(run, pdf=not no_pdf))


@app.command()
def verify(run: Annotated[Path, typer.Argument(help="A run folder.")]) -> None:
    """Tell of every file of a run folder whether it is what it was: one line a file, the last line a verdict.

    Exit status: 0 all as sealed, 1 something changed, is missing or damaged, or the run was never sealed, 2 no run
    folder.
    """
    from results.record.wholeness import wholeness

    found = wholeness(run)
    for one in found.files:
        _say(str(one))
    _say(found.verdict)
    raise typer.Exit(OTHER_VERDICT if found.wrong or not found.sealed else 0)


@app.command()
def simulate(
    board: Annotated[
        Path | None, typer.Argument(help="The hidden truth of the simulated board (board.toml); Fernhill's by default.")
    ] = None,
    files: Annotated[
        Path | None,
        typer.Option("--files", help="Write plan.toml and bench.toml of the Fernhill board into this folder."),
    ] = None,
    speed: Annotated[float | None, typer.Option("--speed", help="Bench seconds a real second.")] = None,
    stepped: Annotated[
        bool, typer.Option("--stepped", help="Bench time passes only where somebody waits: as fast as the computer.")
    ] = False,
    seed: Annotated[int | None, typer.Option("--seed", help="Another seed than the file's.")] = None,
    until_stdin_ends: Annotated[
        bool, typer.Option("--until-stdin-ends", help="End when the standard input does.")
    ] = False,
    no_pty: Annotated[
        bool, typer.Option("--no-pty", help="Serial lines as TCP ports, as on systems without them.")
    ] = False,
) -> None:
    """Serve a simulated bench on loopback ports and pseudo-terminals until it is ended (Ctrl-C)."""
    from drivers.simulated.serve import main as serve
    from harness.demo import fernhill_board, write_demo_files

    if speed is not None and not 0.0 < speed < float("inf"):
        raise CommandLineError(f"--speed: must be above 0: {speed:g}")
    if board is not None and files is not None:
        raise CommandLineError(f"--files: goes with the Fernhill board only, not with {board}")
    if stepped and speed is not None:
        raise CommandLineError("--stepped: goes without --speed: a stepped bench has none")

    def announced(resources: dict[str, str]) -> None:
        if files is not None:
            write_demo_files(files, resources, speed, stepped=stepped)

    with fernhill_board() as fernhill:
        arguments = [str(fernhill if board is None else board)]
        arguments += [] if speed is None else ["--speed", f"{speed:g}"]
        arguments += ["--stepped"] if stepped else []
        arguments += [] if seed is None else ["--seed", str(seed)]
        arguments += ["--until-stdin-ends"] if until_stdin_ends else []
        arguments += ["--no-pty"] if no_pty else []
        raise typer.Exit(serve(arguments, announced))


@app.command()
def replay(
    run: Annotated[Path, typer.Argument(help="A run folder, or any folder with a wire log.")],
    files: Annotated[
        Path | None, typer.Option("--files", help="Write plan.toml and bench.toml for the replay into this folder.")
    ] = None,
    first: Annotated[
        int | None, typer.Option("--from", min=1, help="Serve from this message on, to code that begins there.")
    ] = None,
    until_stdin_ends: Annotated[
        bool, typer.Option("--until-stdin-ends", help="End when the standard input does.")
    ] = False,
) -> None:
    """Serve the logged instruments of a run again, on loopback ports: the same replies, the same failures.

    Ends when the whole log was gone through, when nobody is connected any more after a message that differs, or by
    Ctrl-C. What is gone from the log is said first, the first message that differs last.

    Exit status: 0 everything that came was as logged, 1 something differed, 2 no wire log.
    """
    import threading

    from harness.replay.command import carry_out_replay
    from harness.signals import StopRequest, stop_on_signals

    stop = StopRequest()
    if until_stdin_ends:
        threading.Thread(target=_ask_at_end_of_input, args=(stop,), daemon=True).start()

    def announced(resources: dict[str, str]) -> None:
        _say(f"ready {json.dumps(resources)}")

    with stop_on_signals(stop):
        status = carry_out_replay(run, files=files, first=first, announce=announced, tell=_complain, stop=stop.asked)
    raise typer.Exit(status)


def _ask_at_end_of_input(stop: StopRequest) -> None:
    while os.read(sys.stdin.fileno(), 4096):
        pass
    stop.ask("the standard input ended")


def _run(
    plan_path: Path,
    bench_path: Path,
    *,
    runs: Path,
    operator: str,
    plain: bool,
    pdf: bool,
    procedures: Sequence[Path] = (),
    libraries: Sequence[str] = (),
) -> int:
    """Everything is read and checked before the first instrument is opened."""
    from harness.bench_file import read_bench
    from harness.plan import read_plan
    from harness.procedure_file import load_procedure
    from harness.together import check_together

    plan, bench = read_plan(plan_path), replace(read_bench(bench_path), libraries=tuple(libraries))
    check_together(plan, bench)
    procedure = load_procedure(plan.trials.procedure, procedures, plan=plan_path)
    return _bench_run(plan, bench, procedure, runs=runs, operator=operator, plain=plain, pdf=pdf)


def _bench_run(
    plan: Plan,
    bench: BenchFile,
    procedure: LoadedProcedure,
    *,
    runs: Path,
    operator: str,
    plain: bool,
    pdf: bool,
    resumed: Resumption | None = None,
    unit: str | None = None,
) -> int:
    """A run, or the rest of one, with its view and its report."""
    from harness.prompts import Terminal
    from harness.resuming import confirm_unit
    from harness.run import carry_out
    from harness.signals import StopRequest
    from harness.watch import watched

    stop = StopRequest()

    def work(listen: Listener) -> RunResult:
        person = Terminal(listen, stop.asked).operator()
        notes: tuple[str, ...] = ()
        if resumed is not None:
            notes = (f"unit known by {confirm_unit(resumed.folder.record, unit, person.type_in)}", *resumed.notes)
        return carry_out(
            plan,
            bench,
            procedure,
            parent=runs,
            listen=listen,
            stop=stop,
            operator=person,
            operator_name=operator,
            resumed=None if resumed is None else resumed.folder,
            resumed_notes=notes,
        )

    result = watched(work, _shown_to(_view(plain), stop), stop)
    if result.folder is None:
        for problem in result.not_verified:
            _say(f"NOT VERIFIED: {problem}")
        assert result.error is not None
        raise result.error
    status = _report_after(result, pdf)
    if result.not_verified:
        return BENCH_FAILED
    return status if result.error is None else exit_status(result.error)


def _report_after(result: RunResult, pdf: bool) -> int:
    """The report of a run; where the disk has ended the run it may have no room for one, which is not the news then."""
    from results.errors import ResultsError

    assert result.folder is not None
    try:
        return _report(result.folder.path, pdf=pdf)
    except ResultsError as exc:
        if result.error is None:
            raise
        _say(f"not reported: {exc}")
        return exit_status(result.error)


def _check(bench_path: Path, plan_path: Path | None, operator_name: str, libraries: Sequence[str] = ()) -> int:
    from harness.bench_file import read_bench
    from harness.check import carry_out_check, summary
    from harness.check_lines import item_line
    from harness.plan import read_plan
    from harness.prompts import Terminal
    from harness.signals import StopRequest, stop_on_signals
    from results.report.numbers import moment

    bench = replace(read_bench(bench_path), libraries=tuple(libraries))
    plan = None if plan_path is None else read_plan(plan_path)
    stop = StopRequest()
    operator = Terminal(lambda event: _say(str(getattr(event, "text", event))), stop.asked).operator()
    with stop_on_signals(stop):
        result = carry_out_check(
            bench,
            plan,
            stop=stop,
            operator=operator,
            tell=lambda text: _say(f"checking: {text}"),
            operator_name=operator_name,
        )
    for item in result.record.items:
        _say(item_line(item))
    _say(f"{result.record.bench_name}: {summary(result.record)}; holds until {moment(result.record.valid_until_utc)}")
    _say(f"written: {result.path}")
    for problem in result.not_verified:
        _say(f"NOT VERIFIED: {problem}")
    return BENCH_FAILED if result.record.failed or result.not_verified else 0


def _view(plain: bool) -> Listener:
    from rich.console import Console

    from harness.terminal import LiveView, PlainLines

    console = Console()
    if plain or not console.is_terminal:
        return PlainLines(_say)
    return LiveView(console)


def _shown_to(view: Listener, stop: StopRequest) -> Listener:
    """The view, until its output is closed: then the run is asked to stop, and all is made safe unseen."""

    def listen(event: Event) -> None:
        try:
            view(event)
        except OSError as exc:
            _silence(exc)
        if _silent:
            stop.ask("the output was closed")

    return listen


def _report(path: Path, *, pdf: bool) -> int:
    from harness.reporting import write_derived
    from harness.summary import status_of, summary_lines
    from results.report.more_tables import table_names

    finding = write_derived(path, pdf=pdf)
    for line in summary_lines(finding):
        _say(line)
    names = ["trials.csv", "pins.csv", *table_names(finding), *(["report.pdf"] if pdf else [])]
    _say(f"written in {path}: {', '.join(names)}")
    return status_of(finding)


_silent: list[str] = []
"""Why nothing is said any more; empty as long as somebody may read it."""


def _say(line: str) -> None:
    try:
        columns = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
        print(laid_out(visible(line), columns), flush=True)  # noqa: T201 - the command line's own output
    except OSError as exc:
        _silence(exc)


def _silence(error: OSError) -> None:
    """Nobody reads the standard output any more (`| head`), or its disk is full: what is being done goes on without."""
    if not _silent and not isinstance(error, BrokenPipeError):
        _complain(f"standard output: {error.strerror}")
    _silent.append(str(error))
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())  # what is still buffered must go somewhere, or Python complains at its end
    os.close(nowhere)


CTRL_C = 130
"""What typer makes of a KeyboardInterrupt: 128 and the number of the signal, as a shell has it."""


def main() -> NoReturn:
    """The command `stuckpin`: every error becomes one clear line and an exit status."""
    _nowhere_for_closed_streams()
    if isinstance(sys.stdout, io.TextIOWrapper):
        # An Ω that an output cannot carry is written as its code; it ends nothing.
        sys.stdout.reconfigure(errors="backslashreplace")
    try:
        status = app(standalone_mode=False)
    except (KeyboardInterrupt, typer.Abort):
        status = CTRL_C
    except Exception as exc:  # noqa: BLE001 - the last place: whatever it is, a person gets one clear line
        status = _told(exc)
    if status == CTRL_C:
        # While a bench is open, signals only ask the run to stop; where one arrives here, nothing is energised.
        _complain("interrupted")
        status = INTERRUPTED
    sys.exit(status or 0)


def _nowhere_for_closed_streams() -> None:
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


def _told(error: Exception) -> int:
    """Say what is wrong on the standard error; returns the exit status."""
    usage = getattr(error, "format_message", None)
    if usage is not None:
        if usage():  # empty where the help was shown instead
            _complain(*usage().splitlines())
        return FILES_WRONG
    try:
        status = exit_status(error)
    except Exception:  # noqa: BLE001 - exit_status raises what it does not know: a defect of ours
        return _defect(error)
    problems = error.problems if isinstance(error, UserFileError) else (error,)
    _complain(*(str(problem) for problem in problems))
    return status


def _complain(*lines: str) -> None:
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
    _complain(f"defect in stuckpin itself: {type(error).__name__}: {error}{where}")
    return BENCH_FAILED


if __name__ == "__main__":
    main()
