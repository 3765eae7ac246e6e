"""Remedies side by side: what each comes to over all pins, and in words, the same on a terminal and in the report."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from results.analysis.findings import PinFinding, RunFinding
from results.analysis.found.remedy import RemedyFinding
from results.analysis.remedies.remedies import latches
from results.quantity import show
from results.record.run_record import Remedy


@dataclass(frozen=True)
class SideBySide:
    """One remedy over all pins: those that latch, those of them that it clears, and those that it does not, by name.

    `worst_margin` over the pins that it clears, `margin_open` the number of them for which none is known. The rest are
    the worst over all pins tried.
    """

    remedy: Remedy
    latching: int
    cleared: int
    failing: tuple[str, ...]
    undecided: tuple[str, ...]
    worst_margin: float | None
    margin_of: str
    margin_open: int
    extra_current_a: float | None
    power_w: float | None
    release_time_s: float | None


PARTS: dict[Remedy, str] = {
    "external pull-down": "a resistor a pin",
    "driven low": "a driver that sinks, a pin",
    "changeover contact": "a changeover contact and its ground wire, a pin",
    "polled buffer": "none (firmware)",
}


def side_by_side(finding: RunFinding) -> list[SideBySide]:
    """A row a remedy, in the plan's order; none where the plan asks for none."""
    rules = finding.record.remedies
    return [] if rules is None else [_row(finding.pins, remedy) for remedy in rules.tried]


def _row(pins: Sequence[PinFinding], remedy: Remedy) -> SideBySide:
    found = [(pin.pin, one) for pin in pins for one in pin.remedies if one.remedy == remedy]
    latching = {pin.pin for pin in pins if latches(pin)}
    # A pin that nobody could try is not known to latch, unless its trials say so.
    counted = [(n, one) for n, one in found if n in latching or one.verdict in ("clears", "does not clear")]
    open_pins = [name for name, one in found if one.verdict in ("undecided", "failed", "not tried")]
    cleared = [(name, one) for name, one in counted if one.verdict == "clears"]
    margins = [one.margin for _, one in cleared if one.margin is not None]
    return SideBySide(
        remedy,
        latching=len(counted),
        cleared=len(cleared),
        failing=tuple(dict.fromkeys(name for name, one in counted if one.verdict == "does not clear")),
        undecided=tuple(dict.fromkeys(open_pins)),
        worst_margin=min(margins, default=None),
        margin_of=next((one.margin_of for _, one in cleared if one.margin_of), ""),
        margin_open=len(cleared) - len(margins),
        extra_current_a=max((one.extra_current_a for _, one in found if one.extra_current_a is not None), default=None),
        power_w=max((one.power_w for _, one in found if one.power_w is not None), default=None),
        release_time_s=max((one.release_time_s for _, one in found if one.release_time_s is not None), default=None),
    )


def clears_text(row: SideBySide, what: str = "") -> str:
    """Of how many pins that latch it clears how many, `what` they are, and which it does not."""
    if not row.latching:
        return f"no pin latches{_open(row)}"
    said = f"{row.cleared} of {row.latching}{what}"
    if row.failing:
        said += f", not {', '.join(row.failing)}"
    return said + _open(row)


def _open(row: SideBySide) -> str:
    return f"; open: {', '.join(row.undecided)}" if row.undecided else ""


def margin_text(margin: float | None, margin_of: str) -> str:
    """A margin as a share of what is needed: 13 % more than that; where it is large, 39 × that."""
    if margin is None:
        return "not determined"
    share = f"{100.0 * margin:.0f} %" if margin < 10.0 else f"{1.0 + margin:.3g} ×"
    return f"{share} in {margin_of}"


def step_text(finding: RemedyFinding | None) -> str:
    """What one try shows by itself: whether the pin was released with the remedy at work."""
    if finding is None:
        return "not determined"
    if not finding.tries:
        said: str = finding.verdict
    else:
        said = "the pin is released" if finding.verdict in ("clears", "nothing to clear") else finding.verdict
    if finding.rest is not None:
        said += f", node at {show(finding.rest.value, 'V', 3)}"
    if finding.polls:
        said += f", {finding.polls_right} of {finding.polls} polls right"
    return f"{said}  ({finding.note})" if finding.note else said
