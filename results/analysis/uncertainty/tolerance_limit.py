"""Tolerance limits: within which a share of a population lies, with stated confidence, from a few of it.

Of a normal population by a factor k, mean ± k · standard deviation: one-sided the exact one (noncentral t), two-sided
Howe's approximation. The factor depends on the method (10 values, two-sided 95/95: exact 3.393, Howe 3.382), so the
method is always named. Of any other population by the extremes of enough values (Wilks).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from results.analysis.uncertainty.stuck_rate import presses_needed

Sides = Literal["upper", "both"]
Method = Literal["normal, exact factor", "normal, Howe's factor", "distribution-free", "not determined"]

CONTENT = 0.95
CONFIDENCE = 0.95

FEWEST = 10
"""Of fewer values a test hardly ever refuses that they are normal, whatever they are."""

REFUSED_BELOW = 0.05
"""Values less likely than this to come from a normal population are not taken as normal (Shapiro and Wilk)."""


@dataclass(frozen=True)
class ToleranceLimits:
    """The limits with what they rest on. `low` is None for an upper limit; both are None where not determined.

    `factor` k is None unless the values are taken as normal; `normal_p`: of the test for that, None where not made.
    """

    method: Method
    low: float | None = None
    high: float | None = None
    factor: float | None = None
    normal_p: float | None = None
    reason: str = ""


def one_sided_factor(count: int, content: float = CONTENT, confidence: float = CONFIDENCE) -> float:
    """k of a one-sided limit, exact: the quantile of the noncentral t with δ = z√n, over √n.

    NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3. Raises ValueError for fewer than two values.
    """
    from scipy.stats import nct, norm

    _require_two(count)
    root = math.sqrt(count)
    return float(nct.ppf(confidence, count - 1, norm.ppf(content) * root)) / root


def two_sided_factor(count: int, content: float = CONTENT, confidence: float = CONFIDENCE) -> float:
    """k of two-sided limits by Howe: z · √(ν(1 + 1/n)/χ²), z at (1 + content)/2, χ² at 1 − confidence, ν = n − 1.

    NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3. Raises ValueError for fewer than two values.
    """
    from scipy.stats import chi2, norm

    _require_two(count)
    freedom = count - 1
    spread = freedom * (1.0 + 1.0 / count) / float(chi2.ppf(1.0 - confidence, freedom))
    return float(norm.ppf((1.0 + content) / 2.0)) * math.sqrt(spread)


def least_count(sides: Sides, content: float = CONTENT, confidence: float = CONFIDENCE) -> int:
    """How many values make their extremes tolerance limits of any population (Wilks 1941).

    One-sided 1 − p^n must reach the confidence, two-sided 1 − n p^(n−1) + (n − 1) p^n: the sizes that show a rate of
    1 − content beyond the limits, with none and with one value there.
    """
    return presses_needed(1.0 - content, confidence, 0 if sides == "upper" else 1)


def tolerance_limits(values: Sequence[float], sides: Sides) -> ToleranceLimits:
    """95/95 limits of the population that these values are a random sample of."""
    count = len(values)
    if count < FEWEST:
        return ToleranceLimits("not determined", reason=f"{count} values are too few: {FEWEST} or more")
    from scipy.stats import shapiro

    found = np.asarray(values, dtype=np.float64)
    mean, deviation = float(found.mean()), float(found.std(ddof=1))
    if deviation == 0.0:
        return ToleranceLimits("not determined", reason="all values are the same")
    normal_p = float(shapiro(found).pvalue)
    if normal_p >= REFUSED_BELOW:
        factor = one_sided_factor(count) if sides == "upper" else two_sided_factor(count)
        method: Method = "normal, exact factor" if sides == "upper" else "normal, Howe's factor"
        low = None if sides == "upper" else mean - factor * deviation
        return ToleranceLimits(method, low, mean + factor * deviation, factor, normal_p)
    least = least_count(sides)
    if count >= least:
        low = None if sides == "upper" else float(found.min())
        return ToleranceLimits("distribution-free", low, float(found.max()), None, normal_p)
    reason = f"not normal, and without a distribution {least} values are needed: {count}"
    return ToleranceLimits("not determined", normal_p=normal_p, reason=reason)


def _require_two(count: int) -> None:
    if count < 2:
        raise ValueError(f"a tolerance factor needs two values or more: {count}")
