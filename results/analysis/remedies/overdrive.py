"""The overdrive current: what a source must sink to take a latched pin below V_IL.

It is the largest net pin current between V_IL and the latched voltage, on the way down. A sweep sees it as it is. With
resistors it is bracketed: what still rests above V_IL on a resistor drives V · G through it, so the source must sink
more than that. And where the node fell from the latched voltage V_0 to V_1 through resistor 1, to V_2 through resistor
2 and so on, the curve lies below the load line of resistor i + 1 from V_i down to V_(i+1): nowhere above the largest
V_i · G_(i+1), as far down as the resistor that took the node below V_IL.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from results.analysis.findings import PinFinding, SweepFinding
from results.analysis.found.latch import OverdriveFinding
from results.analysis.leakage import RestPoint
from results.analysis.pin_bench import PinBench
from results.analysis.remedies.overdrive_swept import largest_current, latched_voltage, read_at
from results.analysis.remedies.probe_reading import moves, node_of
from results.analysis.value import Value
from results.quantity import show
from results.record.observation import Observation, Probe
from results.record.run_record import RunRecord
from results.record.trial import NO_RESISTOR, Pin, Trial

Made = Sequence[tuple[Trial, Observation | None]]


def with_overdrive(record: RunRecord, pins: tuple[PinFinding, ...], made: Made) -> tuple[PinFinding, ...]:
    """The pins, each that was unlatched or swept with its overdrive current. Pure."""
    found = []
    for pin in pins:
        mine = [
            observation
            for trial, observation in made
            if trial.kind == "unlatch" and (trial.pin, trial.condition) == (pin.pin, pin.condition)
        ]
        if mine or pin.sweep is not None:
            pin = replace(pin, overdrive=_overdrive(record, pin, mine))
        found.append(pin)
    return tuple(found)


def _overdrive(record: RunRecord, pin: PinFinding, mine: Sequence[Observation | None]) -> OverdriveFinding:
    known = {one.name: one for one in record.pins}
    bench = PinBench(record.under(pin.condition), known.get(pin.pin, Pin(pin.pin)))
    steps = [step for seen in mine if (step := _unlatched(bench, seen)) is not None]
    finding = _by_resistors(bench, steps, mine) if mine else OverdriveFinding("not determined")
    if pin.sweep is not None:
        finding = _with_sweep(bench, finding, pin.sweep, steps)
    return finding


@dataclass(frozen=True)
class _Look:
    """The node on one resistor: at the pin (V), its net pin current (A), and what is above or below V_IL for sure."""

    rest: RestPoint
    pin_v: Value
    net: Value
    stays: bool
    falls: bool
    moves: bool

    @property
    def resistor(self) -> str:
        return self.rest.resistor


def _unlatched(bench: PinBench, observation: Observation | None) -> list[_Look] | None:
    """The looks of one step, the bare pin first; None where it is no evidence."""
    if observation is None or observation.outcome != "measured" or observation.contact == "disproven":
        return None
    if observation.holder in ("press path", "open"):
        return None
    looks = [
        look
        for probe in observation.probes
        if probe.act in ("released", "fitted") and (look := _look(bench, observation, probe)) is not None
    ]
    return looks or None


def _look(bench: PinBench, observation: Observation, probe: Probe) -> _Look | None:
    touch = node_of(observation, probe, bench.record.meter)
    if touch is None:
        return None
    rest, k, v_il = (
        bench.point(touch, probe.resistor, observation),
        bench.record.rules.coverage,
        bench.record.levels.v_il,
    )
    pin_v = rest.pin
    return _Look(
        rest,
        pin_v,
        rest.net_current,
        stays=pin_v.value - k * pin_v.u > v_il,
        falls=pin_v.value + k * pin_v.u <= v_il,
        moves=moves(observation, probe, bench.record.meter),
    )


def _by_resistors(
    bench: PinBench, steps: Sequence[list[_Look]], mine: Sequence[Observation | None]
) -> OverdriveFinding:
    """The bracket over all steps: the worst of them counts on both sides."""
    if not steps:
        why = [note for seen in mine if seen is not None for note in seen.notes]
        return OverdriveFinding("not determined", note="; ".join(["unlatch: no evidence", *dict.fromkeys(why)]))
    latched = [step for step in steps if step[0].stays]
    if not latched:
        unsure = not all(step[0].falls for step in steps)
        return OverdriveFinding("not determined" if unsure else "does not latch", presses=len(steps))
    held = max((look for step in latched for look in step if look.stays), key=lambda look: look.net.value)
    tops = [_at_most(bench, step) for step in latched]
    known = [top for top in tops if top is not None]
    at_most = max(known, key=lambda top: top[0].value) if len(known) == len(tops) else None
    notes = [] if at_most is not None else [_why_open(bench, latched)]
    if any(look.moves for step in latched for look in step):
        notes.append("unlatch: the node still moved at some of the looks")
    return OverdriveFinding(
        state="latches" if len(latched) == len(steps) else "latches sometimes",
        presses=len(steps),
        latched=len(latched),
        latched_v=max((step[0].pin_v for step in latched), key=lambda volts: volts.value),
        at_least=held.net,
        at_most=None if at_most is None else at_most[0],
        held_by=held.resistor,
        cleared_by="" if at_most is None else at_most[1],
        note="; ".join(notes),
    )


def _at_most(bench: PinBench, step: Sequence[_Look]) -> tuple[Value, str] | None:
    """The most that the pin can drive on its way down, and the resistor that cleared it; None where none did."""
    end = next((index for index, look in enumerate(step) if look.falls), None)
    if end is None or bench.load_s is None:
        return None
    bounds = [after.rest.taken_at(before.pin_v) for before, after in pairwise(step[: end + 1])]
    return max(bounds, key=lambda bound: bound.value), step[end].resistor


def _why_open(bench: PinBench, latched: Sequence[Sequence[_Look]]) -> str:
    if bench.load_s is None:
        return "unlatch: the meter's input resistance is not stated: no upper limit"
    last = latched[0][-1].resistor
    return f"unlatch: not taken below V_IL by {'any resistor' if last == NO_RESISTOR else last}: no upper limit"


def _with_sweep(
    bench: PinBench, finding: OverdriveFinding, sweep: SweepFinding, steps: Sequence[list[_Look]]
) -> OverdriveFinding:
    """The finding with the sweep's own value, and whether it lies within the bracket."""
    if sweep.down is None or sweep.observation is None:
        return replace(
            finding, note="; ".join(filter(None, (finding.note, "sweep: its down branch is not determined")))
        )
    latched_v = latched_voltage(bench, sweep)
    if latched_v is None:
        state = finding.state if steps else "does not latch"
        return _compared(replace(finding, state=state), bench.record.rules.coverage, latches=False)
    found = largest_current(bench, sweep, sweep.observation)
    if found is None:
        return replace(finding, note="; ".join(filter(None, (finding.note, "sweep: too few steps while latched"))))
    value, half_a, at_v = found
    with_value = replace(
        finding,
        state=finding.state if steps else "latches",
        latched_v=finding.latched_v or read_at(bench, sweep, latched_v),
        swept=value,
        swept_half_width_a=half_a,
        swept_at_v=at_v,
    )
    return _compared(with_value, bench.record.rules.coverage, latches=True)


def _compared(finding: OverdriveFinding, coverage: float, *, latches: bool) -> OverdriveFinding:
    """Does the sweep's value, with its interval, lie within the bracket of the resistors, with its U?"""
    if not finding.presses:
        return finding
    if not latches or finding.latched == 0:
        if latches == (finding.latched > 0):
            return replace(finding, agreement="agrees", agreement_text="agreement: by both the pin does not latch")
        by_sweep = "latches" if latches else "does not latch"
        said = f"disagreement: by the sweep the pin {by_sweep}, it latched in {finding.latched} of {finding.presses}"
        return replace(finding, agreement="disagrees", agreement_text=f"{said} presses")
    assert finding.swept is not None
    assert finding.swept_half_width_a is not None
    low_a = _end(finding.at_least, -coverage)
    high_a = _end(finding.at_most, coverage)
    swept_a, half_a = finding.swept.value, finding.swept_half_width_a
    within = (low_a is None or swept_a + half_a >= low_a) and (high_a is None or swept_a - half_a <= high_a)
    by_sweep = f"sweep {show(swept_a, 'A')} ± {show(half_a, 'A', digits=2)}"
    bracket = f"resistors {_amperes(low_a, 'at least')}, {_amperes(high_a, 'at most')}"
    if within:
        return replace(finding, agreement="agrees", agreement_text=f"agreement: {by_sweep}, {bracket}")
    return replace(finding, agreement="disagrees", agreement_text=f"disagreement: {by_sweep}, but {bracket}")


def _end(value: Value | None, coverage: float) -> float | None:
    return None if value is None else value.value + coverage * value.u


def _amperes(value_a: float | None, which: str) -> str:
    return f"no upper limit ({which})" if value_a is None else f"{which} {show(value_a, 'A')}"
