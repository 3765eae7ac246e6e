"""The report's section on how often pins stick: rates with their limits, and what the plan asked about them."""

from __future__ import annotations

from results.analysis.findings import PinFinding, RunFinding
from results.analysis.uncertainty.stuck_rate import StuckRate
from results.report.by_condition import short_texts
from results.report.numbers import percent
from results.report.section import Column, Section, Table


def rate_section(finding: RunFinding) -> list[Section]:
    """One section where the plan asks for a rate, or where a pin sticks only sometimes; else none."""
    asked = finding.record.rate_asked
    rated = [(pin, pin.stuck_rate) for pin in finding.pins if pin.stuck_rate is not None]
    shown = rated if asked is not None else [(pin, rate) for pin, rate in rated if 0 < rate.stuck < rate.presses]
    if not shown:
        return []
    under = short_texts(pin.condition for pin in finding.pins)
    several = len(under) > 1
    columns = [
        Column("Pin"),
        *([Column("Condition")] if several else []),
        Column("Stuck", "right"),
        Column("Rate", "right"),
        Column("95 % limits", "right"),
        Column("One-sided 95 %", "right"),
    ]
    if asked is not None:
        columns.append(Column("As asked", wide=True))
    rows = tuple(
        _row(pin, rate, under[pin.condition] if several else "", asked=asked is not None) for pin, rate in shown
    )
    open_ = frozenset(number for number, (_, rate) in enumerate(shown) if rate.shown is False)
    said = tuple(_answer(finding))
    return [Section("How often pins stick", said, (Table(tuple(columns), rows, marked=open_),), notes=(_NOTE,))]


_NOTE = (
    "Presses with no resistor. Limits of the rate: Clopper-Pearson, exact; two-sided 95 %, and the one-sided upper "
    "limit. A press that is undecided, or held at the press level, counts as stuck in the upper limits and not in the "
    'rate. "Never in n presses" is its upper limit.'
)


def _answer(finding: RunFinding) -> list[str]:
    asked = finding.record.rate_asked
    if asked is None:
        return []
    answers = [pin.stuck_rate.shown for pin in finding.pins if pin.stuck_rate is not None]
    of_what = "pins and conditions" if len({pin.condition for pin in finding.pins}) > 1 else "pins"
    shown = f"shown for {answers.count(True)} of {len(finding.pins)} {of_what}"
    return [f"Asked: {asked.text} ({asked.presses} presses of each pin with no resistor): {shown}."]


def _row(pin: PinFinding, rate: StuckRate, under: str, *, asked: bool) -> tuple[str, ...]:
    return (
        pin.pin,
        *([under] if under else []),
        f"{rate.stuck} of {rate.presses}",
        f"{100.0 * rate.rate:.3g}\u00a0%",
        f"{100.0 * rate.low95:.3g} to {percent(rate.high95)}",
        percent(rate.upper95),
        *([_as_asked(rate)] if asked else []),
    )


def _as_asked(rate: StuckRate) -> str:
    """Shown or not shown, with what follows the question in the finding's own line."""
    return ("shown" if rate.shown else "not shown") + rate.text.partition("shown")[2]
