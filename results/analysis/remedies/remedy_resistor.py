"""An external pull-down as a remedy: the trials have tried it already, no new press is needed."""

from __future__ import annotations

from collections.abc import Sequence

from results.analysis.findings import PinFinding, TrialFinding
from results.analysis.found.remedy import RemedyFinding
from results.analysis.pin_bench import PinBench
from results.analysis.verdict import NO_EVIDENCE
from results.quantity import resistor_name, show
from results.record.trial import NO_RESISTOR, Resistor


def external_pull_down(bench: PinBench, pin: PinFinding, latches: bool) -> RemedyFinding:
    """The recommended resistor where it was tried and released every time; else the largest that is proven; else the
    smallest that was tried, which then does not clear the pin."""
    chosen = _chosen(bench, pin)
    if chosen is None or chosen.nominal_ohm is None:
        return RemedyFinding("external pull-down", "not tried", note="no trial with a resistor is evidence")
    rows = _rows(pin, chosen.name)
    cleared = sum(row.verdict == "released" for row in rows)
    volts = max((_rail(row, pin) for row in rows), default=pin.condition.rail_v)
    times = [row.trace.release_time_s for row in rows if row.trace is not None and row.trace.release_time_s is not None]
    if cleared < len(rows):
        failed = any(row.verdict in ("stuck high", "stuck between", "held at press level", "slow") for row in rows)
        verdict = "does not clear" if failed else "undecided"
    else:
        verdict = "clears" if latches else "nothing to clear"
    margin, note = _margin(bench, pin, chosen) if verdict == "clears" else (None, "")
    return RemedyFinding(
        "external pull-down",
        verdict,  # type: ignore[arg-type]
        tries=len(rows),
        cleared=cleared,
        margin=margin,
        margin_of="conductance",
        extra_current_a=volts / chosen.nominal_ohm,
        power_w=volts**2 / chosen.nominal_ohm,
        release_time_s=max(times, default=None),
        rest=max((row.at_pin for row in rows if row.at_pin is not None), key=lambda v: v.value, default=None),
        resistor=chosen.name,
        note=note,
    )


def _chosen(bench: PinBench, pin: PinFinding) -> Resistor | None:
    """Whichever speaks for the remedy on this pin."""
    names = dict.fromkeys(row.trial.resistor for row in pin.rows if row.trial.resistor != NO_RESISTOR)
    tried = [bench.resistor(name) for name in names if _rows(pin, name)]
    recommended = [one for one in tried if one.nominal_ohm == pin.advice.ohm and _released(pin, one.name)]
    if recommended:
        return recommended[0]
    if pin.bracket.low is not None and pin.bracket.low != NO_RESISTOR:
        return bench.resistor(pin.bracket.low)
    released = [one for one in tried if _released(pin, one.name)]
    # A pin that needs none is proven with the largest; one that nothing proves, shown with the smallest.
    return (
        min(released, key=lambda one: one.conductance_s)
        if released and pin.bracket.low == NO_RESISTOR
        else max(tried, key=lambda one: one.conductance_s, default=None)
    )


def _rows(pin: PinFinding, resistor: str) -> Sequence[TrialFinding]:
    return [row for row in pin.rows if row.trial.resistor == resistor and row.verdict not in NO_EVIDENCE]


def _released(pin: PinFinding, resistor: str) -> bool:
    return all(row.verdict == "released" for row in _rows(pin, resistor))


def _rail(row: TrialFinding, pin: PinFinding) -> float:
    seen = row.observation
    return pin.condition.rail_v if seen is None or seen.rail_v is None else seen.rail_v


def _margin(bench: PinBench, pin: PinFinding, chosen: Resistor) -> tuple[float | None, str]:
    """What the resistor, at the end of its tolerance, conducts beyond what is needed; and why it is not known."""
    assert chosen.nominal_ohm is not None
    rules = bench.record.rules
    if pin.sweep is not None and pin.sweep.safe_low_ohm is not None and pin.sweep.agreement != "disagrees":
        external_ohm = pin.sweep.safe_low_ohm - bench.pin.series_ohm
        margin = external_ohm / (chosen.nominal_ohm * (1.0 + rules.advised_tolerance)) - 1.0
        short = f"less than the margin of {show(rules.margin, '%')} that the plan asks for"
        return margin, f"{short}{_not_tried(pin)}" if margin < rules.margin else ""
    if pin.advice.ohm == chosen.nominal_ohm and pin.advice.margin is not None:
        return pin.advice.margin, ""
    return None, "no margin is shown: no larger resistor released every time, and no sweep tells the limit"


def _not_tried(pin: PinFinding) -> str:
    return "" if pin.advice.ohm is None else f": {resistor_name(pin.advice.ohm)}, which is recommended, was not tried"
