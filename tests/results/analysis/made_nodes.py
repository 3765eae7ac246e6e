"""Nodes of known capacitance made by solve_ivp (scipy, an independent integrator), as a meter with errors reads."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from results.record.observation import Observation
from results.record.trace import FloatArray, Trace

Law = Callable[[float], float]
"""Volts at the pin -> net pin current, ampere out of the pin."""

RAIL_V, PRESS_OHM, LOAD_S = 3.3, 1000.0, 1e-7
BEFORE_S, INTERVAL_S = 0.02, 1e-4


@dataclass(frozen=True)
class Reading:
    """What the meter makes of a voltage: (1 + gain)·V + offset + noise, of a fresh seed each trace."""

    gain: float = 0.0
    offset_v: float = 0.0
    noise_v: float = 0.1e-3
    press_ohm: float = PRESS_OHM
    chance: np.random.Generator = field(default_factory=lambda: np.random.default_rng(1))

    def of(self, volts: FloatArray) -> FloatArray:
        noise = self.noise_v * self.chance.standard_normal(volts.size)
        return np.asarray((1.0 + self.gain) * volts + self.offset_v + noise)


def held_v(law: Law, outside_s: float, press_ohm: float = PRESS_OHM) -> float:
    """The node while the rail drives it through the press resistor."""
    return float(brentq(lambda v: (RAIL_V - v) / press_ohm + law(v) - v * outside_s, 0.0, RAIL_V + 1.0, xtol=1e-14))


def released(law: Law, capacitance_f: float, outside_s: float, start_v: float, after_s: FloatArray) -> FloatArray:
    """Volts at times after the release, shape (n,): C dV/dt = I_net(V) − V·G."""

    def slope(_: float, v: FloatArray) -> list[float]:
        return [(law(float(v[0])) - float(v[0]) * outside_s) / capacitance_f]

    solved = solve_ivp(
        slope, (0.0, float(after_s[-1])), [start_v], t_eval=after_s, method="LSODA", rtol=1e-9, atol=1e-10
    )
    assert solved.success
    return np.asarray(solved.y[0], dtype=np.float64)


def observed(
    law: Law,
    capacitance_f: float,
    resistor_s: float,
    reading: Reading,
    *,
    log_s: float = 0.1,
    interval_s: float = INTERVAL_S,
) -> Observation:
    """A press through the press resistor and a release with that conductance fitted, as logged."""
    outside_s = resistor_s + LOAD_S
    start_v = held_v(law, outside_s, reading.press_ohm)
    time_s = np.arange(round((BEFORE_S + log_s) / interval_s)) * interval_s
    # The contact opens between two samples.
    after_s = time_s - BEFORE_S - 0.4 * interval_s
    volts = np.full(time_s.size, start_v)
    free = after_s > 0.0
    volts[free] = released(law, capacitance_f, outside_s, start_v, after_s[free])
    return Observation(
        Trace(time_s, reading.of(volts)),
        rail_v=RAIL_V,
        before_v=0.0,
        hold_v=float(reading.of(np.full(200, start_v)).mean()),
        press_v=float(reading.of(np.full(200, RAIL_V)).mean()),
        press_ohm=PRESS_OHM,
        press_u_ohm=PRESS_OHM * 0.001 / np.sqrt(3.0),
        released_after_s=BEFORE_S,
        contact="board reading",
    )


def observed_to_ground(
    law: Law, capacitance_f: float, resistor_s: float, reading: Reading, *, log_s: float = 0.1
) -> Observation:
    """A pull-up input, pressed to ground and released, in real volts: `law` and the resistor count from the rail down,
    the meter from ground up. From the rail down its load is a constant current beside a conductance."""
    exact = Reading(noise_v=0.0, press_ohm=reading.press_ohm)
    below = observed(lambda v: law(v) + RAIL_V * LOAD_S, capacitance_f, resistor_s, exact, log_s=log_s)
    assert below.hold_v is not None

    def read(volts: float) -> float:
        return float(reading.of(np.full(200, volts)).mean())

    return replace(
        below,
        trace=Trace(below.trace.time_s, reading.of(RAIL_V - below.trace.voltage_v)),
        rail_v=read(RAIL_V),
        before_v=read(RAIL_V),
        hold_v=read(RAIL_V - below.hold_v),
        press_v=0.0,
    )
