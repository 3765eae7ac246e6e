"""The largest safe resistance of a pin: bracketed by trials, and computed from a line that passed its test.

It belongs to the pin in its circuit, meter and fixture left out. From trials it is the external part, from the line the
whole resistance that the pin sees; a series resistance on the board lies between the two.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from results.analysis.findings import Bracket, LeakLine, Value, Verdict
from results.analysis.verdict import NO_EVIDENCE, STUCK
from results.quantity import show
from results.record.trial import Resistor


def ohm_of(resistor: Resistor) -> float | None:
    """Measured value where there is one, else nominal, in ohm; None for no resistor."""
    return resistor.measured_ohm if resistor.measured_ohm is not None else resistor.nominal_ohm


def evidence_of(tried: Mapping[Resistor, Sequence[Verdict]]) -> list[tuple[Resistor, list[Verdict]]]:
    """The resistors with at least one verdict that is evidence, smallest first, no resistor last."""
    kept = [(resistor, [v for v in verdicts if v not in NO_EVIDENCE]) for resistor, verdicts in tried.items()]
    return sorted(((r, v) for r, v in kept if v), key=lambda pair: -pair[0].conductance_s)


def bracket(tried: Mapping[Resistor, Sequence[Verdict]]) -> Bracket:
    """The largest safe resistance between two trial resistors (design: largest that released every time, with every
    smaller one releasing too; smallest that stuck).

    `tried`: every verdict of every resistor. Verdicts without evidence do not count; anything else than `released`
    stops the low side; only stuck verdicts make the high side.
    """
    ordered = evidence_of(tried)
    released = [all(verdict == "released" for verdict in verdicts) for _, verdicts in ordered]
    sticking = [any(verdict in STUCK for verdict in verdicts) for _, verdicts in ordered]
    upto = released.index(False) if False in released else len(released)
    low = ordered[upto - 1][0] if upto else None
    high = ordered[sticking.index(True)][0] if True in sticking else None
    named = (
        None if low is None else low.name,
        None if high is None else high.name,
        None if low is None else ohm_of(low),
        None if high is None else ohm_of(high),
    )
    if high is not None:
        if any(released[sticking.index(True) :]):
            return Bracket(*named, "intermittent")
        return Bracket(*named, "none released" if low is None else "bracketed")
    if low is None or upto < len(ordered):
        return Bracket(*named, "not determined")
    return Bracket(*named, "none needed" if low.nominal_ohm is None else "all released")


def required_conductance(line: LeakLine, v_il: float) -> Value | None:
    """G_req = I_leak / V_IL − G_pd in siemens, with u through the covariance; None unless the line passes.

    For a line the maximum of I_net(V)/V over V >= V_IL lies at V_IL. V_IL is exact.
    """
    if not line.passes or line.leak_a is None or line.pull_down_s is None:
        return None
    variance = (line.leak_a.u / v_il) ** 2 + line.pull_down_s.u**2 - 2.0 * line.covariance / v_il
    return Value(line.leak_a.value / v_il - line.pull_down_s.value, math.sqrt(max(variance, 0.0)))


def largest_safe(required: Value | None, coverage: float) -> Value | None:
    """R_safe = 1 / G_req in ohm, inverted last.

    None where none is needed (G_req <= 0) or where G_req − U reaches zero: 1/x has no usable uncertainty there.
    """
    if required is None or required.value <= coverage * required.u or required.value <= 0.0:
        return None
    return Value(1.0 / required.value, required.u / required.value**2)


def disagreement(trials: Bracket, required: Value | None, series_ohm: float, coverage: float) -> str:
    """One line where trials and line contradict each other beyond U; empty where they agree or nothing is compared.

    The external limits are compared in conductance as the pin sees them, through its series resistance.
    """
    if required is None:
        return ""
    least, most = required.value - coverage * required.u, required.value + coverage * required.u
    seen = [None if ohm is None else 1.0 / (ohm + series_ohm) for ohm in (trials.low_ohm, trials.high_ohm)]
    if seen[0] is not None and least > seen[0]:
        safe = show(1.0 / required.value, "Ω")
        return f"disagreement: {trials.low} released every time, but the line allows {safe} only"
    stuck_s = 0.0 if trials.high == "none" else seen[1]
    if stuck_s is not None and trials.high is not None and most < stuck_s:
        allowed = show(1.0 / required.value, "Ω") if required.value > 0.0 else "any resistor"
        return f"disagreement: {trials.high} stuck, but the line allows {allowed}"
    return ""
