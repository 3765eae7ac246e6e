"""The resistor to fit where a sweep tells the largest safe resistance: worked out, and no longer one of those tried."""

from __future__ import annotations

import math
from dataclasses import replace

from results.analysis.findings import Advice, SweepFinding
from results.analysis.found.fitting import SafeLimit
from results.quantity import show
from results.record.run_record import Rules
from results.series import largest_at_most


def advise_with_sweep(trials: Advice, sweep: SweepFinding, rules: Rules, series_ohm: float) -> Advice:
    """What to fit from trials and sweep together.

    The sweep's value is the largest of the series which, at the end of its tolerance, keeps the margin to the lower
    limit of R_safe on the worse branch, less the series resistance on the board. Where sweep and trials disagree,
    both must name a value, and the smaller one counts.
    """
    if sweep.worse is None:
        return trials
    swept = _by_sweep(sweep, rules, series_ohm)
    if sweep.agreement == "disagrees":
        return _both(trials, swept)
    if swept.needed is not False:
        return swept
    if trials.needed is False:
        return Advice(None, False, None, f"{swept.reason}; trials: {trials.reason}")
    if trials.needed is True:
        # Slow, or without a pull-down of its own: a resistor is asked for by what no curve shows.
        return trials
    return Advice(None, None, None, f"by the sweep {swept.reason}, but no press without a resistor shows it")


def _by_sweep(sweep: SweepFinding, rules: Rules, series_ohm: float) -> Advice:
    assert sweep.worse is not None
    if sweep.safe_low_ohm is None:
        return Advice(None, False, None, "none needed: at no voltage above V_IL does the pin drive more than it draws")
    external_ohm = sweep.safe_low_ohm - series_ohm
    limit = f"{show(sweep.safe_low_ohm, 'Ω')}, the lower limit of the sweep on its worse branch ({sweep.worse.branch})"
    if external_ohm <= 0.0:
        return Advice(None, True, None, f"the {show(series_ohm, 'Ω')} on the board alone are more than {limit}")
    ohm = largest_at_most(rules.series, external_ohm / ((1.0 + rules.margin) * (1.0 + rules.advised_tolerance)))
    margin = external_ohm / (ohm * (1.0 + rules.advised_tolerance)) - 1.0
    less = f", less {show(series_ohm, 'Ω')} on the board" if series_ohm else ""
    reason = f"margin {math.floor(100.0 * margin + 1e-9)} % to {limit}{less}"
    high_ohm = None if sweep.safe_high_ohm is None else sweep.safe_high_ohm - series_ohm
    return Advice(ohm, sweep.needed, margin, reason, SafeLimit(external_ohm, high_ohm, "sweep"))


def _both(trials: Advice, swept: Advice) -> Advice:
    """Sweep and trials disagree: the pin may have changed between them, and the worse one counts."""
    if trials.needed is False:
        return replace(swept, needed=None, reason=f"sweep and trials disagree; by the sweep: {swept.reason}")
    if swept.needed is False:
        return replace(trials, reason=f"sweep and trials disagree; by trials: {trials.reason}")
    if trials.ohm is None or swept.ohm is None:
        missing = trials if trials.ohm is None else swept
        return Advice(
            None, trials.needed, None, f"sweep and trials disagree, and only one names a value: {missing.reason}"
        )
    smaller = min(trials, swept, key=lambda advice: advice.ohm or math.inf)
    return replace(
        smaller, needed=trials.needed, reason=f"sweep and trials disagree, the smaller counts: {smaller.reason}"
    )
