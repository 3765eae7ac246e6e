"""Hidden leaks of shapes that the demo's board does not have, as a board file states them.

Every shape is drawn in shares of the rail, so that all rails see the same shapes. Nothing is narrower than two steps of
the sweep (1/33 of the rail): what lies between its steps a sweep does not see (docs/method.md says so).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from results.record.trace import FloatArray

FINE = 8001
"""Points of a smooth curve in a table: between two of them the straight line is off by less than 2e-6 of a hump, below
the noise of every source drawn."""

AMPERES = (25e-6, 250e-6)
"""Size of a leak: from about what a pull-down takes at V_IL to a quarter of the source's current limit."""

Chance = np.random.Generator


def size_a(chance: Chance) -> float:
    """A size of a leak in ampere, even on a logarithmic scale."""
    low, high = np.log(AMPERES)
    return float(np.exp(chance.uniform(low, high)))


def _hump(volts: FloatArray, rail_v: float, chance: Chance) -> FloatArray:
    centre, width = rail_v * chance.uniform(0.2, 0.85), rail_v * chance.uniform(0.05, 0.15)
    return np.asarray(size_a(chance) * np.exp(-(((volts - centre) / width) ** 2)))


def _humps(count: Sequence[int]) -> Callable[[float, Chance], str]:
    def leak(rail_v: float, chance: Chance) -> str:
        volts = np.linspace(0.0, 1.1 * rail_v, FINE)
        humps = [_hump(volts, rail_v, chance) for _ in range(int(chance.choice(count)))]
        return _table(volts, np.sum(humps, axis=0))

    return leak


def _sloping(rail_v: float, chance: Chance) -> str:
    """A plateau that rises or falls, with soft flanks: lopsided, where the demo's is flat."""
    volts = np.linspace(0.0, 1.1 * rail_v, FINE)
    share = volts / rail_v
    up, down = chance.uniform(0.15, 0.45), chance.uniform(0.5, 0.9)
    up_width, down_width = chance.uniform(0.02, 0.08, 2)
    flanks = 1.0 / (1.0 + np.exp(-(share - up) / up_width)) / (1.0 + np.exp((share - down) / down_width))
    tilt = 1.0 + chance.uniform(-0.8, 2.0) * (share - up)
    return _table(volts, size_a(chance) * flanks * np.maximum(tilt, 0.1))


def _kinked(rail_v: float, chance: Chance) -> str:
    """A few points joined by straight lines, at least 2.5 steps of the sweep apart."""
    count = int(chance.integers(4, 8))
    apart = 2.5 / 33.0
    free = np.sort(chance.uniform(0.0, 0.9 - apart * count, count))
    volts = np.concatenate(([0.0], rail_v * (0.1 + free + apart * np.arange(count)), [1.15 * rail_v]))
    amperes = np.concatenate(([0.0], [size_a(chance) for _ in range(count)], [0.0]))
    return _table(volts, amperes)


def _knee(rail_v: float, chance: Chance) -> str:
    return f'{{ kind = "plain", current_a = {size_a(chance):.6g}, knee_v = {rail_v * chance.uniform(0.02, 0.3):.6g} }}'


def _vanishing(rail_v: float, chance: Chance) -> str:
    knee_v, gone_v = rail_v * chance.uniform(0.02, 0.2), rail_v * chance.uniform(0.3, 0.9)
    return (
        f'{{ kind = "plain", current_a = {size_a(chance):.6g}, knee_v = {knee_v:.6g}, gone_v = {gone_v:.6g}, '
        f"gone_width_v = {rail_v * chance.uniform(0.015, 0.06):.6g} }}"
    )


def _none(rail_v: float, chance: Chance) -> str:
    return '{ kind = "none" }'


def _table(volts: FloatArray, amperes: FloatArray) -> str:
    written = [", ".join(f"{value:.9g}" for value in values) for values in (volts, amperes)]
    return f'{{ kind = "table", voltage_v = [{written[0]}], current_a = [{written[1]}] }}'


SHAPES: dict[str, tuple[float, Callable[[float, Chance], str]]] = {
    "one hump": (0.15, _humps((1,))),
    "two or three humps": (0.20, _humps((2, 3))),
    "sloping plateau": (0.15, _sloping),
    "table with kinks": (0.10, _kinked),
    "constant above a knee": (0.15, _knee),
    "constant, vanishing": (0.20, _vanishing),
    "no leak": (0.05, _none),
}
"""Shape -> its share of the pins, and what draws it: (rail in volt, chance) -> a leak of a board file."""
