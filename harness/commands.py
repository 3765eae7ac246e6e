"""What the commands do, each with its files, its view and its report; how they are written stands in cli.py."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from harness.errors import BENCH_FAILED, exit_status
from harness.speaking import say, silence, silent

if TYPE_CHECKING:
    from harness.bench_file import BenchFile
    from harness.events import Event, Listener
    from harness.plan import Plan
    from harness.procedure_file import LoadedProcedure
    from harness.resuming import Resumption
    from harness.run import RunResult
    from harness.signals import StopRequest


def ask_at_end_of_input(stop: StopRequest) -> None:
    while os.read(sys.stdin.fileno(), 4096):
        pass
    stop.ask("the standard input ended")


def run_files(
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
    return run_on_bench(plan, bench, procedure, runs=runs, operator=operator, plain=plain, pdf=pdf)


def run_on_bench(
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

    result = watched(work, shown_to(_view(plain), stop), stop)
    if result.folder is None:
        for problem in result.not_verified:
            say(f"NOT VERIFIED: {problem}")
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
        return report_folder(result.folder.path, pdf=pdf)
    except ResultsError as exc:
        if result.error is None:
            raise
        say(f"not reported: {exc}")
        return exit_status(result.error)


def check_files(bench_path: Path, plan_path: Path | None, operator_name: str, libraries: Sequence[str] = ()) -> int:
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
    operator = Terminal(lambda event: say(str(getattr(event, "text", event))), stop.asked).operator()
    with stop_on_signals(stop):
        result = carry_out_check(
            bench,
            plan,
            stop=stop,
            operator=operator,
            tell=lambda text: say(f"checking: {text}"),
            operator_name=operator_name,
        )
    for item in result.record.items:
        say(item_line(item))
    say(f"{result.record.bench_name}: {summary(result.record)}; holds until {moment(result.record.valid_until_utc)}")
    say(f"written: {result.path}")
    for problem in result.not_verified:
        say(f"NOT VERIFIED: {problem}")
    return BENCH_FAILED if result.record.failed or result.not_verified else 0


def _view(plain: bool) -> Listener:
    from rich.console import Console

    from harness.terminal import LiveView, PlainLines

    console = Console()
    if plain or not console.is_terminal:
        return PlainLines(say)
    return LiveView(console)


def shown_to(view: Listener, stop: StopRequest) -> Listener:
    """The view, until its output is closed: then the run is asked to stop, and all is made safe unseen."""

    def listen(event: Event) -> None:
        try:
            view(event)
        except OSError as exc:
            silence(exc)
        if silent:
            stop.ask("the output was closed")

    return listen


def report_folder(path: Path, *, pdf: bool) -> int:
    from harness.reporting import write_derived
    from harness.summary import status_of, summary_lines
    from results.report.more_tables import table_names

    finding = write_derived(path, pdf=pdf)
    for line in summary_lines(finding):
        say(line)
    names = ["trials.csv", "pins.csv", *table_names(finding), *(["report.pdf"] if pdf else [])]
    say(f"written in {path}: {', '.join(names)}")
    return status_of(finding)
