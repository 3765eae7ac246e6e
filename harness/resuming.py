"""A run that ended early, and what must hold before it goes on: the same unit, plan, bench and procedure.

Everything here is found out from files, before an instrument is opened; what the bench itself must answer stands in
same_bench.py.
"""

from __future__ import annotations

import importlib.metadata
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from drivers.claim import claim
from drivers.errors import BenchError
from harness.bench_file import BenchFile, bench_from_text, read_bench
from harness.check import checks_folder
from harness.checked import Checked, with_measured
from harness.errors import CommandLineError, UserFileError, shown
from harness.plan import Plan, plan_from_text, read_plan
from harness.procedure_file import LoadedProcedure, load_procedure
from harness.record import make_record
from harness.same_files import first_difference, refuse_another_bench, refuse_another_plan
from harness.sequence import trials_in_order
from harness.together import check_together
from harness.user_file import at, dotted, read_text
from results.record.check import checks_in, sha256_of
from results.record.run_folder import BENCH, PLAN, RECORD, RunFolder
from results.record.run_record import RunRecord

OF_THE_DAY = ("run", "started_utc", "version", "notes")
"""What is in every run.json and does not follow from plan and bench."""


@dataclass(frozen=True)
class Resumption:
    """A run that may go on, and with what. `notes`: what a reader of the run must know of that."""

    folder: RunFolder
    plan: Plan
    file: BenchFile
    procedure: LoadedProcedure
    notes: tuple[str, ...] = ()


def open_to_resume(path: Path) -> RunFolder:
    """The folder of a run that ended early.

    Raises CommandLineError where there is nothing to go on with, LinkError naming the process where it still goes on.
    """
    folder = RunFolder.open(path)
    if folder.sealed:
        raise CommandLineError(f"{path}: sealed: every planned trial was made, there is nothing to go on with")
    if folder.record.origin != "bench":
        raise CommandLineError(f"{path}: imported: no bench made its traces, there is nothing to go on with")
    claim([str(path)]).close()
    return folder


def is_finished(folder: RunFolder) -> bool:
    """Whether all that is left is to seal the folder: no bench is needed for that."""
    return bool(folder.record.finished_utc) and folder.done() >= {trial.sequence for trial in folder.record.planned}


def resumption(
    folder: RunFolder, plan_path: Path | None = None, bench_path: Path | None = None, procedures: Sequence[Path] = ()
) -> Resumption:
    """What it takes to go on with a run. `plan_path`, `bench_path`: None for where the run took them from.

    Raises UserFileError naming the first difference, BenchError where a later check of the bench failed.
    """
    record, path = folder.record, folder.path
    plan = read_plan(_found(plan_path, record.plan_file, "plan", folder))
    file = read_bench(_found(bench_path, record.bench_file, "bench", folder))
    as_used = bench_from_text(read_text(path / BENCH), path / BENCH)
    refuse_another_plan(plan_from_text(read_text(path / PLAN), path / PLAN), plan)
    refuse_another_bench(as_used, file)
    check_together(plan, file)
    procedure = load_procedure(plan.trials.procedure, procedures, plan=plan.path)
    if procedure.sha256 != record.procedure_sha256:
        rule = f"another procedure file than the run began with: sha256 was {record.procedure_sha256 or 'not recorded'}"
        raise UserFileError(procedure.path or plan.path, "", f"{rule}, now {procedure.sha256 or 'none'}")
    _refuse_failed_check(file, as_used, record)
    return Resumption(folder, plan, file, procedure, tuple(_notes(plan, file, folder, datetime.now(UTC))))


def recorded_check(file: BenchFile, record: RunRecord, tolerance: float) -> Checked:
    """The check that the run began with, however old it is by now: one run has one value for each resistor."""
    if record.check is None or record.check_state != "valid":
        return Checked(file, record.check_state, record.check)
    return Checked(with_measured(file, record.check, tolerance), "valid", record.check)


def confirm_unit(record: RunRecord, given: str | None, ask: Callable[[str], str]) -> str:
    """By what the unit on the bench is known to be that of the run, in words.

    By its console where it has one: that it still answers the same is seen once it is open. Else `given` on the command
    line must be the serial, or what a person types in who is asked. Raises CommandLineError.
    """
    serial = record.unit.serial
    console = next((one.identity for one in record.instruments if one.role == "board"), "")
    if given is None and console:
        lacks = "" if serial in console else f", which does not hold the serial {serial}"
        return f"what its console answers, {console!r}{lacks}"
    told, by = given, "--unit"
    if told is None:
        told = ask(f"Type in the serial of the unit on the bench (or resume with --unit): the run is of {serial}.")
        by = "its serial, typed in by a person"
    if told.strip() != serial:
        raise CommandLineError(f"another unit: the run is of {shown(serial)}, on the bench is {shown(told.strip())}")
    return by


def _found(given: Path | None, was: str, what: str, folder: RunFolder) -> Path:
    """The file as given, or where the run took it from."""
    if given is not None:
        return given
    if not was:
        raise CommandLineError(f"--{what}: needed: {folder.path / RECORD} does not say where the run took it from")
    if not Path(was).exists():
        raise CommandLineError(f"--{what}: needed: {was}, from where the run took it, is no longer there")
    return Path(was)


def _refuse_failed_check(file: BenchFile, as_used: BenchFile, record: RunRecord) -> None:
    """A bench that failed its newest check after the run began measures nothing until it is mended and checked."""
    known = {sha256_of(file.text), sha256_of(as_used.text)}
    newest = next((check for check in checks_in(checks_folder(file)) if check.bench_sha256 in known), None)
    if newest is None or not newest.failed:
        return
    if datetime.fromisoformat(newest.checked_utc) > datetime.fromisoformat(record.started_utc):
        failed = ", ".join(item.name for item in newest.failed)
        rule = f"its check of {newest.checked_utc} failed, after the run began: {failed}"
        raise BenchError(f"{file.path}: {rule}; mend the bench and check it again")


def _notes(plan: Plan, file: BenchFile, folder: RunFolder, now: datetime) -> Iterator[str]:
    """What has changed since the run began and does not keep it from going on.

    Raises UserFileError where run.json holds something else than the same stuckpin makes of the same files.
    """
    record = folder.record
    yield from _version_notes(plan, file, folder)
    if damage := folder.damage():
        yield f"damaged, so that those trials are made again and what is left of them is kept: {', '.join(damage)}"
    if record.check is not None and record.check_state == "valid" and record.check.is_expired(now.isoformat()):
        yield f"the check of the bench held until {record.check.valid_until_utc}; what it measured is used on"
    yield from (note for note in file.calibration_notes(now.date()) if note not in record.notes)
    done = folder.done()
    if any(trial.as_found and trial.sequence not in done for trial in record.planned):
        yield "trials as found were left: the board may have been reset, or without its rail, since it was found"


def _version_notes(plan: Plan, file: BenchFile, folder: RunFolder) -> Iterator[str]:
    record, version = folder.record, importlib.metadata.version("stuckpin")
    known = recorded_check(file, record, plan.trials.tolerance)
    planned = trials_in_order(plan, known.file)
    made = known.in_record(make_record(plan, known.file, planned, run="", started_utc="", version=version))
    was, now = _follows(record, made), _follows(made, made)
    if version != record.version:
        yield f"begun with stuckpin {record.version}, gone on with {version}"
        # The order of the run stands in its record, whatever another version would make of the plan.
        now["planned"] = was["planned"]
    where = first_difference(was, now)
    if where is None:
        return
    before, after = (shown(at(one, where)) for one in (was, now))
    if version == record.version:
        raise UserFileError(folder.path / RECORD, dotted(where), f"is {before}, plan and bench say {after}")
    yield f"{RECORD}: {dotted(where)}: is {before}, {version} makes {after} of the same files"


def _follows(record: RunRecord, made: RunRecord) -> dict[str, Any]:
    """What of run.json follows from plan and bench: those fields that `made`, which was made of them, fills in."""
    empty = {one.name: one.default_factory() if callable(one.default_factory) else one.default for one in fields(made)}
    names = [name for name, default in empty.items() if name not in OF_THE_DAY and getattr(made, name) != default]
    return {name: value for name, value in asdict(record).items() if name in names}
