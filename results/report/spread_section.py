"""The report's section on the spread over the pins: tolerance limits, with the method that they rest on."""

from __future__ import annotations

import math

from results.analysis.findings import RunFinding
from results.analysis.found.pin_spread import PinSpread, SpreadOf
from results.analysis.resistor.board_advice import condition_text
from results.quantity import UnitSymbol
from results.report.numbers import NOT_DETERMINED, Cell, bare_cell, plain
from results.report.section import Column, Section, Table

_NAMES: dict[SpreadOf, tuple[str, UnitSymbol]] = {
    "required conductance": ("Required conductance", "S"),
    "pull-down": ("Pull-down", "Ω"),
    "leakage": ("Leakage, largest seen", "A"),
}


def spread_section(finding: RunFinding) -> list[Section]:
    """One section where ten pins or more have one of the quantities, else none."""
    if not finding.spread:
        return []
    several = len({one.condition for one in finding.spread}) > 1
    columns = (
        Column("Quantity"),
        *([Column("Condition")] if several else []),
        Column("Pins", "right"),
        Column("Mean", "right"),
        Column("Deviation", "right"),
        Column("95 % of such pins"),
        Column("Method", wide=True),
    )
    told = [one for one in finding.spread if one.limits.high is not None]
    rows = tuple(
        (_NAMES[one.quantity][0], *([condition_text(one.condition)] if several else []), *_cells(one)) for one in told
    )
    left = [one for one in finding.spread if one.limits.high is None]
    notes = (_NOTE,) if told else ()
    return [Section("Spread over the pins", _left_out(left, several=several), (Table(columns, rows),), notes=notes)]


def _left_out(spread: list[PinSpread], *, several: bool) -> tuple[str, ...]:
    """One sentence for all quantities without limits, with why."""
    reasons = [
        f"{_NAMES[one.quantity][0].lower()}{f', {condition_text(one.condition)}' if several else ''} ({_method(one)})"
        for one in spread
    ]
    return (f"No tolerance limits: {'; '.join(reasons)}.",) if reasons else ()


def _cells(one: PinSpread) -> tuple[str | Cell, ...]:
    unit = _NAMES[one.quantity][1]
    return (
        str(one.pins),
        bare_cell(one.mean, unit, 3),
        bare_cell(one.deviation, unit, 3),
        _limits(one, unit),
        _method(one),
    )


def _limits(one: PinSpread, unit: UnitSymbol) -> str:
    low, high = one.limits.low, one.limits.high
    if high is None:
        return NOT_DETERMINED
    if low is not None:
        return f"{plain(low, unit, 3)} to {plain(high, unit, 3)}"
    said = f"at most {plain(high, unit, 3)}"
    if one.quantity != "required conductance":
        return said
    # Rounded down: a resistor must not be called safe that is a little too large.
    return f"{said}: {_down(1.0 / high)} or less clears" if high > 0.0 else f"{said}: no resistor needed"


def _down(ohm: float) -> str:
    """Three digits, rounded down."""
    unit = 10.0 ** (math.floor(math.log10(ohm)) - 2)
    return plain(math.floor(ohm / unit) * unit, "Ω", 3)


def _method(one: PinSpread) -> str:
    limits = one.limits
    if limits.method == "not determined":
        return limits.reason
    if limits.factor is None:
        return f"extremes of the values, any distribution (normal refused, p {limits.normal_p:.1g})"
    return f"{limits.method} k {limits.factor:.4g} (normal not refused, p {limits.normal_p:.2g})"


_NOTE = (
    "Tolerance limits: 95 % of the pins that these are a random sample of lie within, with 95 % confidence. Normal: "
    "mean and k standard deviations, k exact where one-sided (noncentral t), by Howe where two-sided; whether values "
    "may be normal is tested (Shapiro-Wilk, 5 %). Without a distribution: the extremes of 59 values or more "
    "(one-sided), of 93 or more (two-sided). The uncertainty of each value widens the limits. Pins of one unit tell "
    "nothing of other units."
)
