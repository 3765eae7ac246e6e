"""A long dwell in words: levels, drift, whether it goes on, and whether the verdict changes."""

from __future__ import annotations

from results.analysis.found.dwell_finding import DwellFinding
from results.analysis.looking_glass import as_seen, moved_as_seen
from results.quantity import show


def dwell_text(dwell: DwellFinding) -> str:
    """One line for a plain line of the run, a note or the report."""
    if dwell.early is None or dwell.late is None or dwell.drift is None:
        return dwell.note or "long dwell: not determined"
    early_v, late_v = as_seen(dwell.early.value), as_seen(dwell.late.value)
    levels = f"{show(early_v, 'V')} early, {show(late_v, 'V')} after {minutes(dwell.logged_s)}"
    return f"held {minutes(dwell.held_s)}: {levels}; {drift_text(dwell)}; {words_text(dwell)}"


def drift_text(dwell: DwellFinding) -> str:
    """The drift with its U, and whether it goes on."""
    if dwell.drift is None:
        return "not determined"
    moved_v = moved_as_seen(dwell.drift.value)
    expanded = show(dwell.coverage * dwell.drift.u, "V", 2)
    if not dwell.moved:
        return f"no drift seen ({show(moved_v, 'V', 2)} ± {expanded})"
    way = "up" if moved_v > 0.0 else "down"
    said = f"drifts {way} by {show(abs(moved_v), 'V', 3)} ± {expanded}"
    if dwell.rate_v_per_min is None or not dwell.goes_on:
        return f"{said}, at an end"
    return f"{said}, goes on at {show(moved_as_seen(dwell.rate_v_per_min.value), 'V', 2)} a minute"


def words_text(dwell: DwellFinding) -> str:
    """The verdict by the level, early and late, and that of the ordinary trials where it is another."""
    if dwell.early_word is None or dwell.late_word is None:
        return "not determined"
    if dwell.changes:
        after = "" if dwell.turned_after_s is None else show(dwell.turned_after_s, "s", 3)
        when = f", across {dwell.released_level} after {after}" if after else ""
        said = f"{dwell.early_word} early, {dwell.late_word} late{when}"
    else:
        said = f"{dwell.late_word} throughout"
    if dwell.ordinary_word and dwell.ordinary_word not in (dwell.early_word, dwell.late_word):
        said += f"; {dwell.ordinary_word} in the ordinary trials"
    return said


def minutes(seconds: float | None) -> str:
    """Minutes from two on, seconds below."""
    if seconds is None:
        return "an unknown time"
    return f"{seconds / 60.0:.3g} min" if seconds >= 120.0 else show(seconds, "s", 3)
