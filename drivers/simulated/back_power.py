"""What feeds the unit's rail besides its supply: lines that are high, through the clamp diode of the pin they lead to.

Static: the rail stands where the feeds and what the unit draws as a conductance balance. Each feed is a voltage behind
a resistance and a diode (a straight line above its forward voltage, as a pin's own clamp).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from drivers.simulated.leak import CLAMP_FORWARD_V, CLAMP_OHM

HALVINGS = 60
"""Enough to find the balance to the last bit of a double."""

Feed = Callable[[float], float]
"""Rail in volt -> ampere into it, falling with the rail, never negative."""


def line_feed(line_v: float, line_ohm: float) -> Feed:
    """A line at `line_v` behind `line_ohm`."""
    return lambda rail_v: max(0.0, line_v - CLAMP_FORWARD_V - rail_v) / (line_ohm + CLAMP_OHM)


def balance_v(feeds: Sequence[Feed], load_s: float, most_v: float) -> float:
    """Where the rail stands with its supply off: the feeds less the load is zero, by halving from 0 V to `most_v`."""
    if not feeds or most_v <= 0.0:
        return 0.0
    low_v, high_v = 0.0, most_v
    for _ in range(HALVINGS):
        middle_v = (low_v + high_v) / 2
        if sum(feed(middle_v) for feed in feeds) > load_s * middle_v:
            low_v = middle_v
        else:
            high_v = middle_v
    return high_v
