"""How long a pin would take from the rail to V_IL with a resistor that nobody may have fitted yet.

At the node C dV/dt = I_net(V) − V · G, so that t = ∫ C dV / (V · G − I_net(V)) from V_IL to the rail: by quadrature
over the curve of a sweep, or over a plain-leak line that passed. Elsewhere a time that was measured is all there is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from results.analysis.ends import ground_of
from results.analysis.findings import PinFinding, TrialFinding
from results.analysis.leakage import bench_load
from results.analysis.load_line import NetCurrent
from results.analysis.resistor.safe_resistance import ohm_of
from results.analysis.sweep.sweep_curve import curve_of, interpolated, raised
from results.analysis.verdict import NO_EVIDENCE
from results.record.run_record import RunRecord
from results.record.trial import Pin, Resistor

STEPS = 4000
"""Of the quadrature; the integrand is smooth between the steps of a sweep."""


def fall_time(record: RunRecord, pin: Pin, finding: PinFinding, ohm: float) -> tuple[float | None, str]:
    """Seconds from the rail to V_IL with `ohm` from the pin to ground, and from what; None, and why there is none.

    On the bench, whose fixture adds to the capacitance: without it the node is faster. A resistor smaller than one
    that was tried cannot be slower: the measured time is then an upper limit, and said to be one.
    """
    record = record.under(finding.condition)
    capacitance = _capacitance(record, pin, finding)
    curve = _curve(record, finding)
    if capacitance is not None and curve is not None:
        farad, from_what = capacitance
        net_current, curve_from = curve
        load_s = bench_load(record.meter, record.fixture) or 0.0
        outside_s = 1.0 / ohm + load_s
        seen_s = outside_s / (1.0 + pin.series_ohm * outside_s)
        back_a = load_s * ground_of(record.meter).value * seen_s / outside_s
        seconds = quadrature(raised(net_current, back_a), seen_s, farad, finding.condition.rail_v, record.levels.v_il)
        if seconds is None:
            return None, f"does not fall below V_IL, by the {curve_from}"
        return seconds, f"from the {curve_from} and {from_what}"
    return _measured(record, finding, ohm)


def quadrature(
    net_current: NetCurrent, conductance_s: float, capacitance_f: float, from_v: float, to_v: float
) -> float | None:
    """∫ C dV / (V · G − I_net(V)) in seconds, by Simpson's rule; None where the node comes to rest on the way."""
    from scipy.integrate import simpson

    volts = np.linspace(to_v, from_v, STEPS + 1)
    drawn_a = volts * conductance_s - net_current(volts)
    if float(drawn_a.min()) <= 0.0:
        return None
    return float(simpson(capacitance_f / drawn_a, x=volts))


def _curve(record: RunRecord, finding: PinFinding) -> tuple[NetCurrent, str] | None:
    """The net pin current over voltage, where anything tells it from V_IL to the rail."""
    if finding.sweep is not None and finding.sweep.down is not None:
        volts, amperes = curve_of(finding.sweep.points, "down")
        # The source cannot force the last millivolts below the rail; the curve goes on as it ends there.
        if volts.size >= 3 and volts[0] <= record.levels.v_il and volts[-1] >= 0.9 * finding.condition.rail_v:
            swept = interpolated(volts, amperes)
            return lambda wanted: swept(np.clip(wanted, volts[0], volts[-1])), "sweep"
    line = finding.line
    if line is not None and line.passes and line.leak_a is not None and line.pull_down_s is not None:
        leak_a, pull_down_s = line.leak_a.value, line.pull_down_s.value
        return lambda wanted: leak_a - wanted * pull_down_s, "plain-leak line"
    return None


def _capacitance(record: RunRecord, pin: Pin, finding: PinFinding) -> tuple[float, str] | None:
    """Farad at the node on the bench: from the plan and the fixture, else from a time constant that was measured."""
    if pin.node_capacitance_f is not None:
        return pin.node_capacitance_f + record.fixture.capacitance_f, "the plan's node capacitance"
    load_s = bench_load(record.meter, record.fixture)
    if load_s is None or finding.pull_down is None:
        return None
    known = {resistor.name: resistor for resistor in record.resistors}
    # Where nobody measured the pull-down, the strongest that is expected: the larger capacitance, on the slow side.
    measured = finding.pull_down_from != "plan range"
    inside_s = 1.0 / (finding.pull_down.value if measured else record.rules.pull_down_low_ohm)
    found = [
        tau_s * (_seen(known[row.trial.resistor], load_s, pin.series_ohm) + inside_s)
        for row in finding.rows
        if (tau_s := _time_constant(row)) is not None and row.trial.resistor in known
    ]
    # Any leak beside the pull-down makes a time constant longer, and the capacitance seem larger: the slow side.
    return (max(found), "a measured time constant") if found else None


def _seen(resistor: Resistor, load_s: float, series_ohm: float) -> float:
    outside_s = resistor.conductance_s + load_s
    return outside_s / (1.0 + series_ohm * outside_s)


def _time_constant(row: TrialFinding) -> float | None:
    """Of a trial that released in one exponential."""
    decay = None if row.trace is None else row.trace.decay
    if row.verdict != "released" or decay is None or decay.is_upper_bound or not decay.one_exponential:
        return None
    return decay.time_constant_s


def _measured(record: RunRecord, finding: PinFinding, ohm: float) -> tuple[float | None, str]:
    """The longest release with the smallest tried resistor that is no smaller than `ohm` and released every time."""
    known = {resistor.name: resistor for resistor in record.resistors}
    for resistor in sorted(known.values(), key=lambda one: -one.conductance_s):
        tried_ohm = ohm_of(resistor)
        nominal_ohm = resistor.nominal_ohm
        rows = [row for row in finding.rows if row.trial.resistor == resistor.name and row.verdict not in NO_EVIDENCE]
        seconds = _longest(rows)
        if tried_ohm is None or nominal_ohm is None or seconds is None:
            continue
        if math.isclose(nominal_ohm, ohm, rel_tol=1e-6):
            return seconds, "measured"
        if tried_ohm >= ohm:
            return seconds, f"at most, as measured with {resistor.name}"
    return None, "neither a curve nor a release with as large a resistor tells it"


def _longest(rows: Sequence[TrialFinding]) -> float | None:
    """None unless every trial released, and when is known."""
    times = [row.trace.release_time_s for row in rows if row.trace is not None and row.trace.release_time_s is not None]
    return max(times) if times and len(times) == len(rows) else None
