"""The leakage beside a pull-down that is no resistor: with what the pin draws at that very voltage, buffer off.

A pull-down told at the hold level and taken as a straight line is wrong at mid level where it is a transistor. Where
the same pin was swept under the same condition with its input buffer off, the curve itself says what it draws there.
"""

from __future__ import annotations

from dataclasses import replace

from results.analysis.budgets.budgets import current_budgets, rest_terms, trial_budgets
from results.analysis.budgets.error_model import METER_GAIN, Term, linear_term
from results.analysis.findings import PinFinding, SweepFinding, TrialFinding
from results.analysis.one_thread import one_thread
from results.analysis.pin_bench import PinBench, ReadTrial
from results.analysis.pin_notes import TAKEN_AS_LINEAR
from results.analysis.pull_down.curvature import PullDownSweep, chord_at, pull_down_sweep
from results.analysis.pull_down.four_ways import buffer_off_setup
from results.analysis.uncertainty.budget import Contribution, Source
from results.analysis.uncertainty.estimate import Estimate
from results.record.run_record import RunRecord
from results.record.trial import Pin

LEAST = 0.25
"""Of V_IL: below, a straight line through 0 V is nearer to the truth than the offset of the source."""

AS_SWEPT = "leakage with the pull-down as swept with the buffer off"


def with_swept_pull_down(record: RunRecord, pins: tuple[PinFinding, ...]) -> tuple[PinFinding, ...]:
    """The pins, each leakage with the pull-down of the same pin's sweep with the buffer off, where there is one."""
    home = buffer_off_setup(record)
    if home is None:
        return pins
    known = {pin.name: pin for pin in record.pins}
    by_condition = {(pin.pin, pin.condition): pin for pin in pins}
    found = []
    with one_thread():
        for pin in pins:
            off = by_condition.get((pin.pin, replace(pin.condition, pin_setup=home)))
            bench = PinBench(record.under(pin.condition), known.get(pin.pin, Pin(pin.pin)))
            if off is None or off is pin or off.sweep is None:
                found.append(pin)
                continue
            found.append(_corrected(bench, pin, off.sweep))
    return tuple(found)


def _corrected(bench: PinBench, pin: PinFinding, sweep: SweepFinding) -> PinFinding:
    swept = pull_down_sweep(bench, sweep)
    if isinstance(swept, str):
        return pin
    drawn = {row.trial.sequence: _drawn(bench, row, swept, sweep) for row in pin.rows}
    rows = tuple(_row(bench, row, drawn[row.trial.sequence]) for row in pin.rows)
    largest = max(
        (row for row in rows if row.leakage is not None),
        key=lambda row: row.leakage.value if row.leakage else 0.0,
        default=None,
    )
    inside = None if largest is None else drawn[largest.trial.sequence]
    if largest is None or inside is None:
        return replace(pin, rows=rows)
    pin = replace(pin, rows=rows, leakage=largest.leakage, note=pin.note.replace(TAKEN_AS_LINEAR, AS_SWEPT))
    new = {one.budget.quantity: one for one in current_budgets(bench, pin, inside)}
    budgets = tuple(new.get(one.budget.quantity, one) for one in pin.budgets)
    return replace(pin, budgets=budgets)


def _drawn(bench: PinBench, row: TrialFinding, swept: PullDownSweep, sweep: SweepFinding) -> Term | None:
    """The pull-down where this trial rests, as a conductance (S); None where it was not swept, or next to 0 V."""
    rest = bench.rest_of(ReadTrial(row.trial, row.observation, row.trace))
    if row.leakage is None or rest is None or rest.pin.value <= LEAST * bench.record.levels.v_il:
        return None
    chord = chord_at(swept, sweep, rest.pin.value - rest.ends.fitted_v)
    return None if chord is None else _term(chord, bench.gain_u)


def _term(chord: Estimate, gain_u: float) -> Term:
    """By its sources: the gain of the meter is that of every other reading."""
    parts = []
    for name, part in chord.parts.items():
        if name == METER_GAIN and gain_u > 0.0:
            parts.append(Contribution(Source(METER_GAIN, "B", "rectangular", gain_u), part / gain_u))
        elif name.startswith("sweep noise"):
            parts.append(Contribution(Source(name, "A", "normal", abs(part), unit="S"), 1.0))
        else:
            parts.append(Contribution(Source(f"{name}, sweep", "B", "rectangular", abs(part), unit="S"), 1.0))
    return linear_term(chord.value, parts)


def _row(bench: PinBench, row: TrialFinding, inside: Term | None) -> TrialFinding:
    if inside is None or row.trace is None or row.trace.settled is None:
        return row
    read = ReadTrial(row.trial, row.observation, row.trace)
    terms = rest_terms(bench, read, row.trace.settled)
    return replace(row, leakage=terms.leakage(inside).value(), budgets=trial_budgets(bench, read, inside))


__all__ = ["AS_SWEPT", "with_swept_pull_down"]
