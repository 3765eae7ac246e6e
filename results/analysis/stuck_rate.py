"""How often a pin sticks, with the limits that so many presses allow (Clopper-Pearson, exact).

The limits are quantiles of beta distributions: C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404; in this form
in the NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.1.
"""

from __future__ import annotations


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
