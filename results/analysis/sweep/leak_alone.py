"""The leak alone: the difference of two sweeps of one pin, its input buffer on in one and off in the other.

With the pull-down on in both, I_net(on) − I_net(off) = I_leak(V): whatever the pull-down is, it drops out. So do the
offsets of the instruments; their gains act on the difference alone.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from results.analysis.ends import ground_of
from results.analysis.findings import LeakAlone, PinFinding, SweepFinding, Value
from results.analysis.sweep.sweep_curve import curve_of, interpolated, noise_of
from results.analysis.uncertainty.coverage_interval import standard_uncertainty
from results.record.run_record import MeterModel, RunRecord, SourceModel


def with_leak_alone(record: RunRecord, pins: tuple[PinFinding, ...]) -> tuple[PinFinding, ...]:
    """The pins, each sweep in the plan's setup with the buffer on with the leak alone, where both sweeps have a
    curve."""
    if record.sweep is None or record.source is None or record.sweep.leak_setups is None:
        return pins
    on, off = record.sweep.leak_setups
    found = []
    for pin in pins:
        if pin.condition.pin_setup == on and pin.sweep is not None:
            other = next(
                (p.sweep for p in pins if p.pin == pin.pin and p.condition == replace(pin.condition, pin_setup=off)),
                None,
            )
            leak = None if other is None else _difference(pin.sweep, other, record.meter, record.source)
            found.append(replace(pin, sweep=replace(pin.sweep, leak=leak)))
        else:
            found.append(pin)
    return tuple(found)


def _difference(on: SweepFinding, off: SweepFinding, meter: MeterModel, source: SourceModel) -> LeakAlone | None:
    """The largest difference of the down branches at a step of the first pass, within what both swept."""
    off_v, off_a = curve_of(off.points, "down")
    on_v, on_a = curve_of(on.points, "down")
    if min(off_v.size, on_v.size) < 3 or on.observation is None or off.observation is None:
        return None
    without, slope = interpolated(off_v, off_a), np.gradient(on_a, on_v)
    steps = [
        (point.at_pin_v, point.net_current.value)
        for point in on.points
        if point.step.branch == "down"
        and point.step.sweep_pass == 1
        and point.at_pin_v is not None
        and point.net_current is not None
        and off_v[0] <= point.at_pin_v <= off_v[-1]
    ]
    if not steps:
        return None
    volts, amperes = np.array(steps).T
    leak_a = amperes - without(volts)
    top = int(np.argmax(np.abs(leak_a)))
    at_v, largest_a = float(volts[top]), float(leak_a[top])
    # An error of the voltage moves the point along the leak: the slope of the buffer's curve less the other one's.
    off_slope = float(np.interp(at_v, off_v, np.gradient(off_a, off_v)))
    per_volt = float(np.interp(at_v, on_v, slope)) - off_slope
    noise = [noise_of(sweep.observation) for sweep in (on, off) if sweep.observation is not None]
    noise_a = math.hypot(*(a for _, a in noise), *(per_volt * v for v, _ in noise)) / math.sqrt(3.0)
    limits = (
        largest_a * source.accuracy_reading,
        per_volt * (at_v - ground_of(meter).value) * meter.accuracy_reading,
        per_volt * meter.accuracy_v,
    )
    return LeakAlone(Value(largest_a, standard_uncertainty(limits, noise_a)), at_v)
