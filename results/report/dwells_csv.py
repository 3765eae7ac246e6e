"""dwells.csv: one row a long dwell."""

from __future__ import annotations

from pathlib import Path

from results.analysis.findings import PinFinding, RunFinding
from results.analysis.found.dwell_finding import DwellFinding
from results.report.csv_file import Cell, with_u, write_csv

COLUMNS = (
    "unit",
    "pin",
    "pin_setup",
    "rail_v",
    "temperature_c",
    "trial_resistor",
    "held_s",
    "logged_s",
    "early_v",
    "early_u_v",
    "late_v",
    "late_u_v",
    "drift_v",
    "drift_u_v",
    "drifts",
    "rate_v_per_min",
    "rate_u_v_per_min",
    "goes_on",
    "net_drift_a",
    "net_drift_u_a",
    "leakage_drift_a",
    "leakage_drift_u_a",
    "verdict_early",
    "verdict_late",
    "verdict_ordinary",
    "verdict_changes",
    "crossed_v_il_after_s",
    "contact_proven",
    "note",
)


def has_dwells(finding: RunFinding) -> bool:
    """Whether a long dwell was planned."""
    return any(pin.dwell is not None for pin in finding.pins)


def write_dwells_csv(finding: RunFinding, path: Path) -> None:
    """One row a pin and condition that was held long. Raises RecordError where it cannot be written."""
    unit = finding.record.unit.serial or finding.record.unit.name
    rows = (_row(unit, pin, pin.dwell) for pin in finding.pins if pin.dwell is not None)
    write_csv(path, COLUMNS, rows)


def _row(unit: str, pin: PinFinding, dwell: DwellFinding) -> dict[str, Cell]:
    rate = dwell.rate_v_per_min
    return {
        "unit": unit,
        "pin": pin.pin,
        "pin_setup": pin.condition.pin_setup,
        "rail_v": pin.condition.rail_v,
        "temperature_c": pin.condition.temperature_c,
        "trial_resistor": dwell.trial.resistor,
        "held_s": dwell.held_s,
        "logged_s": dwell.logged_s,
        **with_u("early", dwell.early, "v"),
        **with_u("late", dwell.late, "v"),
        **with_u("drift", dwell.drift, "v"),
        "drifts": dwell.moved,
        "rate_v_per_min": None if rate is None else rate.value,
        "rate_u_v_per_min": None if rate is None else rate.u,
        "goes_on": dwell.goes_on,
        **with_u("net_drift", dwell.net_drift, "a"),
        **with_u("leakage_drift", dwell.leak_drift, "a"),
        "verdict_early": dwell.early_word or "",
        "verdict_late": dwell.late_word or "",
        "verdict_ordinary": dwell.ordinary_word,
        "verdict_changes": dwell.changes,
        "crossed_v_il_after_s": dwell.turned_after_s,
        "contact_proven": dwell.contact_proven if dwell.early is not None else None,
        "note": dwell.note,
    }
