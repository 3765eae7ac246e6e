"""The command line. Each command imports what it needs when it is called; nobody is shown a traceback."""

from __future__ import annotations

import importlib.metadata
import io
import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from harness.commands import ask_at_end_of_input, check_files, report_folder, run_files, run_on_bench
from harness.errors import (
    INTERRUPTED,
    OTHER_VERDICT,
    CommandLineError,
)
from harness.speaking import complain, nowhere_for_closed_streams, say, told_error

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
        say(f"stuckpin {importlib.metadata.version('stuckpin')}")
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
        check_files(bench, plan, "demo")
        status = run_files(plan, bench, runs=runs, operator="demo", plain=plain, pdf=True)
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
    status = run_files(
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
        raise typer.Exit(report_folder(folder.path, pdf=not no_pdf))
    whole = resumption(folder, plan, bench, procedures or ())
    raise typer.Exit(
        run_on_bench(
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
    raise typer.Exit(check_files(bench, plan, operator, visa_library or ()))


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
    raise typer.Exit(report_folder(made.path, pdf=not no_pdf))


@app.command()
def report(
    run: Annotated[Path, typer.Argument(help="A run folder.")],
    no_pdf: NoPdf = False,
) -> None:
    """Analyse a run folder again and write trials.csv, pins.csv and report.pdf anew."""
    raise typer.Exit(report_folder(run, pdf=not no_pdf))


@app.command()
def verify(run: Annotated[Path, typer.Argument(help="A run folder.")]) -> None:
    """Tell of every file of a run folder whether it is what it was: one line a file, the last line a verdict.

    Exit status: 0 all as sealed, 1 something changed, is missing or damaged, or the run was never sealed, 2 no run
    folder.
    """
    from results.record.wholeness import wholeness

    found = wholeness(run)
    for one in found.files:
        say(str(one))
    say(found.verdict)
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
        threading.Thread(target=ask_at_end_of_input, args=(stop,), daemon=True).start()

    def announced(resources: dict[str, str]) -> None:
        say(f"ready {json.dumps(resources)}")

    with stop_on_signals(stop):
        status = carry_out_replay(run, files=files, first=first, announce=announced, tell=complain, stop=stop.asked)
    raise typer.Exit(status)


CTRL_C = 130
"""What typer makes of a KeyboardInterrupt: 128 and the number of the signal, as a shell has it."""


def main() -> NoReturn:
    """The command `stuckpin`: every error becomes one clear line and an exit status."""
    nowhere_for_closed_streams()
    if isinstance(sys.stdout, io.TextIOWrapper):
        # An Ω that an output cannot carry is written as its code; it ends nothing.
        sys.stdout.reconfigure(errors="backslashreplace")
    try:
        status = app(standalone_mode=False)
    except (KeyboardInterrupt, typer.Abort):
        status = CTRL_C
    except Exception as exc:  # noqa: BLE001 - the last place: whatever it is, a person gets one clear line
        status = told_error(exc)
    if status == CTRL_C:
        # While a bench is open, signals only ask the run to stop; where one arrives here, nothing is energised.
        complain("interrupted")
        status = INTERRUPTED
    sys.exit(status or 0)


if __name__ == "__main__":
    main()
