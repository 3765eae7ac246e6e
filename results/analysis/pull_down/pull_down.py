"""The pin's own pull-down: measured while the pin was held, from the plain-leak line, or as the plan expects it.

While a pin is held, Kirchhoff's current law at the node gives what it draws through the press resistor. That current
is the pull-down's less the leak's at that voltage: the pull-down itself only where the leak is gone near the rail.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from results.analysis.ends import AT_ZERO, Ends
from results.analysis.findings import LeakLine, Value
from results.analysis.pull_down.held_node import net_current_while_held
from results.analysis.uncertainty.coverage_interval import standard_uncertainty
from results.quantity import show
from results.record.observation import Observation
from results.record.run_record import MeterModel, Rules, SourceModel

PullDownFrom = Literal["hold level", "line", "plan range", "not found"]

_PROVES_CONTACT = frozenset({"board reading", "clamp diode", "rest level"})
"""Proofs that do not rest on the current at the hold level itself."""

_AS_SHARP = 3.0
"""A line whose pull-down is less certain than that many times the hold level's does not confirm it."""

_ABOUT_HOLD = "pull-down from the hold level, an upper bound of its resistance unless the leak is gone there"
_ABOUT_LINE = "pull-down from the line's slope, a lower bound of its resistance where the leak falls with voltage"


@dataclass(frozen=True)
class PullDown:
    """The pull-down as a conductance (siemens), where it came from, and what must be said about it.

    Where none was found on a pin that sticks, a leak of the same size may hide it: then `hidden` is True and the
    conductance spans from nothing to the strongest that is expected.
    """

    conductance: Value
    source: PullDownFrom
    note: str = ""
    hidden: bool = False

    def known_as(self, conductance: Value) -> PullDown:
        """With the uncertainty that its sources come to, where it was measured while held."""
        return replace(self, conductance=conductance) if self.source == "hold level" else self

    @property
    def resistance(self) -> Value | None:
        """In ohm: inverted last; None where no pull-down was found. The plan's range is rectangular in ohm as well."""
        if self.source == "not found":
            return None
        if self.source == "plan range":
            half_s = math.sqrt(3.0) * self.conductance.u
            low, high = 1.0 / (self.conductance.value + half_s), 1.0 / (self.conductance.value - half_s)
            return Value(0.5 * (low + high), 0.5 * (high - low) / math.sqrt(3.0))
        return Value(1.0 / self.conductance.value, self.conductance.u / self.conductance.value**2)


@dataclass(frozen=True)
class HoldPoint:
    """One trial at the hold level: voltage at the pin, net pin current (negative: the pin draws current), and whether
    contact was proven by something else."""

    pin_v: float
    current: Value
    proven: bool


def hold_point(
    observation: Observation,
    hold_v: float | None,
    outside: Value,
    series_ohm: float,
    meter: MeterModel,
    source: SourceModel | None = None,
    *,
    injected: Value | None = None,
    ends: Ends = AT_ZERO,
) -> HoldPoint | None:
    """Net pin current at the hold level; None where the press path is not known well enough.

    A press resistor is preferred to what a source says it delivered, with the accuracy of `source` (None: not stated,
    and not in u). `injected`: as for net_current_while_held. The pull-down ends where the trial resistors do.
    """
    if hold_v is None:
        return None
    by_resistor = observation.press_v is not None and observation.press_ohm
    delivered = None if by_resistor else _delivered(observation.press_current_a, source)
    current = net_current_while_held(
        hold_v,
        outside,
        press_v=observation.press_v,
        press_ohm=observation.press_ohm,
        press_u_ohm=observation.press_u_ohm,
        source=delivered,
        accuracy_reading=meter.accuracy_reading,
        accuracy_v=meter.accuracy_v,
        injected=injected,
        press_is_read=ends.load_v == 0.0,
    )
    if current is None:
        return None
    pin_v = hold_v - ends.fitted_v + current.value * series_ohm
    return HoldPoint(pin_v, current, observation.contact in _PROVES_CONTACT) if pin_v > 0.0 else None


def _delivered(press_a: float | None, source: SourceModel | None) -> Value | None:
    """What a source delivered while holding (A); None where none measured it."""
    if press_a is None or source is None:
        return None if press_a is None else Value(press_a, 0.0)
    return Value(press_a, standard_uncertainty((press_a * source.accuracy_reading, source.accuracy_a), 0.0))


def find_pull_down(
    points: Sequence[HoldPoint],
    line: LeakLine | None,
    rules: Rules,
    rail_v: float,
    stuck: bool,
    rests_at_v: float = 0.0,
) -> PullDown:
    """The pull-down of one pin under one condition: hold level before line before the plan's range.

    `stuck`: the pin stuck in some trial, so that a leak may be left at the hold level. `rests_at_v`: the highest
    voltage at which it surely rested; what held it there may be left, too.
    """
    held = _combined(points) if points else None
    if held is not None and _is_missing(points, held, rules, rail_v):
        return _missing(held, rules, stuck)
    at_hold = None if held is None else Value(-held[1].value / held[0], held[1].u / held[0])
    usable = at_hold is not None and at_hold.value > rules.coverage * at_hold.u and _conducts(points, rules, rail_v)
    from_line = line.pull_down_s if line is not None and line.passes else None
    if usable and at_hold is not None and not _leaks_at_hold(at_hold, from_line, rules):
        # Where a line as sharp as the hold level agrees, the leak is shown to be gone there.
        gone = from_line is not None and from_line.u <= _AS_SHARP * at_hold.u
        # The leak that holds the node at rest is at least what the pull-down draws there.
        leaks = stuck or (held is not None and rests_at_v * at_hold.value > rules.coverage * held[1].u)
        return PullDown(at_hold, "hold level", _about_hold(at_hold, rules, leaks and not gone))
    if from_line is not None:
        left = "a leak is left at the hold level; " if usable else ""
        return PullDown(from_line, "line", left + _ABOUT_LINE)
    return PullDown(_planned(rules), "plan range")


def _missing(held: tuple[float, Value], rules: Rules, stuck: bool) -> PullDown:
    """None that the hold level shows. A leak that cancels it there would hold the node in a trial, too: it sticks."""
    volts, current = held
    drawn = f"no more than {show(abs(current.value) + rules.coverage * current.u, 'A', 2)}"
    if not stuck:
        note = f"no pull-down found: while held the pin draws {drawn}"
        return PullDown(Value(-current.value / volts, current.u / volts), "not found", note)
    half_s = 0.5 / rules.pull_down_low_ohm
    note = f"no pull-down found, unless a leak of its size hides it: while held the pin draws {drawn}"
    return PullDown(Value(half_s, half_s / math.sqrt(3.0)), "not found", note, hidden=True)


def _combined(points: Sequence[HoldPoint]) -> tuple[float, Value]:
    """Mean pin voltage and weighted mean current; errors are taken as fully common to the repeats: same meter, same
    press resistor."""
    weights = [1.0 / point.current.u**2 if point.current.u > 0.0 else 1.0 for point in points]
    total = sum(weights)
    paired = list(zip(weights, points, strict=True))
    current = sum(weight * point.current.value for weight, point in paired) / total
    u = sum(weight * point.current.u for weight, point in paired) / total
    return sum(weight * point.pin_v for weight, point in paired) / total, Value(current, u)


def _is_missing(points: Sequence[HoldPoint], held: tuple[float, Value], rules: Rules, rail_v: float) -> bool:
    """Consistent with no current and surely less than half of what the weakest expected pull-down draws, with contact
    proven by something else: an open needle draws nothing either."""
    size, expanded = abs(held[1].value), rules.coverage * held[1].u
    least_a = 0.5 * rail_v / rules.pull_down_high_ohm
    return all(point.proven for point in points) and size <= expanded and size + expanded < least_a


def _conducts(points: Sequence[HoldPoint], rules: Rules, rail_v: float) -> bool:
    """Without other proof of contact a tiny current may be an open needle's, and says nothing about a pull-down."""
    least_a = 0.5 * rail_v / rules.pull_down_high_ohm
    return all(point.proven or abs(point.current.value) > least_a for point in points)


def _leaks_at_hold(at_hold: Value, from_line: Value | None, rules: Rules) -> bool:
    """The line shows clearly more pull-down than the hold level: the difference is leak that is left there."""
    if from_line is None:
        return False
    return from_line.value - at_hold.value > rules.coverage * math.hypot(from_line.u, at_hold.u)


def _about_hold(at_hold: Value, rules: Rules, leaks: bool) -> str:
    notes = []
    if leaks:
        notes.append(_ABOUT_HOLD)
    expanded = rules.coverage * at_hold.u
    if at_hold.value + expanded < 1.0 / rules.pull_down_high_ohm or (
        at_hold.value - expanded > 1.0 / rules.pull_down_low_ohm
    ):
        expected = f"{show(rules.pull_down_low_ohm, 'Ω')} to {show(rules.pull_down_high_ohm, 'Ω')}"
        notes.append(f"pull-down {show(1.0 / at_hold.value, 'Ω', 3)} lies outside the plan's range {expected}")
    return "; ".join(notes)


def _planned(rules: Rules) -> Value:
    """The plan's range as a rectangular distribution of conductance."""
    low_s, high_s = 1.0 / rules.pull_down_high_ohm, 1.0 / rules.pull_down_low_ohm
    return Value(0.5 * (low_s + high_s), 0.5 * (high_s - low_s) / math.sqrt(3.0))
