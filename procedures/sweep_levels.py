"""Which levels a sweep forces: equal steps first, then finer ones where V/I_net is near its minimum. Pure, no I/O."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from procedures.settings import PressSettings
from results.record.run_record import SweepRules

MOST_WINDOWS = 2
"""Of a curve with two humps the higher one may be the lower one on a coarse grid: both are looked at closely."""

RIVAL = 0.8
"""A hump lower than this share of the highest one on the coarse grid is not the highest one in truth."""


@dataclass(frozen=True)
class Target:
    """A voltage to bring the pin to. `exact`: the level is corrected once, by how far the node came beside it."""

    voltage_v: float
    exact: bool = False


@dataclass(frozen=True)
class Seen:
    """One level as measured: what was forced, the voltage at the pin itself, and the net pin current there."""

    level_v: float
    pin_v: float
    net_a: float


def below_v_il(settings: PressSettings) -> float:
    """V_IL − U in volt: where the pin may really be at V_IL, at the limits of the meter (k = 2, rectangular)."""
    limit_v = settings.v_il * settings.accuracy_reading + settings.accuracy_v
    return settings.v_il - 2.0 * limit_v / math.sqrt(3.0)


def first_targets(top_v: float, settings: PressSettings, rules: SweepRules) -> list[Target]:
    """Equal steps from `top_v` down to 0 V, and between them exactly V_IL and V_IL − U; highest first."""
    steps = [Target(float(volts)) for volts in np.linspace(top_v, 0.0, rules.steps + 1)]
    edges = [Target(settings.v_il, exact=True), Target(below_v_il(settings), exact=True)]
    return sorted([*steps, *edges], key=lambda target: -target.voltage_v)


def refined_targets(seen: Sequence[Seen], settings: PressSettings, rules: SweepRules) -> list[Target]:
    """Finer steps around each place where V/I_net is near its minimum, and V_IL and V_IL − U again; highest first.

    A place reaches from the level below to the level above the one where I_net/V is largest, as far as seen, but not
    below V_IL − U: there the pin reads low.
    """
    low_v = below_v_il(settings)
    ordered = sorted((one for one in seen if one.pin_v > 0.5 * low_v), key=lambda one: one.pin_v)
    volts = [settings.v_il, low_v]
    for index in _tops([one.net_a / one.pin_v for one in ordered], [one.pin_v >= low_v for one in ordered]):
        start_v = max(ordered[max(index - 1, 0)].pin_v, low_v)
        end_v = ordered[min(index + 1, len(ordered) - 1)].pin_v
        volts += [float(v) for v in np.linspace(start_v, end_v, rules.refine + 2)[1:-1]]
    return [Target(v) for v in sorted(volts, reverse=True)]


def level_for(target_v: float, seen: Sequence[Seen]) -> float:
    """What to force so that the pin comes to `target_v`: between the levels that were measured, by straight lines.

    The pin differs from the level by what the current drops in series.
    """
    ordered = sorted(seen, key=lambda one: one.pin_v)
    return float(np.interp(target_v, [one.pin_v for one in ordered], [one.level_v for one in ordered]))


def _tops(ratios: Sequence[float], counted: Sequence[bool]) -> list[int]:
    """Where the ratio is at a local maximum among those counted, the largest first; no more than MOST_WINDOWS."""
    padded = [-math.inf, *(r if c else -math.inf for r, c in zip(ratios, counted, strict=True)), -math.inf]
    tops = [i - 1 for i in range(1, len(padded) - 1) if padded[i - 1] < padded[i] >= padded[i + 1]]
    ordered = sorted(tops, key=lambda index: -ratios[index])[:MOST_WINDOWS]
    return [index for index in ordered if index == ordered[0] or ratios[index] > RIVAL * ratios[ordered[0]] > 0.0]
