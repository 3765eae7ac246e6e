"""trials.csv, pins.csv and sweeps.csv: one row a trial, one row a pin and condition, one row a step of a sweep.

UTF-8, comma, a header row, SI units, "." as decimal point, nine significant digits (more than any instrument gives),
empty where a number is not determined, and no cell that a spreadsheet could take for a formula.
"""

from __future__ import annotations

from pathlib import Path

from results.analysis.findings import PinFinding, RunFinding, SweepFinding, SweepPoint, TrialFinding
from results.analysis.uncertainty.stuck_rate import StuckRate, upper_limit
from results.analysis.verdict import NO_EVIDENCE
from results.record.run_record import RunRecord
from results.report.csv_file import Cell, with_u, write_csv


def write_trials_csv(finding: RunFinding, path: Path) -> None:
    """One row a trial, in the order of the finding. Raises RecordError where it cannot be written."""
    write_csv(path, _TRIAL_COLUMNS, (_trial_row(finding, row) for row in finding.trials))


def write_pins_csv(finding: RunFinding, path: Path) -> None:
    """One row a pin and condition. Raises RecordError where it cannot be written."""
    write_csv(path, _PIN_COLUMNS, (_pin_row(finding, pin) for pin in finding.pins))


def write_sweeps_csv(finding: RunFinding, path: Path) -> None:
    """One row a step of every sweep, in the order in which they were forced."""
    sweeps = [(pin, pin.sweep) for pin in finding.pins if pin.sweep is not None]
    rows = (
        _sweep_row(finding, pin, number, point)
        for pin, sweep in sweeps
        for number, point in enumerate(sweep.points, start=1)
    )
    write_csv(path, _SWEEP_COLUMNS, rows)


_TRIAL_COLUMNS = (
    "sequence",
    "unit",
    "pin",
    "pin_setup",
    "trial_resistor_ohm",
    "repeat",
    "rail_v",
    "temperature_c",
    "before_v",
    "hold_v",
    "settled_v",
    "settled_u_v",
    "release_time_s",
    "time_constant_s",
    "time_constant_u_s",
    "time_constant_is_upper_bound",
    "verdict",
    "reads",
    "net_pin_current_a",
    "net_pin_current_u_a",
    "leakage_a",
    "leakage_u_a",
    "note",
    "trial_resistor_measured_ohm",
    "at_pin_v",
    "at_pin_u_v",
    "contact",
    "as_found",
    "supply_current_a",
    "supply_current_before_a",
    "capacitor",
    "tries",
)

_PIN_COLUMNS = (
    "unit",
    "pin",
    "pin_setup",
    "rail_v",
    "temperature_c",
    "verdict",
    "trials",
    "stuck_trials",
    "stuck_rate_upper95",
    "pull_down_ohm",
    "pull_down_u_ohm",
    "pull_down_from",
    "leakage_a",
    "leakage_u_a",
    "plain_leak",
    "safe_resistance_ohm",
    "safe_resistance_low_ohm",
    "safe_resistance_high_ohm",
    "safe_resistance_from",
    "recommended_ohm",
    "note",
    "safe_resistance_u_ohm",
    "bracket",
    "recommended_margin",
    "recommended_because",
    "contact_proven",
    "safe_resistance_at_least_ohm",
    "safe_resistance_below_ohm",
    "safe_resistance_low_presses",
    "safe_resistance_low_rate_upper95",
    "safe_resistance_lower95_ohm",
    "safe_resistance_upper95_ohm",
    "sweep_down_ohm",
    "sweep_up_ohm",
    "sweep_agreement",
    "hysteresis_a",
    "hysteresis_u_a",
    "trip_down_v",
    "trip_up_v",
    "leak_alone_a",
    "leak_alone_u_a",
    "leak_alone_at_v",
    "stuck_rate",
    "stuck_rate_low95",
    "stuck_rate_high95",
    "stuck_rate_asked",
    "neighbours",
    "supply_current_extra_a",
    "supply_current_extra_u_a",
    "capacitor",
)

_SWEEP_COLUMNS = (
    "unit",
    "pin",
    "pin_setup",
    "branch",
    "step",
    "voltage_v",
    "voltage_u_v",
    "source_current_a",
    "net_pin_current_a",
    "net_pin_current_u_a",
    "reads",
    "note",
    "source_current_u_a",
    "at_pin_v",
    "forced_v",
    "pass",
    "readings",
)


def _trial_row(finding: RunFinding, row: TrialFinding) -> dict[str, Cell]:
    trial, seen, trace = row.trial, row.observation, row.trace
    resistor = {one.name: one for one in finding.record.resistors}.get(trial.resistor)
    decay = None if trace is None else trace.decay
    timed = decay is not None and decay.time_constant_s is not None
    return {
        "sequence": trial.sequence,
        "unit": _unit(finding.record),
        "pin": trial.pin,
        "pin_setup": trial.condition.pin_setup,
        "trial_resistor_ohm": None if resistor is None else resistor.nominal_ohm,
        "repeat": trial.repeat,
        "rail_v": None if seen is None else seen.rail_v,
        "temperature_c": trial.condition.temperature_c
        if seen is None or seen.temperature_c is None
        else seen.temperature_c,
        "before_v": None if seen is None else seen.before_v,
        "hold_v": None if seen is None else seen.hold_v,
        **with_u("settled", row.settled, "v"),
        "release_time_s": None if trace is None else trace.release_time_s,
        "time_constant_s": decay.time_constant_s if decay is not None else None,
        "time_constant_u_s": decay.u_s if decay is not None and timed else None,
        "time_constant_is_upper_bound": decay.is_upper_bound if decay is not None and timed else None,
        "verdict": row.verdict,
        "reads": _reads(row),
        **with_u("net_pin_current", row.net_current, "a"),
        **with_u("leakage", row.leakage, "a"),
        "note": row.note,
        "trial_resistor_measured_ohm": None if resistor is None else resistor.measured_ohm,
        **with_u("at_pin", row.at_pin, "v"),
        "contact": "" if seen is None else seen.contact,
        "as_found": trial.as_found,
        "supply_current_a": None if seen is None else seen.supply_a,
        "supply_current_before_a": None if seen is None else seen.supply_before_a,
        "capacitor": trial.condition.capacitor,
        "tries": None if seen is None else finding.tries.get(trial.sequence, 1),
    }


def _pin_row(finding: RunFinding, pin: PinFinding) -> dict[str, Cell]:
    # How often the low side of the bracket released: so many presses exclude only rates above that limit.
    presses = sum(row.trial.resistor == pin.bracket.low and row.verdict not in NO_EVIDENCE for row in pin.rows)
    return {
        "unit": _unit(finding.record),
        "pin": pin.pin,
        "pin_setup": pin.condition.pin_setup,
        "rail_v": pin.condition.rail_v,
        "temperature_c": pin.condition.temperature_c,
        "verdict": pin.verdict,
        "trials": pin.trials,
        "stuck_trials": pin.stuck_trials,
        "stuck_rate_upper95": pin.stuck_rate_upper95,
        **with_u("pull_down", pin.pull_down, "ohm"),
        "pull_down_from": pin.pull_down_from,
        **with_u("leakage", pin.leakage, "a"),
        "plain_leak": pin.plain_leak,
        **with_u("safe_resistance", pin.safe_ohm, "ohm"),
        "safe_resistance_low_ohm": pin.bracket.low_ohm,
        "safe_resistance_high_ohm": pin.bracket.high_ohm,
        "safe_resistance_from": pin.safe_from,
        "recommended_ohm": pin.advice.ohm,
        "note": pin.note,
        "bracket": pin.bracket.state,
        "recommended_margin": pin.advice.margin,
        "recommended_because": pin.advice.reason,
        "contact_proven": pin.contact_proven,
        "safe_resistance_at_least_ohm": pin.bracket.at_least_ohm,
        "safe_resistance_below_ohm": pin.bracket.below_ohm,
        "safe_resistance_low_presses": presses or None,
        "safe_resistance_low_rate_upper95": upper_limit(0, presses),
        **_of_sweep(pin.sweep),
        **_of_rate(pin.stuck_rate),
        "neighbours": pin.condition.neighbours,
        **with_u("supply_current_extra", None if pin.supply is None else pin.supply.extra, "a"),
        "capacitor": pin.condition.capacitor,
    }


def _of_rate(rate: StuckRate | None) -> dict[str, Cell]:
    """Rate and two-sided limits of the trials with no resistor; whether the rate that was asked about is shown."""
    answer = "" if rate is None or rate.shown is None else "shown" if rate.shown else "not shown"
    return {
        "stuck_rate": None if rate is None else rate.rate,
        "stuck_rate_low95": None if rate is None else rate.low95,
        "stuck_rate_high95": None if rate is None else rate.high95,
        "stuck_rate_asked": answer,
    }


def _of_sweep(sweep: SweepFinding | None) -> dict[str, Cell]:
    """What a sweep adds to the row of its pin; empty cells where there is none."""
    branches = (None, None) if sweep is None else (sweep.down, sweep.up)
    trips = (None, None) if sweep is None else (sweep.trip_down, sweep.trip_up)
    leak = None if sweep is None else sweep.leak
    down_ohm, up_ohm = (
        None if branch is None or branch.required.value <= 0.0 else 1.0 / branch.required.value for branch in branches
    )
    return {
        "safe_resistance_lower95_ohm": None if sweep is None else sweep.safe_low_ohm,
        "safe_resistance_upper95_ohm": None if sweep is None else sweep.safe_high_ohm,
        "sweep_down_ohm": down_ohm,
        "sweep_up_ohm": up_ohm,
        "sweep_agreement": "" if sweep is None else sweep.agreement,
        **with_u("hysteresis", None if sweep is None else sweep.hysteresis, "a"),
        "trip_down_v": None if trips[0] is None else trips[0].value,
        "trip_up_v": None if trips[1] is None else trips[1].value,
        **with_u("leak_alone", None if leak is None else leak.largest, "a"),
        "leak_alone_at_v": None if leak is None else leak.at_v,
    }


def _sweep_row(finding: RunFinding, pin: PinFinding, number: int, point: SweepPoint) -> dict[str, Cell]:
    return {
        "unit": _unit(finding.record),
        "pin": pin.pin,
        "pin_setup": pin.condition.pin_setup,
        "branch": point.step.branch,
        "step": number,
        **with_u("voltage", point.voltage, "v"),
        **with_u("source_current", point.source, "a"),
        **with_u("net_pin_current", point.net_current, "a"),
        "reads": point.step.reads,
        "note": point.note,
        "at_pin_v": point.at_pin_v,
        "forced_v": point.step.level_v,
        "pass": point.step.sweep_pass,
        "readings": point.step.count,
    }


def _reads(row: TrialFinding) -> str:
    """What the board read before, while held, and settled; empty where nobody asked it."""
    if row.observation is None:
        return ""
    seen = row.observation
    reads = (seen.reads_before, seen.reads_held, seen.reads_settled)
    return "/".join(reads) if any(reads) else ""


def _unit(record: RunRecord) -> str:
    return record.unit.serial or record.unit.name
