"""Which levels a sweep forces: equal steps first, then finer ones where V/I_net is near its minimum. Pure, no I/O."""

from __future__ import annotations

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
    return settings.v_il - settings.reading_limit_v(settings.v_il)


def first_targets(top_v: float, settings: PressSettings, rules: SweepRules) -> list[Target]:
    """Equal steps from `top_v` down to 0 V, and between them exactly V_IL and V_IL − U; highest first."""
    steps = [Target(float(volts)) for volts in np.linspace(top_v, 0.0, rules.steps + 1)]
    edges = [Target(settings.v_il, exact=True), Target(below_v_il(settings), exact=True)]
    return sorted([*steps, *edges], key=lambda target: -target.voltage_v)


def refined_targets(
    seen: Sequence[Seen], top_v: float, sweep_pass: int, settings: PressSettings, rules: SweepRules
) -> list[Target]:
    """Finer steps around each place where V/I_net is near its minimum, and V_IL and V_IL − U again; highest first.

    A place reaches one step of the pass before to either side of the level where I_net/V is largest, as far as seen,
    but not below V_IL − U: there the pin reads low.
    """
    low_v, reach_v = below_v_il(settings), rules.reach_v(top_v, sweep_pass)
    counted = [one for one in seen if one.pin_v >= low_v]
    volts = [settings.v_il, low_v]
    for centre_v in _tops(counted, 1.5 * rules.reach_v(top_v, 2)):
        start_v = max(centre_v - reach_v, low_v)
        end_v = min(centre_v + reach_v, max(one.pin_v for one in counted))
        volts += [float(v) for v in np.linspace(start_v, end_v, rules.refine + 2)[1:-1]]
    return [Target(v) for v in sorted(volts, reverse=True)]


def level_for(target_v: float, seen: Sequence[Seen]) -> float:
    """What to force so that the pin comes to `target_v`: between the levels that were measured, by straight lines.

    The pin differs from the level by what the current drops in series.
    """
    ordered = sorted(seen, key=lambda one: one.pin_v)
    return float(np.interp(target_v, [one.pin_v for one in ordered], [one.level_v for one in ordered]))


def _tops(seen: Sequence[Seen], apart_v: float) -> list[float]:
    """Where I_net/V is larger than anywhere within `apart_v`, the largest first; no more than MOST_WINDOWS, in volt."""
    ranked = sorted(seen, key=lambda one: -one.net_a / one.pin_v)
    tops: list[Seen] = []
    for one in ranked:
        near = [other.net_a / other.pin_v for other in seen if abs(other.pin_v - one.pin_v) <= apart_v]
        rivals = not tops or one.net_a / one.pin_v > RIVAL * tops[0].net_a / tops[0].pin_v > 0.0
        if rivals and one.net_a / one.pin_v >= max(near) and all(abs(one.pin_v - t.pin_v) > apart_v for t in tops):
            tops.append(one)
    return [one.pin_v for one in tops[:MOST_WINDOWS]]
