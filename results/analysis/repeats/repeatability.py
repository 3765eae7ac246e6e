"""Do repeats scatter as their uncertainty says? A one-way analysis of variance of the settled voltages.

Presses of one pin with one resistor differ by what changes from press to press. Their scatter is compared with the
noise that each trace claims for itself; the scatter between pins, tested against it, says how much the pins differ.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from results.analysis.findings import RunFinding, TrialFinding
from results.analysis.found.repeats import OneWay, Repeats
from results.record.trace import FloatArray
from results.record.trial import Condition

SIGNIFICANT = 0.01
"""A scatter beyond the claim that noise alone would show in 1 % of runs, shared by all that is tested (Bonferroni)."""


def one_way(groups: Sequence[FloatArray]) -> OneWay:
    """Analysis of variance of groups of repeats: F = (between groups)/(within), with the residual standard deviation.

    NIST/SEMATECH e-Handbook of Statistical Methods, 7.4.3. `f`, `p_value` and `between` are None for a single group,
    and where nothing scatters within the groups. `between`: standard deviation of the groups' true means, 0 where the
    means scatter by no more than the repeats explain (ISO 5725-2:1994, 7.4.5, memory). Raises ValueError without a
    group of two.
    """
    counts = np.array([group.size for group in groups])
    within_dof = int((counts - 1).sum())
    if within_dof < 1:
        raise ValueError("no group with a repeat")
    squares = math.fsum(float(((group - group.mean()) ** 2).sum()) for group in groups)
    within = squares / within_dof
    found = OneWay(len(groups), int(counts.sum()), within_dof, math.sqrt(within))
    if len(groups) < 2 or within == 0.0:
        return found
    from scipy.stats import f_oneway

    tested = f_oneway(*groups)
    f, p_value = float(tested.statistic), float(tested.pvalue)
    # Of groups of one size it is that size.
    worth = (counts.sum() - (counts**2).sum() / counts.sum()) / (len(groups) - 1)
    between = math.sqrt(max((f - 1.0) * within / worth, 0.0))
    return replace(found, f=f, p_value=p_value, between=between)


def with_repeatability(finding: RunFinding) -> RunFinding:
    """The finding with what its repeats say, one for each trial resistor and condition with at least two repeats, and
    a note where they scatter more than their uncertainty allows."""
    found = tuple(
        repeats
        for condition in dict.fromkeys(pin.condition for pin in finding.pins)
        for resistor in finding.record.resistors
        if (repeats := _repeats(finding, condition, resistor.name)) is not None
    )
    judged = tuple(replace(one, exceeds=one.p_value < SIGNIFICANT / len(found)) for one in found)
    beyond = [one.resistor for one in judged if one.exceeds]
    notes = finding.notes
    if beyond:
        named = ", ".join(dict.fromkeys("no resistor" if name == "none" else name for name in beyond))
        notes = (*notes, f"repeats scatter more than the noise of their traces explains: with {named}")
    return replace(finding, repeats=judged, notes=notes)


def _repeats(finding: RunFinding, condition: Condition, resistor: str) -> Repeats | None:
    """None where no pin settled twice with that resistor."""
    groups: list[list[TrialFinding]] = []
    changing = []
    for pin in finding.pins:
        if pin.condition != condition:
            continue
        settled = [
            row
            for row in pin.rows
            if row.trial.resistor == resistor and row.settled is not None and not row.trial.as_found
        ]
        if len({row.verdict for row in settled}) > 1:
            changing.append(pin.pin)
        elif len(settled) > 1:
            groups.append(settled)
    if not groups:
        return None
    volts = [np.array([row.settled.value for row in group if row.settled is not None]) for group in groups]
    claimed = [np.array([_claimed_u(row) for row in group]) for group in groups]
    dof = sum(group.size - 1 for group in volts)
    chi_square = math.fsum(_misfit(v, u) for v, u in zip(volts, claimed, strict=True))
    from scipy.stats import chi2

    return Repeats(
        resistor=resistor,
        condition=condition,
        variance=one_way(volts),
        claimed_v=math.sqrt(float(np.mean(np.concatenate(claimed) ** 2))),
        chi_square=chi_square,
        p_value=float(chi2.sf(chi_square, dof)),
        changing=tuple(changing),
    )


def _claimed_u(row: TrialFinding) -> float:
    """Type A uncertainty of a settled voltage; no less than a nanovolt, so that a noiseless trace can be weighed."""
    assert row.trace is not None
    assert row.trace.settled is not None
    return max(row.trace.settled.u_noise_v, 1e-9)


def _misfit(volts: FloatArray, claimed: FloatArray) -> float:
    """Sum of squares about the weighted mean, in units of what is claimed: chi-square with n − 1 degrees of freedom."""
    weights = claimed**-2
    mean = float((weights * volts).sum() / weights.sum())
    return float((((volts - mean) / claimed) ** 2).sum())
