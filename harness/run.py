"""The one loop: trial, procedure, samples, journal, event. Whatever happens, all is made safe and nothing is lost."""

from __future__ import annotations

import importlib.metadata
import platform
from collections.abc import Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from drivers.bench import Bench
from drivers.claim import claim
from drivers.errors import BenchError, StopRequestedError
from drivers.operator import Operator
from harness.bench_file import BenchFile
from harness.checked import Checked, checked
from harness.contact_ledger import ContactLedger
from harness.errors import HarnessError, UserFileError
from harness.events import BenchMadeSafe, Listener, Prompt, RunEnded, RunStarted
from harness.making_trials import make_trials
from harness.opening import GUARD_REPORT, opened_bench
from harness.plan import Plan
from harness.procedure_file import LoadedProcedure
from harness.record import instrument_record, make_record
from harness.resuming import recorded_check
from harness.same_bench import changed_in_place, interruption, refuse_another_instrument, resumed_now
from harness.sequence import order_note, trials_in_order
from harness.signals import StopRequest
from harness.wire_record import WireRecord
from results.errors import ResultsError
from results.record.happening import Happening
from results.record.run_folder import RunFolder

SOFTWARE = ("numpy", "scipy", "pyvisa", "pyvisa-py", "pyserial", "pyarrow")
"""Whose versions stand in the record: what measured and what will analyse."""


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
    resumed: RunFolder | None = None,
    resumed_notes: Sequence[str] = (),
) -> RunResult:
    """Carry out a plan on a bench, trial by trial, into a new run folder in `parent`.

    `resumed`: go on with the run of that folder instead, with the trials that it does not hold yet, on the bench that
    it began with; plan, file and procedure are those of `harness.resuming.resumption`. `resumed_notes`: what is to be
    said of that.

    Errors of the bench, the files and the disk end the run and come back in the result; the folder then holds all
    trials up to there, and is not sealed. Only a defect of the program itself is raised.
    """
    folder: RunFolder | None = None
    error: Exception | None = None
    not_verified: list[str] = []
    wire = WireRecord(file, lambda text: listen(Prompt(text)))
    opened: Bench | None = None
    contacts = ContactLedger(file, lambda text: listen(Prompt(text)))
    with ExitStack() as claimed:
        try:
            parent.mkdir(parents=True, exist_ok=True)
            report = parent / GUARD_REPORT
            if resumed is None:
                known = checked(file, datetime.now(UTC), plan.trials.tolerance)
            else:
                claimed.enter_context(claim([str(resumed.path)]))
                known = recorded_check(file, resumed.record, plan.trials.tolerance)
                ended = interruption(resumed, report)
            file = known.file
            with opened_bench(
                file,
                stop,
                operator,
                report,
                not_verified,
                lambda text: listen(Prompt(text)),
                wire=wire,
                contacts=contacts,
                rail_v=plan.rail.voltage_v,
                at_end=plan.rail.at_end,
                foreign_code=bool(procedure.path),
            ) as bench:
                opened = bench
                if resumed is None:
                    folder = _start(plan, known, procedure, bench, parent, operator_name)
                    claimed.enter_context(claim([str(folder.path)]))
                else:
                    refuse_another_instrument(resumed.record, bench.identities)
                    folder = resumed
                    _go_on(folder, bench, ended, operator_name, resumed_notes)
                contacts.begin_run(folder.record.run, folder.record.contacts)
                wire.write_into(folder.path, folder.record.run)
                listen(RunStarted(folder.record, folder.path, frozenset(folder.done())))
                make_trials(bench, folder, procedure, plan, file, listen)
        except (BenchError, HarnessError, ResultsError) as exc:
            error = exc
        except OSError as exc:
            error = UserFileError(parent, "", f"cannot hold run folders: {exc.strerror}")
        finally:
            if folder is None and (apart := wire.write_apart(parent, plan.unit.serial, plan.text)):
                listen(Prompt(f"what went over the wires until then: {apart}"))
            wire.close()
            if folder is not None or not_verified:
                listen(BenchMadeSafe(tuple(not_verified), "" if opened is None else opened.proof))
        if folder is not None:
            reason = f" ({stop.reason})" if isinstance(error, StopRequestedError) and stop.reason else ""
            error = _close(folder, error, f"{error}{reason}", not_verified, wire.problem, contacts)
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
    record = replace(
        known.in_record(record),
        plan_file=str(Path(plan.path).absolute()),
        bench_file=str(Path(file.path).absolute()),
        procedure_sha256=procedure.sha256,
    )
    return RunFolder.create(parent, plan.unit.serial, record, plan.text, file.text, started)


def _go_on(folder: RunFolder, bench: Bench, ended: str, operator_name: str, notes: Sequence[str]) -> None:
    """Say in the folder that the run goes on: in the journal, and in run.json."""
    by = [f"by {operator_name}"] if operator_name else []
    happening = resumed_now(folder, ended, [*by, *notes, *changed_in_place(folder.record, bench.identities)])
    folder.tell(happening)
    folder.add_notes([f"{happening.at_utc}: {happening.text}"])


def software() -> dict[str, str]:
    """Versions of Python and of the libraries that measure and analyse."""
    return {"python": platform.python_version(), **{name: importlib.metadata.version(name) for name in SOFTWARE}}


def _close(
    folder: RunFolder,
    error: Exception | None,
    why: str,
    not_verified: Sequence[str],
    wire_problem: str,
    contacts: ContactLedger,
) -> Exception | None:
    """Say in the record how the run ended; seal it where every planned trial was made. Returns what went wrong."""
    notes = [f"ended early: {why}"] if error is not None else []
    notes += [wire_problem] if wire_problem else []
    notes += [f"not verified to be safe at the end: {line}" for line in not_verified]
    notes += contacts.notes()
    record = replace(folder.record, contacts=contacts.counts())
    try:
        if error is not None:
            folder.tell(Happening("ended early", _now(), why))
        finished = "" if error is not None else _now()
        folder.update_record(replace(record, notes=(*record.notes, *notes), finished_utc=finished))
        if error is None:
            folder.seal()
    except ResultsError as exc:
        if error is None:
            with suppress(ResultsError):
                folder.tell(Happening("ended early", _now(), str(exc)))
        return error or exc
    return error


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
