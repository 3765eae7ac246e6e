"""From the released trials of a pin to the margin of their resistors near the fold."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from results.analysis.ends import ground_of, taken_s
from results.analysis.findings import PinFinding, TrialFinding
from results.analysis.found.fold import FoldMargin, Passage
from results.analysis.looking_glass import as_seen, seen_by
from results.analysis.one_thread import one_thread
from results.analysis.pin_bench import PinBench
from results.analysis.pull_down.node_capacitance import node_capacitance
from results.analysis.resistor.passage import read_passage
from results.analysis.trace.decay import resolution_s
from results.analysis.uncertainty.estimate import Estimate
from results.analysis.verdict import STUCK
from results.quantity import show
from results.record.run_record import RunRecord
from results.record.trial import NO_CAPACITOR, NO_RESISTOR, Pin

_SHOWN_BY = 20.0
"""Samples that an RC alone should take from the press level to V_IL for its passage to be told."""

_RELEASED = frozenset({"released", "slow"})


def with_fold_margins(record: RunRecord, pins: tuple[PinFinding, ...]) -> tuple[PinFinding, ...]:
    """The pins with what each release by a resistor says of its margin: of pins that stuck somewhere, and of every
    trial with an added capacitor, which is made for that."""
    sticks = {pin.pin for pin in pins if any(row.verdict in STUCK for row in pin.rows)}
    with one_thread():
        return tuple(
            replace(pin, fold_margins=_margins(record.under(pin.condition), pin))
            if pin.pin in sticks or pin.condition.capacitor != NO_CAPACITOR
            else pin
            for pin in pins
        )


def _margins(record: RunRecord, finding: PinFinding) -> tuple[FoldMargin, ...]:
    pin = {known.name: known for known in record.pins}.get(finding.pin, Pin(finding.pin))
    bench = PinBench(record, pin)
    rows = [row for row in finding.rows if row.trial.resistor != NO_RESISTOR and row.verdict in _RELEASED]
    with seen_by(record.meter):
        return tuple(fold_margin(bench, row) for row in rows if not row.trial.as_found)


def fold_margin(bench: PinBench, row: TrialFinding) -> FoldMargin:
    """What one release says. Raises RecordError where its resistor is not in the record."""
    record = bench.record
    if row.trace is None or row.trace.edge is None or row.observation is None:
        return FoldMargin(row.trial, Passage(), note="not observable: no release edge in the trace")
    passage = read_passage(row.observation.trace, row.trace.edge, record.meter, record.levels.v_il)
    found = FoldMargin(row.trial, passage)
    absent = _absent(bench, row, passage)
    if absent:
        return replace(found, note=absent)
    if bench.load_s is None:
        return replace(found, note="not observable: the meter's input resistance is not stated")
    resistor = bench.resistor(row.trial.resistor)
    fitted = Estimate(resistor.conductance_s, {f"resistor {resistor.name}": resistor.conductance_u_s})
    found = replace(found, shows_from_f=_shows_from(bench, row, fitted.value + bench.load_s))
    if passage.slowest is None:
        more = f"about {show(found.shows_from_f, 'F', 2)} on the node would show it" if found.shows_from_f else ""
        return replace(found, note="; ".join(part for part in (f"not observable: {passage.reason}", more) if part))
    if bench.pin.series_ohm > 0.0:
        why = "the board's series resistance makes two nodes of one"
        return replace(found, note=f"not observable: {why}{_shape(passage)}")
    known = node_capacitance(record, bench.pin, row.trial.condition.capacitor)
    if isinstance(known, str):
        return replace(found, note=f"R/R_safe not determined: {known}{_shape(passage)}")
    return _estimated(bench, found, passage, known, fitted)


def _absent(bench: PinBench, row: TrialFinding, passage: Passage) -> str:
    """Whether the capacitor that should be on the node is not: it passed in less than half of the time that the largest
    conductance takes to empty it. No relay says so, and no resistance shows it; empty where it was not so fast."""
    name, rules = row.trial.condition.capacitor, bench.record.rules
    if name == NO_CAPACITOR or row.trace is None or row.trace.edge is None:
        return ""
    fitted_s = bench.resistor(row.trial.resistor).conductance_s + (bench.load_s or 0.0)
    ratio = row.trace.edge.held_v / bench.record.levels.v_il
    if ratio <= 1.0:
        return ""
    least_s = bench.record.capacitor(name).capacitance_f / (fitted_s + 1.0 / rules.pull_down_low_ohm) * math.log(ratio)
    took_s = row.trace.release_time_s if passage.length_s is None else passage.length_s
    if took_s is None or took_s >= 0.5 * least_s:
        return ""
    return f"not observable: the node fell faster than {name} lets it: is the capacitor on it?"


def _estimated(
    bench: PinBench, found: FoldMargin, passage: Passage, capacitance: Estimate, fitted: Estimate
) -> FoldMargin:
    record, load_s = bench.record, bench.load_s or 0.0
    assert passage.slowest is not None
    # Where V_IL itself is the slowest place, an offset of the meter moves that place.
    offset = passage.per_volt * record.meter.accuracy_v / math.sqrt(3.0)
    number = found.trial.sequence
    ground, v_il = ground_of(record.meter), record.levels.v_il
    ground_v = ground.value
    # Nor is −d(ln V)/dt free of where V counts from, which in a mirror image is a rail that was read, or was not.
    end = passage.slowest.value * ground.u / (passage.at_v or v_il)
    parts = {f"passage of trial {number}": passage.slowest.u, "meter offset": offset, "rail reading": end}
    left = capacitance.times(Estimate(passage.slowest.value, parts))
    # Meter and fixture end at ground, which in a mirror image is not where the node falls to.
    takes = taken_s(1.0, ground_v, passage.at_v or v_il)
    load = Estimate(load_s, {"bench load": bench.load_u_s})
    required = fitted.plus(load, takes).plus(left, -1.0)
    ratio = required.times(fitted.inverted())
    expanded = record.rules.coverage * ratio.u
    explained = slower = None
    if passage.from_v is not None and passage.length_s is not None:
        most_f = capacitance.value + record.rules.coverage * capacitance.u
        least_s = fitted.value - record.rules.coverage * fitted.u + taken_s(load_s, ground_v, v_il)
        if least_s > 0.0:
            explained = most_f / least_s * math.log(passage.from_v / v_il)
            slower = passage.length_s > explained
    little = ratio.value + expanded > 1.0 / (1.0 + record.rules.margin)
    return replace(
        found,
        ratio=ratio,
        required=required,
        explained_s=explained,
        slower_than_rc=slower,
        little=little,
        note=_note(found, ratio, expanded, slower, little),
    )


def _note(found: FoldMargin, ratio: Estimate, expanded: float, slower: bool | None, little: bool) -> str:
    """The warning, where there is one."""
    parts = []
    if slower:
        parts.append("slower than resistor and capacitance explain")
    if little:
        parts.append(f"little margin: {found.trial.resistor} is {ratio.value:.3g} ± {expanded:.2g} of R_safe")
    return "; ".join(parts)


def _shape(passage: Passage) -> str:
    """What the shape says where no number can be said: an RC alone falls at the same pace all the way."""
    if passage.slowdown is None or passage.slowdown > 0.5 or passage.at_v is None:
        return ""
    at = show(as_seen(passage.at_v), "V", 2)
    return f"; but at {at} the node fell at {passage.slowdown:.2g} of its pace at the press level"


def _shows_from(bench: PinBench, row: TrialFinding, outside_s: float) -> float | None:
    """The capacitance on which resistor and bench alone take enough samples from the press level to V_IL."""
    trace = row.observation.trace if row.observation is not None else None
    if trace is None or len(trace) < 2 or row.trace is None or row.trace.edge is None:
        return None
    interval_s = float((trace.time_s[-1] - trace.time_s[0]) / (len(trace) - 1))
    ratio = row.trace.edge.held_v / bench.record.levels.v_il
    if ratio <= 1.0:
        return None
    return _SHOWN_BY * resolution_s(interval_s, bench.record.meter) * outside_s / math.log(ratio)


def largest_told(margins: Sequence[FoldMargin]) -> FoldMargin | None:
    """The release closest to the fold of those that tell a number."""
    told = [margin for margin in margins if margin.ratio is not None]
    return max(told, key=lambda margin: margin.ratio.value if margin.ratio is not None else 0.0, default=None)
