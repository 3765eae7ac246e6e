"""When a number of a bench check passes, fails, or does not tell."""

from __future__ import annotations

import math

from results.record.check import CheckItem, CheckVerdict

COVERAGE = 2.0
"""Of the expanded uncertainty that decides, as everywhere."""


def judged(
    name: str,
    value: float | None,
    unit: str,
    u: float = 0.0,
    *,
    low: float | None = None,
    high: float | None = None,
    note: str = "",
) -> CheckItem:
    """An item with its verdict.

    Within the limits it passes (simple acceptance, ILAC-G8:09/2019, 4.2.1), unless U is larger than the limits leave
    room for: then it does not tell. Beyond a limit by more than U it fails; beyond it by less it does not tell either.
    """
    if value is None or not math.isfinite(value):
        return CheckItem(name, "not determined", None, unit, None, low, high, note or "no number came out")
    expanded = COVERAGE * u
    verdict: CheckVerdict = "pass"
    told = note
    if (low is not None and value + expanded < low) or (high is not None and value - expanded > high):
        verdict = "fail"
    elif (low is not None and value < low) or (high is not None and value > high):
        verdict, told = "not determined", _and(note, "beyond the limit by less than its uncertainty")
    elif expanded > _room(low, high):
        verdict, told = "not determined", _and(note, "the uncertainty is larger than the limits")
    return CheckItem(name, verdict, value, unit, u, low, high, told)


def _room(low: float | None, high: float | None) -> float:
    """What U may be: half of the way between two limits; of one that stands alone, its distance from zero."""
    if low is not None and high is not None:
        return 0.5 * (high - low)
    one = high if low is None else low
    return math.inf if one is None else abs(one)


def open_item(name: str, why: str, unit: str = "") -> CheckItem:
    """An item of which nothing can be said, and why."""
    return CheckItem(name, "not determined", None, unit, note=why)


def _and(note: str, more: str) -> str:
    return f"{note}; {more}" if note else more
