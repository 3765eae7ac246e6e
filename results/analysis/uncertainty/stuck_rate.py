"""How often a pin sticks, with the limits that so many presses allow (Clopper-Pearson, exact).

The limits are quantiles of beta distributions: C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404; in this form
in the NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from results.record.run_record import RateAsked

_ROUNDING = 1e-9
"""Relative: what the quantile and the plan's own decimal number may differ by, where both mean the same rate."""


@dataclass(frozen=True)
class StuckRate:
    """How often a pin stuck with no resistor, 0 to 1.

    `low95` to `high95`: two-sided 95 %; `upper95`: one-sided. `may_have_stuck` presses out of `presses` count as stuck
    in the upper limits, only the sure ones (`stuck`) in `rate` and in `low95`. `shown`: whether the rate that the plan
    asks about is shown; None where it asks about none. `text` says it in one line.
    """

    stuck: int
    may_have_stuck: int
    presses: int
    rate: float
    low95: float
    high95: float
    upper95: float
    shown: bool | None = None
    text: str = ""


def stuck_rate(stuck: int, may_have_stuck: int, presses: int, asked: RateAsked | None) -> StuckRate | None:
    """The rate with its limits, and what the plan asked about it; None without presses. ValueError as below."""
    low, high = two_sided(stuck, presses), two_sided(may_have_stuck, presses)
    upper = upper_limit(may_have_stuck, presses)
    if low is None or high is None or upper is None:
        return None
    found = StuckRate(stuck, may_have_stuck, presses, stuck / presses, low[0], high[1], upper)
    if asked is None:
        return found
    at_most = upper_limit(may_have_stuck, presses, asked.confidence)
    assert at_most is not None
    shown = at_most <= asked.below * (1.0 + _ROUNDING)
    return replace(found, shown=shown, text=_answer(found, asked, at_most, shown))


def _answer(found: StuckRate, asked: RateAsked, at_most: float, shown: bool) -> str:
    said = f"asked: {asked.text}: {'shown' if shown else 'not shown'}"
    seen = f"{found.may_have_stuck} of {found.presses} presses stuck{'' if _all_sure(found) else ' or may have stuck'}"
    said += f", {seen}, which excludes only rates above {math.ceil(1e4 * at_most - 1e-6) / 100:g} %"
    if shown:
        return said
    if found.low95 > asked.below:
        return f"{said}; it is at least {math.floor(1e4 * found.low95 + 1e-6) / 100:g} %"
    again = presses_needed(asked.below, asked.confidence, found.may_have_stuck)
    # Pressing on until it fits would not have the confidence asked for: a rule must stand before the first press.
    return f"{said}; {again} new presses with no more than {found.may_have_stuck} stuck would show it"


def _chance(at_most: int, presses: int, rate: float) -> float:
    """P(X <= at_most), X binomial."""
    if at_most == 0:
        return (1.0 - rate) ** presses  # a plan is read without the library that takes a second to load
    from scipy.stats import binom

    return float(binom.cdf(at_most, presses, rate))


def _all_sure(found: StuckRate) -> bool:
    return found.stuck == found.may_have_stuck


def presses_needed(below: float, confidence: float, stuck_allowed: int = 0) -> int:
    """The smallest number of presses that shows a stuck rate below `below` (0 to 1) with this confidence, where no more
    than `stuck_allowed` of them stick.

    Smallest n with P(X <= stuck_allowed) <= 1 − confidence, X binomial with rate `below`. Without any stuck:
    (1 − below)^n <= 1 − confidence, the success run; S. S. Wilks, Ann. Math. Stat. 12 (1941) 91, has the same sizes for
    tolerance limits without a distribution: one-sided 59 for 95/95; two-sided, as for one that is allowed, 93. Raises
    ValueError unless 0 < below < 1, 0 < confidence < 1 and stuck_allowed >= 0.
    """
    if not 0.0 < below < 1.0:
        raise ValueError(f"a rate to be shown must lie between 0 and 1: {below}")
    if stuck_allowed < 0:
        raise ValueError(f"stuck presses allowed must not be negative: {stuck_allowed}")
    _check(0, 1, confidence)

    def shows(presses: int) -> bool:
        return _chance(stuck_allowed, presses, below) <= (1.0 - confidence) * (1.0 + _ROUNDING)

    high = stuck_allowed + 1
    while not shows(high):
        high *= 2
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if shows(middle) else (middle, high)
    return high


def upper_limit(stuck: int, trials: int, confidence: float = 0.95) -> float | None:
    """One-sided upper limit of the stuck rate (0 to 1): the rate at which so few would be seen with 1 − confidence.

    None without trials. Raises ValueError unless 0 <= stuck <= trials and 0 < confidence < 1.
    """
    _check(stuck, trials, confidence)
    if trials == 0:
        return None
    if stuck == trials:
        return 1.0
    from scipy.stats import beta

    return float(beta.ppf(confidence, stuck + 1, trials - stuck))


def lower_limit(stuck: int, trials: int, confidence: float = 0.95) -> float | None:
    """One-sided lower limit of the stuck rate (0 to 1); None and ValueError as for the upper one."""
    _check(stuck, trials, confidence)
    if trials == 0:
        return None
    if stuck == 0:
        return 0.0
    from scipy.stats import beta

    return float(beta.ppf(1.0 - confidence, stuck, trials - stuck + 1))


def two_sided(stuck: int, trials: int, confidence: float = 0.95) -> tuple[float, float] | None:
    """Lower and upper limit, each missed with half of 1 − confidence; None and ValueError as for the upper one."""
    one_sided = 0.5 * (1.0 + confidence)
    low, high = lower_limit(stuck, trials, one_sided), upper_limit(stuck, trials, one_sided)
    return None if low is None or high is None else (low, high)


def _check(stuck: int, trials: int, confidence: float) -> None:
    if not 0 <= stuck <= trials:
        raise ValueError(f"stuck trials must lie between 0 and {trials}: {stuck}")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence must lie between 0 and 1: {confidence}")
