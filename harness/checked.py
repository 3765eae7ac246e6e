"""The newest check of a bench file: whether a run may rely on it, and the bench with what was measured put in."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TypeVar

from harness.bench_file import BenchFile
from harness.bench_rules import rectangular_u_ohm
from harness.bench_tables import FitTable, FixtureTable, WireTable
from harness.check import checks_folder, summary
from results.record.check import CheckRecord, InPlace, checks_in, sha256_of
from results.record.run_record import CheckState, RunRecord

INPUT_U = 0.01
"""A measured input resistance less certain than this (relative) does not take the place of the stated one."""

Wired = TypeVar("Wired", WireTable, FitTable)


@dataclass(frozen=True)
class Checked:
    """A bench and its newest check. `file` holds the measured resistors and fixture where the check is valid."""

    file: BenchFile
    state: CheckState = "none"
    check: CheckRecord | None = None

    @property
    def text(self) -> str:
        """One line for the record; empty where the bench was not checked."""
        if self.check is None:
            return ""
        says = {"expired": "expired, ", "failed": "failed, "}.get(self.state, "")
        return f"{says}{self.check.checked_utc}: {summary(self.check)}"

    def in_record(self, record: RunRecord) -> RunRecord:
        """The record with the check in it, and the meter's input as measured where the check is valid."""
        meter, check = record.meter, self.check
        if check is not None and self.state == "valid" and meter.input_ohm is not None and check.meter_ohm is not None:
            relative = (check.meter_u_ohm or math.inf) / check.meter_ohm
            if relative < INPUT_U:
                meter = replace(meter, input_ohm=check.meter_ohm, input_tolerance=math.sqrt(3.0) * relative)
        return replace(record, check=check, check_state=self.state, bench_checked=self.text, meter=meter)


def checked(file: BenchFile, now: datetime, tolerance: float) -> Checked:
    """The newest check of this very bench file. Raises RecordError where a check beside it is damaged.

    `tolerance`: of the trial resistors, relative; what is known better by it than by the check stays as it is.

    A check of another text of the file says nothing of this one. One that failed is never relied upon, whatever its
    age, nor one that has expired: what it measured is not used.
    """
    every = list(checks_in(checks_folder(file)))
    mine = [check for check in every if check.bench_sha256 == sha256_of(file.text)]
    if not mine:
        return Checked(file, "changed" if every else "none")
    check = mine[0]
    if check.failed:
        return Checked(file, "failed", check)
    if check.is_expired(now.isoformat()):
        return Checked(file, "expired", check)
    return Checked(with_measured(file, check, tolerance), "valid", check)


def with_measured(file: BenchFile, check: CheckRecord, tolerance: float) -> BenchFile:
    """The bench with what the check measured: resistors where it knows them better than the file does, and fixture."""
    found = {each.wire: each for each in check.resistors}
    wiring = file.wiring
    wires = {
        wire: _better(table, found[wire], rectangular_u_ohm(table.resistor_ohm, table.tolerance))
        for wire in ("press", "rail", "discharge")
        if (table := getattr(wiring, wire)) is not None and wire in found
    }
    fit = {
        name: _better(table, each, rectangular_u_ohm(each.ohm, tolerance))
        if (each := found.get(f"fit.{name}")) is not None
        else table
        for name, table in wiring.fit.items()
    }
    return replace(file, wiring=replace(wiring, fit=fit, **wires), fixture=_fixture(file.fixture, check))


def _better(table: Wired, found: InPlace, nominal_u_ohm: float) -> Wired:
    known_u_ohm = nominal_u_ohm if table.measured_u_ohm is None else table.measured_u_ohm
    if known_u_ohm <= found.u_ohm:
        return table
    return replace(table, measured_ohm=found.ohm, measured_u_ohm=found.u_ohm)


def _fixture(stated: FixtureTable, check: CheckRecord) -> FixtureTable:
    farad = stated.capacitance_f if check.capacitance_f is None else check.capacitance_f
    found = replace(stated, capacitance_f=farad)
    if check.leakage_s is None:
        return found
    if check.leakage_s <= 0.0:
        return replace(found, leakage_resistance_ohm=None, leakage_tolerance=0.0)
    tolerance = math.sqrt(3.0) * (check.leakage_u_s or 0.0) / check.leakage_s
    return replace(found, leakage_resistance_ohm=1.0 / check.leakage_s, leakage_tolerance=tolerance)
