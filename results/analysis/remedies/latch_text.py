"""What it takes to unlatch a pin, and to latch it, in words: the same on a terminal and in the report."""

from __future__ import annotations

from results.analysis.found.latch import OverdriveFinding, PressLevelFinding
from results.quantity import show

NOT_DETERMINED = "not determined"


def overdrive_text(finding: OverdriveFinding | None) -> str:
    """The overdrive current by resistors: the bracket, or why there is none."""
    if finding is None or not finding.presses:
        return _with_note(NOT_DETERMINED, "" if finding is None else finding.note)
    if not finding.latched:
        return _with_note(finding.state, finding.note)
    said = f"latched in {finding.latched} of {finding.presses}, overdrive current {bracket_text(finding)}"
    return _with_note(said, finding.note)


def bracket_text(finding: OverdriveFinding) -> str:
    """Between which currents the resistors put it."""
    low = "" if finding.at_least is None else f"at least {show(finding.at_least.value, 'A')}"
    high = "no upper limit" if finding.at_most is None else f"at most {show(finding.at_most.value, 'A')}"
    return ", ".join(filter(None, (low, high)))


def press_level_text(finding: PressLevelFinding | None) -> str:
    """The interval of the lowest press level that latches, or what was found instead of one."""
    if finding is None:
        return NOT_DETERMINED
    said: str = finding.state
    if finding.never is not None and finding.always is not None:
        said = (
            f"{said} between {show(finding.never.value, 'V', digits=4)} and {show(finding.always.value, 'V', digits=4)}"
        )
    elif finding.state == "latches sometimes" and finding.never is not None:
        said = f"{said}, never from {show(finding.never.value, 'V', digits=4)}"
    elif finding.state == "latches from every level" and finding.always is not None:
        said = f"{said} tried, {show(finding.always.value, 'V', digits=4)} the weakest"
    if finding.sometimes:
        said += f", {finding.sometimes} of the levels only sometimes"
    return _with_note(said, finding.note)


def _with_note(said: str, note: str) -> str:
    return f"{said}  ({note})" if note else said
