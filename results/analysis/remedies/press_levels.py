"""The lowest press level that latches a pin, as an interval; and the unstable rest point that a sweep sees there.

A node let go above the unstable rest point of its load line goes up to the stable one, below it falls to 0 V: where
the net pin current crosses V · G from below.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from results.analysis.ends import ground_of
from results.analysis.findings import PinFinding, SweepFinding
from results.analysis.found.latch import LevelTried, PressLevelFinding
from results.analysis.load_line import NetCurrent, rest_points
from results.analysis.looking_glass import as_seen, seen_by
from results.analysis.pin_bench import PinBench
from results.analysis.remedies.probe_reading import gain_limit_v, node_of, source_of
from results.analysis.sweep.sweep_curve import curve_of, interpolated
from results.analysis.value import Value
from results.quantity import show
from results.record.observation import Observation, Probe
from results.record.run_record import RunRecord
from results.record.trace import FloatArray
from results.record.trial import Pin, Trial

Made = Sequence[tuple[Trial, Observation | None]]


def with_press_level(record: RunRecord, pins: tuple[PinFinding, ...], made: Made) -> tuple[PinFinding, ...]:
    """The pins, each that was pressed to levels with the interval of its lowest level that latches. Pure."""
    known = {pin.name: pin for pin in record.pins}
    steps = {(trial.pin, trial.condition): seen for trial, seen in made if trial.kind == "press level"}
    found = []
    for pin in pins:
        if (pin.pin, pin.condition) in steps:
            bench = PinBench(record.under(pin.condition), known.get(pin.pin, Pin(pin.pin)))
            level = _level(bench, steps[pin.pin, pin.condition])
            with seen_by(bench.record.meter):
                pin = replace(pin, press_level=_with_sweep(bench, level, pin.sweep))
        found.append(pin)
    return tuple(found)


def _level(bench: PinBench, observation: Observation | None) -> PressLevelFinding:
    if observation is None:
        return PressLevelFinding("not determined", note="press level: not made")
    if observation.outcome == "no contact":
        return PressLevelFinding("not determined", note="press level: contact to the unit was disproven")
    levels = _levels(bench, observation)
    if observation.outcome != "measured" or not levels:
        why = "; ".join(observation.notes) or "no levels"
        return PressLevelFinding("not determined", note=f"press level: failed: {why}")
    note = "; ".join(observation.notes)
    if not any(one.latched for one in levels):
        return PressLevelFinding("does not latch", levels, never=levels[-1].level, note=note)
    if all(one.latched == one.presses for one in levels):
        return PressLevelFinding("latches from every level", levels, always=levels[0].level, note=note)
    lowest = next(index for index, one in enumerate(levels) if one.latched)
    unsure = max(index for index, one in enumerate(levels) if one.latched < one.presses)
    always = levels[unsure + 1].level if unsure + 1 < len(levels) else None
    return PressLevelFinding(
        state="latches" if always is not None else "latches sometimes",
        levels=levels,
        never=levels[lowest - 1].level if lowest else None,
        always=always,
        note=note,
    )


def _levels(bench: PinBench, observation: Observation) -> tuple[LevelTried, ...]:
    """Every level with how often it latched, lowest first. A press whose end cannot be read counts for neither."""
    pressed = {(p.level_v, p.repeat): p for p in observation.probes if p.act == "pressed"}
    by_level: dict[float, list[tuple[Value, bool]]] = {}
    for probe in observation.probes:
        level_v, before = probe.level_v, pressed.get((probe.level_v, probe.repeat))
        if probe.act != "released" or level_v is None:
            continue
        ended = node_of(observation, probe, bench.record.meter)
        # Without a press before it: the node was discharged, and then went up by itself.
        held = Value(0.0, 0.0) if before is None else _at_pin(bench, observation, before)
        if ended is not None and held is not None:
            by_level.setdefault(level_v, []).append((held, ended.value > bench.record.levels.v_il))
    tried = []
    for seen in by_level.values():
        mean_v = sum(held.value for held, _ in seen) / len(seen)
        tried.append(LevelTried(Value(mean_v, max(h.u for h, _ in seen)), len(seen), sum(up for _, up in seen)))
    return tuple(sorted(tried, key=lambda one: one.level.value))


def _at_pin(bench: PinBench, observation: Observation, probe: Probe) -> Value | None:
    """The level at the pin itself: behind a series resistance on the board, by the current that went in (V)."""
    touch, source_a = node_of(observation, probe, bench.record.meter), source_of(observation, probe)
    if touch is None or not bench.pin.series_ohm:
        return touch
    if source_a is None or bench.load_s is None:
        return None
    net_a = (touch.value - ground_of(bench.record.meter).value) * bench.load_s - source_a
    return Value(touch.value + bench.pin.series_ohm * net_a, touch.u)


def _with_sweep(bench: PinBench, finding: PressLevelFinding, sweep: SweepFinding | None) -> PressLevelFinding:
    """The finding with the unstable rest point of the sweep, and whether it lies in the interval."""
    if sweep is None or sweep.down is None or finding.state == "not determined":
        return finding
    k = bench.record.rules.coverage
    latches, swept = _unstable(bench, sweep)
    by_levels = finding.state not in ("does not latch", "latches sometimes")
    finding = replace(finding, swept=swept)
    if latches != by_levels or (swept is None) != (finding.state in ("does not latch", "latches from every level")):
        said = "latches" if latches else "does not latch"
        at = "" if swept is None else f" from {show(as_seen(swept.value), 'V')} on"
        text = f"disagreement: by the sweep the pin {said}{at}, by presses it {finding.state}"
        return replace(finding, agreement="disagrees", agreement_text=text)
    if swept is None:
        text = f"agreement: by both the pin {'latches from every level' if latches else 'does not latch'}"
        return replace(finding, agreement="agrees", agreement_text=text)
    low_v = None if finding.never is None else finding.never.value - k * finding.never.u
    high_v = None if finding.always is None else finding.always.value + k * finding.always.u
    half_v = k * swept.u
    within = (low_v is None or swept.value + half_v >= low_v) and (high_v is None or swept.value - half_v <= high_v)
    ends = (
        ("no limit" if low_v is None else show(as_seen(low_v), "V")),
        ("no limit" if high_v is None else show(as_seen(high_v), "V")),
    )
    said = f"unstable rest point by the sweep {show(as_seen(swept.value), 'V')} ± {show(half_v, 'V', digits=2)}"
    verb, word = ("agreement", "") if within else ("disagreement", "but ")
    text = f"{verb}: {said}, {word}presses {ends[0]} to {ends[1]}"
    return replace(finding, agreement="agrees" if within else "disagrees", agreement_text=text)


def _unstable(bench: PinBench, sweep: SweepFinding) -> tuple[bool, Value | None]:
    """Whether the pin latches by the down branch with the bench's load on it, and its unstable rest point below.

    The rest point is uncertain by the errors of the instruments over the slope there, and by how far a straight line
    between the two steps around it goes through another point than the curve (rectangular).
    """
    volts, amperes = curve_of(sweep.points, "down")
    load_s, series_ohm = bench.load_s or 0.0, bench.pin.series_ohm
    seen_s = load_s / (1.0 + series_ohm * load_s)
    low_v, high_v = max(0.25 * bench.record.levels.v_il, float(volts[0])), float(volts[-1])
    if low_v >= high_v:
        return False, None
    # What of the bench's load does not end at 0 V gives a constant current back.
    back_a = seen_s * ground_of(bench.record.meter).value
    amperes = amperes + back_a
    curve = interpolated(volts, amperes)
    rests = rest_points(curve, seen_s, low_v, high_v)
    top_v = high_v if amperes[-1] > seen_s * high_v else max((r.voltage_v for r in rests if r.stable), default=0.0)
    if top_v <= bench.record.levels.v_il:
        return False, None
    below = [rest.voltage_v for rest in rests if not rest.stable and rest.voltage_v < top_v]
    if not below:
        return True, None
    at_v = max(below)

    def lines(wanted: FloatArray) -> FloatArray:
        return np.asarray(np.interp(wanted, volts, amperes), dtype=np.float64)

    return True, Value(at_v, _unstable_u(bench, curve, lines, at_v, seen_s, (low_v, high_v)))


def _unstable_u(
    bench: PinBench, curve: NetCurrent, lines: NetCurrent, at_v: float, seen_s: float, span: tuple[float, float]
) -> float:
    straight = [rest.voltage_v for rest in rest_points(lines, seen_s, *span) if not rest.stable]
    between_v = min((abs(volts - at_v) for volts in straight), default=0.0)
    step_v = 1e-3
    slope_s = float((curve(np.array([at_v + step_v])) - curve(np.array([at_v - step_v])))[0]) / (2.0 * step_v) - seen_s
    source, meter = bench.record.source, bench.record.meter
    offset_v = 0.0 if source is None else source.accuracy_a / max(abs(slope_s), 1e-12)
    limits = (between_v, offset_v, gain_limit_v(at_v, meter) + meter.accuracy_v)
    return math.hypot(*limits) / math.sqrt(3.0)
