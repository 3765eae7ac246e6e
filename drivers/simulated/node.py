"""The node: C dV/dt at the bus and at every pin behind a series resistance (Kirchhoff's current law).

C dV/dt = I_net(V) − V (G_ext + G_m) + I_press
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from drivers.simulated.leak import Current

JACOBIAN_STEP_V = 1e-6


@dataclass(frozen=True)
class Branch:
    """A pin behind a series resistance: a node of its own, joined to the bus through `series_ohm`."""

    series_ohm: float
    capacitance_f: float
    current: Current


@dataclass(frozen=True)
class Drift:
    """A pin whose leak changes slowly while its node is high: s from 0 to 1, ds/dt = (wanted(V) − s)/τ.

    `follows`: the pin's node in the state vector. `extra`: the law of what the leak adds to it at s = 1. `wanted`:
    where s goes at a voltage. `time_constant_s`: how fast.
    """

    follows: int
    extra: Current
    wanted: Current
    time_constant_s: float


@dataclass(frozen=True)
class Circuit:
    """What hangs on one node (the bus, or a pin that is not selected) while no contact moves.

    `conductance_s` to ground and `injected_a`: all that is linear, rails included. `currents`: the laws of the pins
    whose nodes are merged with this one. `branches`: pins behind a series resistance. `drive(t, v)`: a source, ampere
    into the node, t in seconds of the segment. `filter_s`: the meter's own input time constant, which loads nothing.
    `changing_s`: for so long what is driven goes on changing with time; 0: nothing here depends on the time.
    `drifts`: pins with a leak that drifts.
    State vector: [node, *branches, *drifts (0 to 1), meter input where filter_s > 0].
    """

    capacitance_f: float
    conductance_s: float
    injected_a: float
    currents: tuple[Current, ...] = ()
    branches: tuple[Branch, ...] = ()
    drifts: tuple[Drift, ...] = ()
    drive: Callable[[float, float], float] | None = None
    filter_s: float = 0.0
    changing_s: float = 0.0

    def slope(self) -> Callable[[float, Sequence[float]], list[float]]:
        """Time derivative of the state vector: V/s, and 1/s of what drifts."""
        node, branches, filter_s = self._node_current(), self.branches, self.filter_s
        capacitance_f, drifts = self.capacitance_f, self.drifts
        if not branches and not drifts and filter_s == 0:
            return lambda t, y: [node(t, float(y[0])) / capacitance_f]
        capacitances = [capacitance_f, *(branch.capacitance_f for branch in branches)]
        first_drift = 1 + len(branches)

        def slope(t: float, y: Sequence[float]) -> list[float]:
            v = float(y[0])
            i = node(t, v)
            rates = [0.0]
            for index, branch in enumerate(branches, 1):
                v_branch = float(y[index])
                through = (v_branch - v) / branch.series_ohm
                i += through
                rates.append((branch.current(v_branch) - through) / branch.capacitance_f)
            rates[0] = i / capacitance_f
            for index, drift in enumerate(drifts, first_drift):
                v_pin, drifted = float(y[drift.follows]), float(y[index])
                rates[drift.follows] += drifted * drift.extra(v_pin) / capacitances[drift.follows]
                rates.append((drift.wanted(v_pin) - drifted) / drift.time_constant_s)
            if filter_s:
                rates.append((v - float(y[-1])) / filter_s)
            return rates

        return slope

    def jacobian(self) -> Callable[[float, Sequence[float]], list[list[float]]]:
        """d(dV/dt)/dV by differences of a fixed step.

        LSODA's own differences shrink with the state's error weights and drown in rounding where the node rests at some
        microvolts.
        """
        slope = self.slope()

        def jacobian(t: float, y: Sequence[float]) -> list[list[float]]:
            here = slope(t, y)
            columns = []
            for index in range(len(here)):
                moved = list(y)
                moved[index] += JACOBIAN_STEP_V
                columns.append([(b - a) / JACOBIAN_STEP_V for a, b in zip(here, slope(t, moved), strict=True)])
            return [list(row) for row in zip(*columns, strict=True)]

        return jacobian

    def _node_current(self) -> Callable[[float, float], float]:
        injected, conductance, currents, drive = self.injected_a, self.conductance_s, self.currents, self.drive
        if drive is None and len(currents) == 1:
            only = currents[0]
            return lambda t, v: injected - conductance * v + only(v)

        def node_current(t: float, v: float) -> float:
            i = injected - conductance * v
            for current in currents:
                i += current(v)
            return i if drive is None else i + drive(t, v)

        return node_current
