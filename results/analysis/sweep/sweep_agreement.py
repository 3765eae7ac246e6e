"""Sweep against trials: do they agree, in numbers. Neither is averaged into the other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from results.analysis.findings import SweepBranch, SweepFinding, Verdict
from results.analysis.resistor.safe_resistance import evidence_of
from results.analysis.verdict import STUCK
from results.quantity import show
from results.record.trial import NO_RESISTOR, Resistor


def compared(
    sweep: SweepFinding,
    tried: Mapping[Resistor, Sequence[Verdict]],
    *,
    load_s: float,
    series_ohm: float,
    coverage: float,
    hindering_s: float = 0.0,
) -> SweepFinding:
    """The sweep with what it says of the trials: its down branch, as a release goes, against every resistor tried.

    A resistor with the bench's load on it, as the pin sees it through its series resistance, disagrees where it
    released every time although it conducts less than the branch asks for, or stuck although it conducts more: beyond
    the interval of the branch and the uncertainty of the resistor. `load_s` helps a release, `hindering_s` is what at
    most held against it.
    """
    branch, seen = sweep.down, evidence_of(tried)
    if branch is None or not seen:
        return sweep
    against = []
    for resistor, verdicts in seen:
        spread_s = coverage * resistor.conductance_u_s
        low_s, high_s = (
            outside / (1.0 + series_ohm * outside)
            for outside in (
                max(0.0, resistor.conductance_s - spread_s) + load_s - hindering_s,
                resistor.conductance_s + spread_s + load_s,
            )
        )
        stuck = sum(verdict in STUCK for verdict in verdicts)
        if stuck and low_s > branch.required.value + branch.half_width_s:
            against.append(f"{_named(resistor)} stuck in {stuck} of {len(verdicts)} presses")
        released = all(verdict == "released" for verdict in verdicts)
        if released and high_s < branch.required.value - branch.half_width_s:
            against.append(f"{_named(resistor)} released in {len(verdicts)} of {len(verdicts)}")
    said = f"down branch of the sweep: {branch_text(branch)}"
    if against:
        return replace(sweep, agreement="disagrees", agreement_text=f"disagreement: {said}, but {', '.join(against)}")
    return replace(sweep, agreement="agrees", agreement_text=f"agreement: {said}; {_trials(seen)}")


def branch_text(branch: SweepBranch) -> str:
    """The largest safe resistance of a branch with its 95 % interval, in words."""
    least_s, most_s = branch.required.value - branch.half_width_s, branch.required.value + branch.half_width_s
    if most_s <= 0.0:
        return "no resistor needed"
    if least_s <= 0.0:
        return f"at least {show(1.0 / most_s, 'Ω')}, no upper limit"
    value = show(1.0 / branch.required.value, "Ω")
    return f"{value} ({show(1.0 / most_s, 'Ω')} to {show(1.0 / least_s, 'Ω')})"


def _trials(seen: Sequence[tuple[Resistor, Sequence[Verdict]]]) -> str:
    """What of the trials lies on either side: the largest that released every time, the smallest that stuck."""
    released = [r for r, verdicts in seen if all(verdict == "released" for verdict in verdicts)]
    stuck = [r for r, verdicts in seen if any(verdict in STUCK for verdict in verdicts)]
    parts = [f"{_named(released[-1])} released every time"] if released else []
    parts += [f"{_named(stuck[0])} stuck"] if stuck else []
    return ", ".join(parts) or "no trial released or stuck for certain"


def _named(resistor: Resistor) -> str:
    return "the bare pin" if resistor.name == NO_RESISTOR else resistor.name
