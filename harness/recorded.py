"""Traces that another instrument saved -> a run folder like any other, with the same analysis and report to come."""

from __future__ import annotations

import importlib.metadata
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from harness.plan import Plan
from harness.record import make_record
from harness.run import software
from harness.sequence import trials_in_order
from results.errors import ForeignTraceError
from results.quantity import resistor_name, show
from results.record.foreign_traces import TRIALS, ForeignTrace, read_folder
from results.record.observation import Observation
from results.record.run_folder import RunFolder
from results.record.trace import Trace
from results.record.trial import Condition, Trial

PROCEDURE = "recorded"

ABOVE_RAIL = 2.0
FEWEST_BEYOND = 8
"""A trace with this many samples above so many times the rail is not one of this rail."""


def import_folder(source: Path, plan: Plan, parent: Path) -> RunFolder:
    """Read a folder of traces and write them as a sealed run folder in `parent`.

    Every row of the folder's trials.csv is a trial; what the plan asks for and the folder has no trace of becomes `not
    tested`. A trace that cannot be read is a failed trial that says why, and stops no other. Raises ForeignTraceError
    where trials.csv is wrong, or names a pin or a resistor that the plan does not have.
    """
    rows = read_folder(source)
    _refuse_strangers(rows, plan)
    made = list(_trials(rows, plan))
    planned = [trial for trial, _ in made]
    planned += _missing(planned, plan)
    started = datetime.now(UTC)
    record = make_record(
        plan,
        None,
        planned,
        run="",
        started_utc=started.isoformat(timespec="seconds"),
        version=importlib.metadata.version("stuckpin"),
        software=software(),
        notes=[f"traces recorded elsewhere, imported from the folder {source.resolve().name}"],
    )
    folder = RunFolder.create(parent, plan.unit.serial, record, plan.text, "# recorded elsewhere: no bench\n", started)
    for trial, row in made:
        folder.append(trial, _observation(row, plan.rail.voltage_v))
    folder.seal()
    return folder


def _refuse_strangers(rows: Sequence[ForeignTrace], plan: Plan) -> None:
    """A pin or resistor of which the plan says nothing has neither capacitance nor tolerance: it cannot be judged."""
    pins = {pin.name for pin in plan.pins}
    for row in rows:
        if row.pin not in pins:
            raise ForeignTraceError(f"{TRIALS}: line {row.line}: pin: not one of {plan.path}: {row.pin!r}")
        name = resistor_name(row.trial_resistor_ohm)
        if name not in plan.trials.resistors:
            raise ForeignTraceError(
                f"{TRIALS}: line {row.line}: trial_resistor_ohm: not in trials.resistors of {plan.path}: {name!r}"
            )


def _trials(rows: Sequence[ForeignTrace], plan: Plan) -> Iterator[tuple[Trial, ForeignTrace]]:
    for sequence, row in enumerate(rows, start=1):
        condition = Condition(row.pin_setup, plan.rail.voltage_v, row.temperature_c)
        resistor = resistor_name(row.trial_resistor_ohm)
        yield Trial(sequence, PROCEDURE, row.pin, resistor, condition, row.repeat), row


def _missing(made: Sequence[Trial], plan: Plan) -> list[Trial]:
    """What the plan asks for and no trace tells of: one trial for each pin and resistor, whatever the repeats."""
    have = {(trial.pin, trial.resistor) for trial in made}
    setup = made[0].condition.pin_setup
    missing: list[Trial] = []
    for trial in trials_in_order(plan):
        if (trial.pin, trial.resistor) not in have:
            have.add((trial.pin, trial.resistor))
            condition = Condition(setup, plan.rail.voltage_v)
            missing.append(Trial(len(made) + len(missing) + 1, PROCEDURE, trial.pin, trial.resistor, condition, 1))
    return missing


def _beyond_the_rail(trace: Trace, rail_v: float, file: str) -> str:
    """What is wrong with a trace that cannot have come from this rail: millivolts called volts, another board.

    Ringing of a probe lead lasts for a few samples; a level lasts longer. Empty where nothing is wrong.
    """
    most_v = ABOVE_RAIL * rail_v
    beyond = np.abs(trace.voltage_v) > most_v
    if int(beyond.sum()) < FEWEST_BEYOND:
        return ""
    highest_v = float(np.nanmax(np.abs(trace.voltage_v)))
    return (
        f"{file}: up to {show(highest_v, 'V')} in {int(beyond.sum())} samples, more than {ABOVE_RAIL:g} times the "
        f"plan's rail of {show(rail_v, 'V')}: wrong unit, or wrong rail"
    )


def _observation(row: ForeignTrace, rail_v: float) -> Observation:
    problem = row.problem if row.trace is None else _beyond_the_rail(row.trace, rail_v, row.file)
    if row.trace is None or problem:
        return Observation(Trace(np.empty(0), np.empty(0)), outcome="failed", notes=(problem,))
    return Observation(
        trace=row.trace,
        hold_v=row.hold_v,
        released_after_s=row.released_at_s,
        reads_settled=row.reads,
        temperature_c=row.temperature_c,
    )
