"""Did a pin come out of its test as it went in? The change of its leakage at 0 V and at the rail.

With a source both were forced, before the first trial and after the last. Without one the bare trials tell it less
well: the first and the last of each pin, by the node before the press and by the current at the hold level.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from results.analysis.check.check_rule import judged, open_item
from results.analysis.pin_bench import PinBench, ReadTrial
from results.analysis.value import Value
from results.record.check import CheckItem
from results.record.observation import Observation
from results.record.run_record import RunRecord
from results.record.trial import NO_RESISTOR, Pin, Trial

LAST = 3
"""Readings that agreed at the end of a look; those before may still have settled."""

FEW = 2.15
"""Student's t for three readings (two degrees of freedom, 95 %: 4.30; JCGM 100:2008, G.3) over the coverage factor."""

NAMES = ("at 0 V", "at the rail")


def damage_items(
    record: RunRecord,
    watched: Sequence[tuple[Trial, Observation | None]],
    read: Sequence[ReadTrial],
) -> tuple[CheckItem, ...]:
    """One item a pin and level: what changed, against the plan's limit; none where the plan watches nothing.

    `watched`: the steps of the damage watch; `read`: the plain trials, which speak where there are no such steps.
    """
    limit_a = record.damage_limit_a
    if limit_a is None:
        return ()
    if not watched and record.press_to == "ground":
        why = "not told without a source where pins are pressed to ground"
        return tuple(open_item(pin.name, why) for pin in record.pins)
    if not watched:
        return tuple(item for pin in record.pins for item in _by_trials(record, pin, read, limit_a))
    pins = dict.fromkeys(trial.pin for trial, _ in watched)
    return tuple(
        item
        for pin in pins
        for item in _by_source(record, pin, [seen for trial, seen in watched if trial.pin == pin], limit_a)
    )


def _by_source(record: RunRecord, pin: str, seen: Sequence[Observation | None], limit_a: float) -> Iterator[CheckItem]:
    for index, name in enumerate(NAMES):
        # A pull-up drives most at 0 V, and there the rail drives it.
        by_rail = record.press_to == "ground" and index == 0
        points = [_point(one, index, by_rail=by_rail) for one in (seen[0], seen[-1])]
        if len(seen) < 2 or points[0] is None or points[1] is None:
            yield open_item(f"{pin} {name}", "not measured both before and after", "A")
            continue
        (was_v, was), (now_v, now) = points[0], points[1]
        # What the pin draws more because the rail itself is higher now: by its own conductance before.
        moved_a = was.value * (now_v / was_v - 1.0) if abs(was_v) > 0.1 else 0.0
        offset_a = 0.0 if record.source is None else record.source.accuracy_a * math.sqrt(2.0 / 3.0)
        gain = 0.0 if record.source is None else record.source.accuracy_reading / math.sqrt(3.0)
        change_a = now.value - was.value - moved_a
        u_a = math.hypot(was.u, now.u, offset_a, gain * change_a)
        note = f"{was.value:.3g} A before, {now.value:.3g} A after"
        yield judged(f"{pin} {name}", change_a, "A", u_a, low=-limit_a, high=limit_a, note=note)


def _point(seen: Observation | None, index: int, *, by_rail: bool) -> tuple[float, Value] | None:
    """Node (V) and current into it of one look; None where it was not made. `by_rail`: the rail instead of the node,
    where it was measured."""
    if seen is None or seen.outcome != "measured" or index >= len(seen.probes) or seen.trace.current_a is None:
        return None
    probe = seen.probes[index]
    end = probe.first + probe.count
    amperes = seen.trace.current_a[max(probe.first, end - LAST) : end]
    if len(amperes) < LAST or not np.isfinite(amperes).all():
        return None
    u_a = FEW * float(np.std(amperes, ddof=1)) / math.sqrt(LAST)
    node_v = float(np.mean(seen.trace.voltage_v[end - LAST : end]))
    return seen.rail_v if by_rail and seen.rail_v is not None else node_v, Value(float(np.mean(amperes)), u_a)


def _by_trials(record: RunRecord, pin: Pin, read: Sequence[ReadTrial], limit_a: float) -> Iterator[CheckItem]:
    bare = [one for one in read if one.trial.pin == pin.name and one.trial.resistor == NO_RESISTOR and one.is_evidence]
    same = [one for one in bare if one.trial.condition == bare[0].trial.condition and not one.trial.as_found]
    names = (f"{pin.name} before the press", f"{pin.name} while held")
    if len(same) < 2:
        yield from (open_item(name, "fewer than two bare trials under one condition") for name in names)
        return
    first, last = same[0], same[-1]
    yield _before_press(record, names[0], first, last, limit_a)
    bench = PinBench(record.under(first.trial.condition), pin)
    was, now = bench.hold_of(first), bench.hold_of(last)
    if was is None or now is None:
        yield open_item(names[1], "what the pin draws while held is not known", "A")
        return
    u_a = math.hypot(was.current.u, now.current.u)
    note = "by the press resistor, of which the resolution is poor"
    yield judged(names[1], was.current.value - now.current.value, "A", u_a, low=-limit_a, high=limit_a, note=note)


def _before_press(record: RunRecord, name: str, first: ReadTrial, last: ReadTrial, limit_a: float) -> CheckItem:
    """The node with nothing pressed: what leaks in there lifts it, over the strongest pull-down that is expected.

    Over the weakest one less lifts it as far: only what is too much there is surely a change beyond the limit.
    """
    levels = [None if one.observation is None else one.observation.before_v for one in (first, last)]
    if levels[0] is None or levels[1] is None:
        return open_item(name, "not read", "V")
    limit_v = limit_a * record.rules.pull_down_low_ohm
    u_v = record.meter.accuracy_v * math.sqrt(2.0 / 3.0)
    moved_v, surely_v = levels[1] - levels[0], limit_a * record.rules.pull_down_high_ohm
    item = judged(name, moved_v, "V", u_v, low=-limit_v, high=limit_v)
    if item.verdict != "fail" or judged(name, moved_v, "V", u_v, low=-surely_v, high=surely_v).verdict == "fail":
        return item
    return replace(item, verdict="not determined", note="beyond the limit only over a strong pull-down")
