"""Rest points of a pin: where its net current curve meets the load line of the resistance outside.

At a rest point I_net(V) = V · G; it is stable where I_net falls more steeply than the load line rises: dI_net/dV < G.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from results.record.trace import FloatArray

NetCurrent = Callable[[FloatArray], FloatArray]
"""Net pin current (ampere, out of the pin) at voltages (volt), same shape."""


@dataclass(frozen=True)
class RestVoltage:
    """Where the node rests, and whether it returns there when pushed."""

    voltage_v: float
    stable: bool


def rest_points(
    net_current: NetCurrent, conductance_s: float, low_v: float, high_v: float, steps: int = 4000
) -> tuple[RestVoltage, ...]:
    """All rest points between `low_v` and `high_v` with `conductance_s` outside (siemens), lowest first.

    Roots are bracketed on a grid of `steps` intervals and at every turning point that the grid shows, then refined
    (Brent).
    Raises ValueError unless low_v < high_v and steps >= 2.
    """
    from scipy.optimize import brentq

    if not (low_v < high_v and steps >= 2):
        raise ValueError(f"rest points need low < high and at least 2 steps: {low_v} V, {high_v} V, {steps}")

    def surplus(volts: float) -> float:
        return float(net_current(np.array([volts]))[0]) - volts * conductance_s

    grid = np.linspace(low_v, high_v, steps + 1)
    grid = np.union1d(grid, _turning_points(surplus, grid, net_current(grid) - grid * conductance_s))
    values = net_current(grid) - grid * conductance_s
    roots = [float(volts) for volts in grid[values == 0.0]]
    for index in np.flatnonzero(values[:-1] * values[1:] < 0.0):
        roots.append(float(brentq(surplus, grid[index], grid[index + 1], xtol=1e-13, rtol=1e-14)))
    step_v = (high_v - low_v) / steps * 1e-3
    return tuple(RestVoltage(root, surplus(root - step_v) > 0.0 > surplus(root + step_v)) for root in sorted(roots))


def _turning_points(surplus: Callable[[float], float], grid: FloatArray, values: FloatArray) -> FloatArray:
    """Where the surplus turns towards zero between two grid points: a pair of roots may hide there."""
    from scipy.optimize import minimize_scalar

    sign = np.sign(values[1:-1])
    turns = (sign * values[1:-1] <= sign * values[:-2]) & (sign * values[1:-1] <= sign * values[2:]) & (sign != 0)
    found = []
    for index in np.flatnonzero(turns) + 1:
        side = float(np.sign(values[index]))
        result = minimize_scalar(
            lambda volts, side=side: side * surplus(float(volts)),
            bounds=(grid[index - 1], grid[index + 1]),
            method="bounded",
            options={"xatol": 1e-12},
        )
        found.append(float(result.x))
    return np.array(found)


def settles_at(points: Sequence[RestVoltage], from_v: float) -> float | None:
    """Where a node let go at `from_v` comes to rest, in volt, when it falls: at the first rest point below.

    None where there is none. `points` as `rest_points` gives them, lowest first.
    """
    below = [point.voltage_v for point in points if point.voltage_v <= from_v]
    return below[-1] if below else None


def required_conductance(net_current: NetCurrent, v_il: float, rail_v: float, steps: int = 4000) -> float:
    """G_req = max over V in [V_IL, rail] of I_net(V) / V, in siemens: below it the node can rest above V_IL.

    The largest safe resistance is 1 / G_req where G_req is positive; otherwise none is needed.
    """
    from scipy.optimize import minimize_scalar

    grid = np.linspace(v_il, rail_v, steps + 1)
    ratio = net_current(grid) / grid
    top = int(np.argmax(ratio))
    low, high = grid[max(top - 1, 0)], grid[min(top + 1, steps)]
    refined = minimize_scalar(
        lambda volts: -float(net_current(np.array([volts]))[0]) / volts,
        bounds=(low, high),
        method="bounded",
        options={"xatol": 1e-12},
    )
    return max(float(ratio[top]), -float(refined.fun))
