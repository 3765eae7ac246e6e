"""`stuckpin check`: the bench opened as for a run, checked, made safe, and the check written beside the bench file."""

from __future__ import annotations

import importlib.metadata
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from drivers.bench import Bench
from drivers.operator import Operator
from harness.bench_file import BenchFile
from harness.check_settings import check_settings
from harness.contact_ledger import ContactLedger
from harness.errors import UserFileError
from harness.opening import GUARD_REPORT, opened_bench
from harness.plan import Plan
from harness.signals import StopRequest
from harness.wire_record import WireRecord
from procedures.bench_check import BenchFound, bench_check
from results.analysis.check.check_rule import judged, open_item
from results.record.check import FOLDER, CheckItem, CheckRecord, InPlace, sha256_of, write_check

UNPROVEN = (
    "whether a link that is dead without a close is noticed, and an output then goes off, cannot be proven from this "
    "computer; set the instrument's own watchdog where it has one"
)


@dataclass(frozen=True)
class CheckResult:
    """What a check came to: its record and where it stands, and what could not be verified to be safe."""

    record: CheckRecord
    path: Path
    not_verified: tuple[str, ...]


def checks_folder(file: BenchFile) -> Path:
    """Beside the bench file: who copies a bench file elsewhere checks it anew."""
    return Path(file.path).absolute().parent / FOLDER


def carry_out_check(
    file: BenchFile,
    plan: Plan | None,
    *,
    stop: StopRequest,
    operator: Operator,
    tell: Callable[[str], None],
    operator_name: str = "",
) -> CheckResult:
    """Check a bench and write the check down. Raises BenchError, HarnessError or RecordError where it cannot be done.

    A check that was broken off is not written: nothing is known of what it did not come to.
    """
    folder = checks_folder(file)
    not_verified: list[str] = []
    started = datetime.now(UTC).replace(microsecond=0)
    _make(folder)
    rail = None if plan is None else plan.rail
    contacts = ContactLedger(file, tell)
    wire = WireRecord(file, tell)
    plan_text = "" if plan is None else plan.text
    try:
        with opened_bench(
            file,
            stop,
            operator,
            folder / GUARD_REPORT,
            not_verified,
            tell,
            wire=wire,
            contacts=contacts,
            rail_v=None if rail is None else rail.voltage_v,
            at_end="off" if rail is None else rail.at_end,
        ) as bench:
            wire.write_apart(folder, "check", plan_text)
            items = [*_identities(file, bench), *_calibration(file, started.date())]
            found = bench_check(bench, check_settings(file, plan), tell)
            items += [*found.items, *_error_queues(bench), CheckItem("link watch", "not determined", note=UNPROVEN)]
    finally:
        wire.write_apart(folder, "check", plan_text)
        wire.close()
    record = _record(file, started, items, found, operator_name)
    return CheckResult(record, write_check(record, folder), tuple(not_verified))


def _make(folder: Path) -> None:
    """Raises UserFileError where the folder cannot be, or a link would lead what is written elsewhere."""
    if folder.is_symlink():
        raise UserFileError(folder, "", "is a link: checks are written beside the bench file and nowhere else")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise UserFileError(folder, "", f"cannot hold checks: {exc.strerror}") from exc


def _record(
    file: BenchFile, started: datetime, items: list[CheckItem], found: BenchFound, operator_name: str
) -> CheckRecord:
    load = found.load
    meter_s, leakage_s, capacitance_f = load.meter_s, load.leakage_s, load.capacitance_f
    return CheckRecord(
        bench_name=file.bench.name,
        bench_sha256=sha256_of(file.text),
        checked_utc=started.isoformat(),
        valid_until_utc=(started + timedelta(days=file.check.valid_days)).isoformat(),
        version=importlib.metadata.version("stuckpin"),
        items=tuple(items),
        resistors=tuple(InPlace(wire, ohm.value, ohm.u) for wire, ohm in found.resistors.items()),
        meter_ohm=None if meter_s is None or meter_s.value <= 0.0 else 1.0 / meter_s.value,
        meter_u_ohm=None if meter_s is None or meter_s.value <= 0.0 else meter_s.u / meter_s.value**2,
        leakage_s=None if leakage_s is None else leakage_s.value,
        leakage_u_s=None if leakage_s is None else leakage_s.u,
        capacitance_f=None if capacitance_f is None else capacitance_f.value,
        capacitance_u_f=None if capacitance_f is None else capacitance_f.u,
        operator=operator_name,
    )


def _identities(file: BenchFile, bench: Bench) -> Iterator[CheckItem]:
    """Every instrument answered, or the bench would not be open; a wrong one would not have been prepared."""
    for role, table in file.instruments().items():
        _, identity = bench.identities[role]
        if table.identity:
            yield CheckItem(f"identity {role}", "pass", note=f"{identity}; holds {table.identity!r}")
        else:
            yield CheckItem(f"identity {role}", "not applicable", note=f"{identity}; {role}.identity names none")


def _calibration(file: BenchFile, today: date) -> Iterator[CheckItem]:
    """Days left until the calibration is due; a meter or source without a date is not known to be calibrated."""
    for role, table in file.instruments().items():
        name, due = f"calibration {role}", table.calibration_due
        if due is not None:
            yield judged(name, float((due - today).days), "d", low=0.0, note=f"due {due.isoformat()}")
        elif role in ("meter", "source"):
            yield open_item(name, f"{role}.calibration_due is not stated")


def _error_queues(bench: Bench) -> Iterator[CheckItem]:
    """After all else: what an instrument had to complain of stands in its queue."""
    for role, errors in bench.error_queues().items():
        yield judged(f"error queue {role}", float(len(errors)), "", low=0.0, high=0.0, note="; ".join(errors))


def summary(check: CheckRecord) -> str:
    """How many items passed, failed, were not determined."""
    verdicts = [item.verdict for item in check.items]
    words = ("pass", "fail", "not determined", "not applicable")
    return ", ".join(f"{verdicts.count(word)} {word}" for word in words if word in verdicts)
