"""The one loop: trial, procedure, samples, journal, event. Whatever happens, all is made safe and nothing is lost."""

from __future__ import annotations

import importlib.metadata
import platform
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from drivers.bench import Bench
from drivers.errors import BenchError, StopRequestedError, WiringError
from drivers.operator import Operator
from harness.bench_file import BenchFile
from harness.bus_watch import BusWatch
from harness.checked import Checked, checked
from harness.condition_watch import ConditionWatch
from harness.errors import HarnessError, UserFileError
from harness.events import BenchMadeSafe, Listener, Prompt, RunEnded, RunStarted, TrialFinished, TrialStarted
from harness.opening import GUARD_REPORT, opened_bench
from harness.plan import Plan
from harness.procedure_file import LoadedProcedure
from harness.record import instrument_record, make_record, press_settings
from harness.sequence import order_note, trials_in_order
from harness.signals import StopRequest
from harness.steps import OF_A_KIND
from procedures.errors import ProcedureError, TooLateError
from procedures.neighbours import neighbours_held
from procedures.settings import PressSettings
from results.errors import ResultsError
from results.quantity import show
from results.record.observation import Observation
from results.record.run_folder import RunFolder
from results.record.run_record import RunRecord
from results.record.trace import Trace
from results.record.trial import Trial

SOFTWARE = ("numpy", "scipy", "pyvisa", "pyvisa-py", "pyserial", "pyarrow")
"""Whose versions stand in the record: what measured and what will analyse."""

ATTEMPTS = 5
"""How often a trial is tried whose release came too late, before it counts as failed."""


@dataclass(frozen=True)
class RunResult:
    """How a run went. `folder` is None where it ended before the first trial; `error` is what ended it early."""

    folder: RunFolder | None
    error: Exception | None
    not_verified: tuple[str, ...]


def carry_out(
    plan: Plan,
    file: BenchFile,
    procedure: LoadedProcedure,
    *,
    parent: Path,
    listen: Listener,
    stop: StopRequest,
    operator: Operator,
    operator_name: str = "",
) -> RunResult:
    """Carry out a plan on a bench, trial by trial, into a new run folder in `parent`.

    Errors of the bench, the files and the disk end the run and come back in the result; the folder then holds all
    trials up to there, and is not sealed. Only a defect of the program itself is raised.
    """
    folder: RunFolder | None = None
    error: Exception | None = None
    not_verified: list[str] = []
    try:
        parent.mkdir(parents=True, exist_ok=True)
        report = parent / GUARD_REPORT
        known = checked(file, datetime.now(UTC), plan.trials.tolerance)
        file = known.file
        with opened_bench(
            file,
            stop.asked,
            operator,
            report,
            not_verified,
            lambda text: listen(Prompt(text)),
            rail_v=plan.rail.voltage_v,
            at_end=plan.rail.at_end,
        ) as bench:
            folder = _start(plan, known, procedure, bench, parent, operator_name)
            listen(RunStarted(folder.record, folder.path))
            _make_trials(bench, folder, procedure, plan, file, listen)
    except (BenchError, HarnessError, ResultsError) as exc:
        error = exc
    except OSError as exc:
        error = UserFileError(parent, "", f"cannot hold run folders: {exc.strerror}")
    finally:
        if folder is not None or not_verified:
            listen(BenchMadeSafe(tuple(not_verified)))
    if folder is not None:
        error = _close(folder, error, not_verified)
    listen(RunEnded("" if error is None else str(error), isinstance(error, StopRequestedError)))
    return RunResult(folder, error, tuple(not_verified))


def _start(
    plan: Plan, known: Checked, procedure: LoadedProcedure, bench: Bench, parent: Path, operator_name: str
) -> RunFolder:
    """The run folder, with the record of what is about to be done and with what."""
    file = known.file
    started = datetime.now(UTC)
    planned = trials_in_order(plan, file)
    notes = [*file.calibration_notes(started.date())]
    fits = order_note(planned, plan, file)
    if fits:
        notes.append(fits)
    if procedure.path:
        notes.append(f"procedure {procedure.name}, sha256 {procedure.sha256}")
    record = make_record(
        plan,
        file,
        planned,
        run="",
        started_utc=started.isoformat(timespec="seconds"),
        version=importlib.metadata.version("stuckpin"),
        instruments=[instrument_record(file, role, identity) for role, (_, identity) in bench.identities.items()],
        operator=operator_name,
        software=software(),
        notes=notes,
    )
    record = known.in_record(record)
    return RunFolder.create(parent, plan.unit.serial, record, plan.text, file.text, started)


def software() -> dict[str, str]:
    """Versions of Python and of the libraries that measure and analyse."""
    return {"python": platform.python_version(), **{name: importlib.metadata.version(name) for name in SOFTWARE}}


def _make_trials(
    bench: Bench, folder: RunFolder, procedure: LoadedProcedure, plan: Plan, file: BenchFile, listen: Listener
) -> None:
    nominal = press_settings(plan, file)
    at_rail = {rail_v: press_settings(plan, file, rail_v) for rail_v in plan.rail.all_v}
    conditions = ConditionWatch(bench, plan, lambda text: listen(Prompt(text)))
    bus = BusWatch(bench, nominal)
    for trial in folder.record.planned:
        # A procedure of one's own may have swallowed the request.
        bench.clock.check_stop()
        listen(TrialStarted(trial))
        step = procedure if trial.kind == "trial" else OF_A_KIND[trial.procedure]
        settings = at_rail.get(trial.condition.rail_v, nominal)
        conditions.before(trial)
        bus.before(trial, settings)
        rail_v = bench.rail_set_v
        try:
            observation = conditions.noted(_made(step, bench, trial, settings))
        except (StopRequestedError, UserFileError):
            raise
        except (ProcedureError, BenchError) as exc:
            observation = _failed(exc)
            if bench.state == "fault" or (isinstance(exc, BenchError) and type(exc) is not BenchError):
                # A wire, an instrument, the wiring or a limit: the next trial would meet it again.
                folder.append(trial, observation)
                raise
        except BaseException as exc:
            if not step.path:
                raise
            # Whatever a stranger's file raises, SystemExit and KeyboardInterrupt too: signals do not come this way.
            raise UserFileError(step.path, trial.label, f"the procedure failed: {_one_line(exc)}") from exc
        _refuse_unfinished(step, bench, trial, rail_v)
        folder.append(trial, observation)
        listen(TrialFinished(trial, observation))
        _refuse_welded(trial, observation, settings)
    bus.after_the_last()
    conditions.after_the_last()
    if conditions.notes:
        folder.update_record(_with_notes(folder.record, conditions.notes))


def _made(procedure: LoadedProcedure, bench: Bench, trial: Trial, settings: PressSettings) -> Observation:
    """Make a trial; where the release came too late for its log, again, a few times at most."""
    for _ in range(ATTEMPTS - 1):
        with suppress(TooLateError):
            return _carried_out(procedure, bench, trial, settings)
    return _carried_out(procedure, bench, trial, settings)


def _carried_out(procedure: LoadedProcedure, bench: Bench, trial: Trial, settings: PressSettings) -> Observation:
    bench.add(trial.condition.capacitor)
    with neighbours_held(bench, trial, settings):
        return procedure.function(bench, trial, settings)


def _one_line(error: BaseException) -> str:
    return " ".join(f"{type(error).__name__}: {error}".split()).removesuffix(":")


def _failed(error: Exception) -> Observation:
    return Observation(Trace(np.empty(0), np.empty(0)), outcome="failed", notes=(str(error),))


def _refuse_unfinished(procedure: LoadedProcedure, bench: Bench, trial: Trial, rail_v: float | None) -> None:
    """Raises UserFileError where a procedure has come back with something still pressed, grounded or logging, or with
    another rail than `rail_v`, which it found."""
    rules = {
        "pressed": "must let go of the pin before it returns",
        "pressed and logging": "must let go of the pin before it returns",
        "released and logging": "must read its log before it returns",
        "grounded": "must part the pin from ground before it returns",
        "grounded and logging": "must part the pin from ground before it returns",
    }
    rule = rules.get(bench.state, "")
    if bench.under_way is not None:
        rule = f"must end what it has begun before it returns: {bench.under_way}"
    elif bench.pins_held:
        rule = f"must let go of {', '.join(bench.pins_held)}, which it holds, before it returns"
    elif rail_v is not None and bench.rail_set_v != rail_v:
        now = "off" if bench.rail_set_v is None else f"at {show(bench.rail_set_v, 'V')}"
        rule = f"must set the rail back to {show(rail_v, 'V')} before it returns, it is {now}"
    if rule:
        raise UserFileError(procedure.path or procedure.name, trial.label, rule)


def _refuse_welded(trial: Trial, observation: Observation, settings: PressSettings) -> None:
    """A press path that does not open keeps every following pin pressed: the run ends here.

    Raises WiringError.
    """
    if observation.holder == "press path":
        wire, relay = (
            ("source", "series relay of the source") if settings.path == "source" else ("press", "press relay")
        )
        raise WiringError(
            f"wiring.{wire}: after the release in {trial.label} the bus kept the press level with no pin on it: "
            f"the {relay} is welded"
        )


def _close(folder: RunFolder, error: Exception | None, not_verified: Sequence[str]) -> Exception | None:
    """Say in the record how the run ended; seal it where every planned trial was made. Returns what went wrong."""
    notes = [f"ended early: {error}"] if error is not None else []
    notes += [f"not verified to be safe at the end: {line}" for line in not_verified]
    try:
        if notes:
            folder.update_record(_with_notes(folder.record, notes))
        if error is None:
            folder.seal()
    except ResultsError as exc:
        return error or exc
    return error


def _with_notes(record: RunRecord, notes: Sequence[str]) -> RunRecord:
    return replace(record, notes=(*record.notes, *notes))
