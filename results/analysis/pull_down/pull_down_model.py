"""The pull-down as a model of its sources: of the hold level, of the plain-leak line, or of the plan's range.

At the hold level it is the weighted mean current over the weighted mean voltage of all repeats. They share meter and
press resistor, and what was fitted then is what was fitted in the trial: a leakage beside it errs less than if the two
were independent.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from results.analysis.budgets.error_model import (
    METER_GAIN,
    RAIL_READING,
    SOURCE_GAIN,
    SOURCE_OFFSET,
    Term,
    line_terms,
    load_term,
    resistor_term,
)
from results.analysis.ends import AT_ZERO, ground_of
from results.analysis.findings import LeakLine, Value
from results.analysis.pin_bench import PinBench, ReadTrial
from results.analysis.pull_down.pull_down import PullDown
from results.analysis.uncertainty.budget import Source, rectangular
from results.record.trial import Resistor

HOLD_READING = "hold reading"
PRESS_READING = "press level reading"
PRESS_RESISTOR = "press resistor"
SCATTER = "scatter while held"
PLAN_RANGE = "pull-down, as the plan expects it"


@dataclass(frozen=True)
class _Held:
    """The repeats with one trial resistor: their weight, and weighted means of node, press level, source current, and
    where the resistor ends (`end_read_v`: what the meter read of it)."""

    resistor: Resistor
    weight: float
    node_v: float
    press_v: float
    press_ohm: float | None
    source_a: float
    end_v: float
    end_read_v: float
    conductances_s: tuple[float, ...]


def pull_down_term(bench: PinBench, pull_down: PullDown, holds: Sequence[ReadTrial], line: LeakLine | None) -> Term:
    """The conductance of the pull-down (S), by whatever told it. `holds`: the trials whose hold level was used."""
    if pull_down.source == "line" and line is not None:
        terms = line_terms(line)
        assert terms is not None
        return terms[1]
    if pull_down.source in ("hold level", "not found") and not pull_down.hidden:
        return _hold_term(bench, holds)
    source = Source(
        PLAN_RANGE, "B", "rectangular", pull_down.conductance.u, estimate=pull_down.conductance.value, unit="S"
    )
    return Term((source,), lambda x: x[PLAN_RANGE])


def _hold_term(bench: PinBench, holds: Sequence[ReadTrial]) -> Term:
    groups, meter, series_ohm = _grouped(bench, holds), bench.record.meter, bench.pin.series_ohm
    fitted = {group.resistor.name: resistor_term(group.resistor) for group in groups}
    load = load_term(Value(bench.load_s or 0.0, bench.load_u_s))
    weight, load_v = sum(group.weight for group in groups), ground_of(meter).value
    sources = {source.name: source for term in (load, *fitted.values()) for source in term.sources}
    own = (*_instruments(bench, holds), rectangular(METER_GAIN, meter.accuracy_reading), _scatter(groups))
    sources |= {source.name: source for source in own}

    def model(x: Mapping[str, Any]) -> Any:
        current: Any = 0.0
        volts: Any = 0.0
        for group in groups:
            node = group.node_v + (group.node_v - load_v) * x[METER_GAIN] + x[HOLD_READING]
            end = group.end_v + group.end_read_v * x[METER_GAIN] + x[RAIL_READING]
            taken = (node - end) * fitted[group.resistor.name].model(x) + (node - load_v) * load.model(x)
            drawn = taken - _delivered(group, node, load_v, x)
            current = current + group.weight / weight * drawn
            volts = volts + group.weight / weight * (node - end + series_ohm * drawn)
        return -current / volts + x[SCATTER]

    return Term(tuple(sources.values()), model)


def _delivered(group: _Held, node: Any, load_v: float, x: Mapping[str, Any]) -> Any:
    """What the press path drives into the node (A)."""
    if group.press_ohm is None:
        return group.source_a * (1.0 + x[SOURCE_GAIN]) + x[SOURCE_OFFSET]
    press_level = group.press_v + (group.press_v - load_v) * x[METER_GAIN] + x[PRESS_READING]
    return (press_level - node) / (group.press_ohm * (1.0 + x[PRESS_RESISTOR]))


def _instruments(bench: PinBench, holds: Sequence[ReadTrial]) -> list[Source]:
    """The constant part of the meter for each of its two readings, press resistor, and source."""
    meter, source = bench.record.meter, bench.record.source
    ends = [bench.ends_of(read.observation) for read in holds] or [AT_ZERO]
    relative = 0.0
    for read in holds:
        if read.observation is not None and read.observation.press_ohm and read.observation.press_u_ohm:
            relative = max(relative, read.observation.press_u_ohm / read.observation.press_ohm)
    return [
        rectangular(HOLD_READING, meter.accuracy_v, unit="V"),
        # Pressed to ground nothing is read.
        rectangular(PRESS_READING, 0.0 if ends[0].load_v else meter.accuracy_v, unit="V"),
        Source(RAIL_READING, "B", "rectangular", max(end.own_u_v for end in ends), unit="V"),
        Source(PRESS_RESISTOR, "B", "normal", relative),
        rectangular(SOURCE_GAIN, 0.0 if source is None else source.accuracy_reading),
        rectangular(SOURCE_OFFSET, 0.0 if source is None else source.accuracy_a, unit="A"),
    ]


def _grouped(bench: PinBench, holds: Sequence[ReadTrial]) -> list[_Held]:
    """The hold levels by trial resistor and kind of press path, each weighted as in the mean of all."""
    groups: dict[tuple[str, float | None], list[tuple[ReadTrial, float, float]]] = {}
    for read in holds:
        point = bench.hold_of(read)
        if point is None or read.observation is None:
            continue
        weight = 1.0 / point.current.u**2 if point.current.u > 0.0 else 1.0
        by_resistor = read.observation.press_v is not None and read.observation.press_ohm
        path = (read.trial.resistor, read.observation.press_ohm if by_resistor else None)
        groups.setdefault(path, []).append((read, weight, -point.current.value / point.pin_v))
    return [_mean(bench, path, members) for path, members in groups.items()]


def _mean(bench: PinBench, path: tuple[str, float | None], members: Sequence[tuple[ReadTrial, float, float]]) -> _Held:
    total = sum(weight for _, weight, _ in members)

    def mean(values: Sequence[float | None]) -> float:
        return sum(weight * (value or 0.0) for (_, weight, _), value in zip(members, values, strict=True)) / total

    seen = [read.observation for read, _, _ in members]
    return _Held(
        resistor=bench.resistor(path[0]),
        weight=total,
        node_v=mean([bench.held_v(read) for read, _, _ in members]),
        press_v=mean([None if one is None else one.press_v for one in seen]),
        press_ohm=path[1],
        source_a=mean([None if one is None else one.press_current_a for one in seen]),
        end_v=mean([bench.ends_of(one).fitted_v for one in seen]),
        end_read_v=mean([bench.ends_of(one).read_v for one in seen]),
        conductances_s=tuple(conductance for _, _, conductance in members),
    )


def _scatter(groups: Sequence[_Held]) -> Source:
    """Repeatability of the weighted mean (S), from the scatter of the repeats with the same resistor, pooled."""
    total = sum(group.weight for group in groups)
    squares = sum(_squares(group.conductances_s) for group in groups)
    freedom = sum(len(group.conductances_s) - 1 for group in groups)
    if freedom < 1 or total <= 0.0:
        return Source(SCATTER, "A", "t", 0.0, unit="S")
    share = sum((group.weight / total) ** 2 / len(group.conductances_s) for group in groups)
    return Source(SCATTER, "A", "t", math.sqrt(squares / freedom * share), float(freedom), unit="S")


def _squares(values: Sequence[float]) -> float:
    mean = sum(values) / len(values)
    return sum((value - mean) ** 2 for value in values)


__all__ = ["PLAN_RANGE", "pull_down_term"]
