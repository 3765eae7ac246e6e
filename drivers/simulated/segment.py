"""One stretch between two events: the node's equation solved as far as anybody asked, and means of the result.

Integrated by LSODA (Hindmarsh and Petzold, ODEPACK; in scipy), which changes to a stiff method by itself, so that
nanoseconds at an edge and seconds of crawling past a fold cost alike; where it does not, Radau takes over. The solver's
own steps are kept as knots, never steps cut short at the instants somebody asked for: what a segment computes does not
depend on who looked at it when.
"""

from __future__ import annotations

import math
import warnings
from bisect import bisect_right
from collections.abc import Sequence
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import LSODA, Radau

from drivers.simulated.node import Circuit
from drivers.simulated.reused_lsoda import ReusedLsoda

Floats = NDArray[np.float64]

FOREVER_S = 1e9
RELATIVE_TOLERANCE = 1e-7
ABSOLUTE_TOLERANCE_V = 1e-8
REST_V = 1e-6
NEWTON_STEPS = 3
REST_PER_V = 2.0**46
"""A rest point is kept to 14 fV: what rounding leaves beyond that depends on where the node came from."""
MOST_STEPS = 2000
"""Enough for any edge and any fold; more means that LSODA does not see that the node is stiff."""


class SimulationError(Exception):
    """The integrator gave up; the message says at which voltages."""


class Segment:
    """The node's voltages from one event on, solved as far as anybody asked, in seconds since that event.

    Between knots the solution is the cubic that has the solver's values and slopes at both ends (error below 0.1 mV at
    these tolerances; the tests hold it against an independent circuit simulator).
    """

    def __init__(self, circuit: Circuit, start: Sequence[float]) -> None:
        self._slope = circuit.slope()
        self._jacobian = circuit.jacobian()
        self._changing_s = circuit.changing_s
        self._start = np.array(start, dtype=float)
        self._solver: LSODA | Radau | None = None
        self._time_s = [0.0]
        self._state: list[list[float]] = [[float(v) for v in start]]
        self._rate: list[list[float]] = [self._slope(0.0, self._state[0])]

    def _solve_until(self, time_s: float) -> None:
        if time_s <= self._time_s[-1]:
            return
        if self._solver is None:
            if self._at_rest():
                self._stay()
                return
            self._solver = self._new_solver(ReusedLsoda)
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", message="lsoda:")  # where it gives up, Radau goes on
            while self._time_s[-1] < time_s:
                self._step(self._solver)

    def _step(self, solver: LSODA | Radau) -> None:
        """One step; one that fails, or one too many, hands over to the solver that is slower and surer."""
        message = solver.step() if len(self._time_s) < MOST_STEPS or isinstance(solver, Radau) else "too many steps"
        if message is not None and isinstance(solver, LSODA):
            self._solver = self._new_solver(Radau)
            return
        if message is not None:
            raise SimulationError(f"node not integrable from {self._state[-1]} V: {message}")
        state = solver.y.tolist()
        moved_v = max(abs(a - b) for a, b in zip(state, self._state[-1], strict=True))
        self._time_s.append(float(solver.t))
        self._state.append(state)
        self._rate.append(self._slope(self._time_s[-1], state))
        if moved_v < 10 * REST_V and self._at_rest():
            self._stay()

    def _new_solver(self, kind: type[LSODA] | type[Radau]) -> LSODA | Radau:
        return kind(
            cast(Any, self._slope),  # lists, which the solvers take as well as arrays, cost half as much here
            self._time_s[-1],
            np.array(self._state[-1]),
            FOREVER_S,
            jac=cast(Any, self._jacobian),
            rtol=RELATIVE_TOLERANCE,
            atol=ABSOLUTE_TOLERANCE_V,
            first_step=self._first_step_s(),
            max_step=self._changing_s / 10 or math.inf,
        )

    def _first_step_s(self) -> float:
        """A tenth of the fastest time constant, a millivolt at most, and short against a ramp.

        Left to itself the solver judges by the slope, which says nothing where a segment begins near rest.
        """
        fastest_per_s = float(np.max(np.abs(self._jacobian(self._time_s[-1], self._state[-1]))))
        steepest_v_per_s = max(abs(rate) for rate in self._rate[-1])
        shortest_s = 1 / max(10 * fastest_per_s, 1000 * steepest_v_per_s, 1e6)
        return min(shortest_s, self._changing_s * 1e-3) if self._changing_s else shortest_s

    def _at_rest(self) -> bool:
        """Whether the last knot is a stable rest point: a Newton step is below REST_V, and all modes decay.

        Beyond it a solver's steps would grow until rounding stops it.
        """
        if self._changing_s:
            return False
        jacobian = np.array(self._jacobian(self._time_s[-1], self._state[-1]))
        rate = np.array(self._rate[-1])
        if jacobian.size == 1:  # the common case, without the cost of a matrix library
            return bool(jacobian[0, 0] < 0 and abs(rate[0]) < -REST_V * jacobian[0, 0])
        if np.any(np.linalg.eigvals(jacobian).real >= 0):
            return False
        return bool(np.all(np.abs(np.linalg.solve(jacobian, rate)) < REST_V))

    def _stay(self) -> None:
        """From the last knot on the node rests: at the very point, which Newton's method finds from here.

        What the solver's tolerance leaves would show as nanoamperes through a source's series resistance.
        """
        state = np.array(self._state[-1])
        for _ in range(NEWTON_STEPS):
            rate = np.array(self._slope(self._time_s[-1], state.tolist()))
            if not rate.any():  # beyond a kink in a leak nothing may flow at all, whatever the voltage
                break
            jacobian = np.array(self._jacobian(self._time_s[-1], state.tolist()))
            state = state - np.linalg.solve(jacobian, rate)
        self._state[-1] = (np.round(state * REST_PER_V) / REST_PER_V).tolist()
        self._rate[-1] = [0.0] * len(self._start)
        self._time_s.append(FOREVER_S)
        self._state.append(self._state[-1])
        self._rate.append(self._rate[-1])

    def at(self, time_s: float) -> list[float]:
        """The state vector at one instant."""
        self._solve_until(time_s)
        right = min(max(bisect_right(self._time_s, time_s), 1), len(self._time_s) - 1)
        if right == 0:
            return list(self._state[0])
        left = right - 1
        h = self._time_s[right] - self._time_s[left]
        u = (time_s - self._time_s[left]) / h if h > 0 else 0.0
        low, high = self._state[left], self._state[right]
        if low is high:  # at rest; the cubic would round it anew at each instant
            return list(low)
        rate_low, rate_high = self._rate[left], self._rate[right]
        return [_hermite(u, h, low[k], high[k], rate_low[k], rate_high[k]) for k in range(len(self._start))]

    def integral(self, time_s: Floats, which: int) -> Floats:
        """Volt seconds from 0 to each of `time_s`, of one element of the state vector: exact for the cubics.

        The value at an instant depends on that instant alone, to the last bit: not on what else is asked, or when.
        """
        last_s = float(np.max(time_s))
        self._solve_until(last_s)
        count = bisect_right(self._time_s, last_s) + 1  # one knot beyond, so that no cubic is ever cut short
        knot_s = np.array(self._time_s[:count])
        value = np.array([state[which] for state in self._state[:count]])
        rate = np.array([rate[which] for rate in self._rate[:count]])
        if len(knot_s) == 1:
            return np.zeros_like(time_s)
        h = np.diff(knot_s)
        pieces = h * (value[:-1] + value[1:]) / 2 + h**2 * (rate[:-1] - rate[1:]) / 12
        before = np.concatenate(([0.0], np.cumsum(pieces)))
        i = np.clip(np.searchsorted(knot_s, time_s, side="right") - 1, 0, len(h) - 1)
        u = (time_s - knot_s[i]) / h[i]
        # Antiderivatives of the four Hermite basis polynomials.
        a = u - u**3 + u**4 / 2
        b = u**3 - u**4 / 2
        c = u**2 / 2 - 2 * u**3 / 3 + u**4 / 4
        d = u**4 / 4 - u**3 / 3
        part = a * value[i] + b * value[i + 1] + h[i] * (c * rate[i] + d * rate[i + 1])
        return np.asarray(before[i] + h[i] * part)


def _hermite(u: float, h: float, y0: float, y1: float, m0: float, m1: float) -> float:
    """Cubic Hermite interpolation at u in [0, 1] of an interval of width h."""
    w = 1 - u
    return y0 * w * w * (1 + 2 * u) + y1 * u * u * (3 - 2 * u) + h * (m0 * u * w * w - m1 * u * u * w)
