"""The largest safe resistance of a pin: bracketed by trials, and computed from a line that passed its test.

It belongs to the pin in its circuit, meter and fixture left out. From trials it is the external part, from the line the
whole resistance that the pin sees; a series resistance on the board lies between the two.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from results.analysis.findings import Bracket, LeakLine, Value, Verdict
from results.analysis.verdict import NO_EVIDENCE, STUCK
from results.quantity import show
from results.record.trial import Resistor


def ohm_of(resistor: Resistor) -> float | None:
    """Measured value where there is one, else nominal, in ohm; None for no resistor."""
    return resistor.measured_ohm if resistor.measured_ohm is not None else resistor.nominal_ohm


def conductance_limits(resistor: Resistor, coverage: float) -> tuple[float, float]:
    """The least and the most that a resistor conducts, in siemens: by its tolerance, or by U where it was measured."""
    if resistor.measured_ohm is None:
        return resistor.conductance_s / (1.0 + resistor.tolerance), resistor.conductance_s / (1.0 - resistor.tolerance)
    expanded = coverage * resistor.conductance_u_s
    return resistor.conductance_s - expanded, resistor.conductance_s + expanded


def evidence_of(tried: Mapping[Resistor, Sequence[Verdict]]) -> list[tuple[Resistor, list[Verdict]]]:
    """The resistors with at least one verdict that is evidence, smallest first, no resistor last."""
    kept = [(resistor, [v for v in verdicts if v not in NO_EVIDENCE]) for resistor, verdicts in tried.items()]
    return sorted(((r, v) for r, v in kept if v), key=lambda pair: -pair[0].conductance_s)


def bracket(tried: Mapping[Resistor, Sequence[Verdict]]) -> Bracket:
    """The largest safe resistance between two trial resistors (design: largest that released every time, with every
    smaller one releasing too; smallest that stuck).

    `tried`: every verdict of every resistor. Verdicts without evidence do not count; anything else than `released`
    stops the low side; only stuck verdicts make the high side. A larger resistor that released even once while a
    smaller one stuck makes the pin intermittent: no resistance divides its releases from its stuck presses.
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
        if any("released" in verdicts for _, verdicts in ordered[sticking.index(True) + 1 :]):
            return Bracket(*named, "intermittent")
        return Bracket(*named, "none released" if low is None else "bracketed")
    if low is None or upto < len(ordered):
        return Bracket(*named, "not determined")
    return Bracket(*named, "none needed" if low.nominal_ohm is None else "all released")


def with_limits(
    found: Bracket,
    tried: Mapping[Resistor, Sequence[Verdict]],
    load_s: float | None,
    coverage: float,
    hindering_s: float = 0.0,
) -> Bracket:
    """The bracket with what it proves about the pin alone, in ohm outside it.

    In a trial the node saw the resistor and the bench's `load_s` (siemens; None: not stated) in parallel. A release
    proves no more than that most of both was enough. A stuck press proves that the least of the resistor was too
    little: as its verdict may already be corrected for the load, that is not counted a second time. `load_s` is what
    of the load can have helped a release; `hindering_s` what can have helped to hold the node: by so much less than the
    resistor may have been too little.
    """
    if found.state == "intermittent":
        return found
    by_name = {resistor.name: resistor for resistor in tried}
    enough_s = too_little_s = 0.0
    if found.low is not None and load_s is not None:
        enough_s = conductance_limits(by_name[found.low], coverage)[1] + load_s
    if found.high is not None:
        too_little_s = conductance_limits(by_name[found.high], coverage)[0] - hindering_s
    return replace(
        found,
        at_least_ohm=1.0 / enough_s if enough_s > 0.0 else None,
        below_ohm=1.0 / too_little_s if too_little_s > 0.0 else None,
    )


def required_conductance(line: LeakLine, v_il: float, v_il_u: float = 0.0) -> Value | None:
    """G_req = I_leak / V_IL − G_pd in siemens, with u through the covariance; None unless the line passes.

    For a line the maximum of I_net(V)/V over V >= V_IL lies at V_IL. V_IL is exact, unless it is measured from a rail:
    then `v_il_u` is its standard uncertainty.
    """
    if not line.passes or line.leak_a is None or line.pull_down_s is None:
        return None
    variance = (line.leak_a.u / v_il) ** 2 + line.pull_down_s.u**2 - 2.0 * line.covariance / v_il
    variance += (line.leak_a.value / v_il**2 * v_il_u) ** 2
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
