"""What a pin feeds into its node at a voltage: leak less pull-down, with clamps and what else hangs on it.

I_net(V) = I_leak(V) − I_pull-down(V)
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Sequence

from drivers.simulated.board_file import (
    Leak,
    LeakDrift,
    LinearPullDown,
    MidLevelLeak,
    MosPullDown,
    NoLeak,
    PinPart,
    PlainLeak,
    PullDown,
    Setup,
)

Current = Callable[[float], float]

CLAMP_FORWARD_V = 0.4
CLAMP_OHM = 20.0
"""The protection diodes to both rails, beyond which a pin cannot be driven far: a straight line is enough here."""


def _logistic(x: float) -> float:
    """1 / (1 + exp(−x)) without overflow."""
    if x < -700:
        return 0.0
    return 1 / (1 + math.exp(-x))


def leak_current(leak: Leak) -> Current:
    """The law of a leak: volt in, ampere into the node out. The formulas stand with the models in board_file.py."""
    if isinstance(leak, NoLeak):
        return lambda v: 0.0
    if isinstance(leak, MidLevelLeak):
        plateau, up, up_w, down, down_w = (
            leak.plateau_a,
            leak.up_v,
            leak.up_width_v,
            leak.down_v,
            leak.down_width_v,
        )
        return lambda v: plateau * _logistic((v - up) / up_w) * _logistic((down - v) / down_w)
    if isinstance(leak, PlainLeak):
        current, knee, gone, gone_w = leak.current_a, leak.knee_v, leak.gone_v, leak.gone_width_v
        if gone is None:
            return lambda v: current * math.tanh(v / knee)
        return lambda v: current * math.tanh(v / knee) * _logistic((gone - v) / gone_w)
    return _table(leak.voltage_v, leak.current_a)


def _table(x: Sequence[float], y: Sequence[float]) -> Current:
    def current(v: float) -> float:
        if v <= x[0]:
            return y[0]
        if v >= x[-1]:
            return y[-1]
        i = bisect_right(x, v)
        return y[i - 1] + (y[i] - y[i - 1]) * (v - x[i - 1]) / (x[i] - x[i - 1])

    return current


def pull_down_current(pull_down: PullDown) -> Current:
    """The law of a pull-down: volt in, ampere out of the node."""
    if isinstance(pull_down, LinearPullDown):
        ohm = pull_down.resistance_ohm
        return lambda v: v / ohm
    if isinstance(pull_down, MosPullDown):
        k, overdrive = pull_down.transconductance_a_per_v2, pull_down.overdrive_v
        saturated = k * overdrive**2 / 2
        return lambda v: k * (overdrive * v - v * v / 2) if v < overdrive else saturated
    return lambda v: 0.0


def net_pin_current(
    pin: PinPart, setup: Setup, *, leak_factor: float, rail_v: float, output_ohm: float, fitted_ohm: float | None = None
) -> Current:
    """Ampere that the pin feeds into its node at a voltage, with its clamps, its rail leak and what is fitted by hand.

    `leak_factor`: temperature, and 0 in a trial in which an intermittent leak is away.
    """
    leak = leak_alone(pin, setup, leak_factor=leak_factor, rail_v=rail_v)
    pull_down = pull_down_current(pin.pull_down) if setup in ("reset default", "buffer off") else None
    conductance_s = (1 / output_ohm if setup == "output low" else 0.0) + (1 / fitted_ohm if fitted_ohm else 0.0)
    upwards = pin.pulls == "up"

    def pull_up(v: float) -> float:
        return 0.0 if pull_down is None else pull_down(max(rail_v - v, 0.0))

    rail_s = 1 / pin.rail_resistance_ohm if pin.rail_resistance_ohm else 0.0
    high_v, low_v = rail_v + CLAMP_FORWARD_V, -CLAMP_FORWARD_V

    def current(v: float) -> float:
        i = rail_s * (rail_v - v) - conductance_s * v
        if leak is not None:
            i += leak(v)
        if pull_down is not None:
            i += pull_up(v) if upwards else -pull_down(v)
        if v > high_v:
            i -= (v - high_v) / CLAMP_OHM
        elif v < low_v:
            i += (low_v - v) / CLAMP_OHM
        return i

    return current


def leak_alone(pin: PinPart, setup: Setup, *, leak_factor: float, rail_v: float) -> Current | None:
    """Ampere that the leak alone feeds from the rail into the node; None where there is none.

    A leak stated at `leak_rail_v` scales with the rail: I(V) = s I_stated(V/s), s = rail / leak_rail_v. That of a pin
    that pulls up leads to ground: I(V) = −I_stated(rail − V).
    """
    if not has_buffer_on(setup) or not leak_factor or rail_v <= 0:
        return None
    law = leak_current(pin.leak)
    if pin.pulls == "up":
        stated = law
        scale_up = 1.0 if pin.leak_rail_v is None else rail_v / pin.leak_rail_v
        return lambda v: -leak_factor * scale_up * stated((rail_v - v) / scale_up)
    if pin.leak_rail_v is None:
        return law if leak_factor == 1 else lambda v: leak_factor * law(v)
    scale = rail_v / pin.leak_rail_v
    return lambda v: leak_factor * scale * law(v / scale)


def drift_wanted(drift: LeakDrift, pin: PinPart, rail_v: float) -> Current:
    """How far the leak drifts in the end at a node's voltage: 0 to 1. Of a pin that pulls up over rail − V."""
    if pin.pulls == "up":
        return lambda v: _logistic((rail_v - v - drift.above_v) / drift.width_v)
    return lambda v: _logistic((v - drift.above_v) / drift.width_v)


def has_buffer_on(setup: Setup) -> bool:
    """Whether the input buffer is on, through which a pin leaks."""
    return setup in ("reset default", "pull-down off")


def leak_temperature_factor(pin: PinPart, temperature_k: float) -> float:
    """2^((T − T_ref)/N): junction and channel leakage double every N kelvin."""
    if pin.leak_doubling_k is None:
        return 1.0
    return float(2 ** ((temperature_k - pin.leak_reference_k) / pin.leak_doubling_k))
