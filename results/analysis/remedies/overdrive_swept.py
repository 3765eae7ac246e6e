"""The largest net pin current of a sweep between V_IL and the latched voltage, on the way down."""

from __future__ import annotations

import math

import numpy as np

from results.analysis.ends import ground_of
from results.analysis.findings import SweepFinding
from results.analysis.load_line import rest_points
from results.analysis.pin_bench import PinBench
from results.analysis.sweep.peak import Peak, Points, largest_ratio
from results.analysis.sweep.sweep_curve import curve_of, interpolated, noise_of
from results.analysis.uncertainty.coverage_interval import half_width, standard_uncertainty
from results.analysis.value import Value
from results.record.observation import Observation


def latched_voltage(bench: PinBench, sweep: SweepFinding) -> float | None:
    """Where the bare pin rests above V_IL on the down branch, in volt at the pin; None where it falls below."""
    volts, amperes = curve_of(sweep.points, "down")
    v_il = bench.record.levels.v_il
    if volts.size < 3 or volts[-1] <= v_il:
        return None
    if amperes[-1] > 0.0:
        return float(volts[-1])
    rests = rest_points(interpolated(volts, amperes), 0.0, max(v_il, float(volts[0])), float(volts[-1]))
    return max((rest.voltage_v for rest in rests if rest.stable), default=None)


def read_at(bench: PinBench, sweep: SweepFinding, at_v: float) -> Value:
    """A rest point of the down branch with the limits of the meter and, over the slope there, those of the source's
    offset in its u (rectangular)."""
    volts, amperes = curve_of(sweep.points, "down")
    slope_s = abs(float(np.interp(at_v, volts, np.gradient(amperes, volts))))
    meter, source = bench.record.meter, bench.record.source
    limit_v = abs(at_v - ground_of(meter).value) * meter.accuracy_reading + meter.accuracy_v
    offset_v = 0.0 if source is None else source.accuracy_a / max(slope_s, 1e-12)
    return Value(at_v, standard_uncertainty((limit_v, offset_v), 0.0))


def largest_current(
    bench: PinBench, sweep: SweepFinding, observation: Observation
) -> tuple[Value, float, float] | None:
    """The largest net pin current from V_IL up to the latched voltage: value, half-width of 95 %, and where.

    The same search as for the largest I_net/V, over the current itself: its maximum between the points that were
    measured, with the choice of the maximum and what lies between the steps in its uncertainty.
    """
    record, load_s, series_ohm = bench.record, bench.load_s, bench.pin.series_ohm
    if record.source is None or record.sweep is None or load_s is None:
        return None
    mine = sorted(
        (
            (point.at_pin_v, point.net_current.value, point.step.agreeing)
            for point in sweep.points
            if point.step.branch == "down" and point.at_pin_v is not None and point.net_current is not None
        ),
        key=lambda one: one[0],
    )
    volts, amperes, agreeing = np.array(mine).T
    if np.count_nonzero(volts >= record.levels.v_il) < 2:
        return None
    root = float(np.sqrt(agreeing.min()))
    noise_v, noise_a = noise_of(observation)
    ones = np.ones_like(volts)
    curve = Points(
        volts=volts,
        ratio_s=amperes,
        per_volt=load_s * ones,
        per_ampere=-ones,
        pin_per_volt=1.0 + series_ohm * load_s,
        pin_per_ampere=-series_ohm,
        noise_v=noise_v / root,
        noise_a=noise_a / root,
        reach_v=record.sweep.reach_v(max(step.level_v for step in observation.steps), 3),
    )
    # Above the latched voltage the pin draws: the largest current of all lies below it.
    peak = largest_ratio(curve, record.levels.v_il, max(step.level_v for step in observation.steps))
    return _with_errors(bench, curve, peak, load_s)


def _with_errors(bench: PinBench, curve: Points, peak: Peak, load_s: float) -> tuple[Value, float, float]:
    """The peak with the errors of the instruments, which all points share (rectangular limits)."""
    record, series_ohm = bench.record, bench.pin.series_ohm
    assert record.source is not None
    per_volt = load_s - peak.slope_s_per_v * curve.pin_per_volt
    per_ampere = -1.0 - peak.slope_s_per_v * curve.pin_per_ampere
    node_v = peak.at_v - series_ohm * peak.ratio_s
    from_ground_v = node_v - ground_of(record.meter).value
    source_a = from_ground_v * load_s - peak.ratio_s
    limits = [
        per_volt * from_ground_v * record.meter.accuracy_reading,
        per_volt * record.meter.accuracy_v,
        per_ampere * source_a * record.source.accuracy_reading,
        per_ampere * record.source.accuracy_a,
        math.sqrt(3.0) * per_ampere * from_ground_v * bench.load_u_s,
        peak.between_s,
    ]
    u_a = standard_uncertainty([*limits, peak.bound_s], peak.noise_u_s)
    return Value(peak.ratio_s, u_a), half_width(limits, peak.noise_u_s) + peak.bound_s, peak.at_v
