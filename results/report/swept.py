"""What the report says about one swept pin: its numbers, each with its interval, and how it compares with the
trials."""

from __future__ import annotations

from typing import Any

from results.analysis.findings import PinFinding, RestsAt, RunFinding, SweepFinding
from results.analysis.sweep.sweep_agreement import branch_text
from results.quantity import show
from results.record.run_record import RunRecord
from results.record.trial import NO_RESISTOR
from results.report.numbers import NOT_DETERMINED, plain, quantity_text
from results.words import words_for


def swept_of(finding: RunFinding) -> list[PinFinding]:
    """The pins (and conditions) for which a sweep was planned, in the order of the findings."""
    return [pin for pin in finding.pins if pin.sweep is not None]


def swept(pin: PinFinding, record: RunRecord) -> dict[str, Any]:
    """Heading, numbers (label and text) and remarks of a swept pin."""
    assert pin.sweep is not None
    return {
        "pin": pin.pin,
        "condition": f"{pin.condition.pin_setup}, rail {show(pin.condition.rail_v, 'V')}",
        "disagrees": "yes" if pin.sweep.agreement == "disagrees" else "",
        "numbers": [{"label": label, "text": text} for label, text in _numbers(pin, pin.sweep, record)],
        "remarks": pin.sweep.note,
    }


def _numbers(pin: PinFinding, sweep: SweepFinding, record: RunRecord) -> list[tuple[str, str]]:
    k = record.rules.coverage
    numbers = [("Largest safe resistance", _safe(sweep))]
    for name, branch in (("Down branch", sweep.down), ("Up branch", sweep.up)):
        at = "" if branch is None or branch.required.value <= 0.0 else f", smallest V/I at {plain(branch.at_v, 'V', 3)}"
        numbers.append((name, NOT_DETERMINED if branch is None else f"{branch_text(branch)}{at}"))
    numbers.append(("Sweep and trials", sweep.agreement_text or "not compared"))
    numbers.append(("Hysteresis", _hysteresis(sweep, k)))
    if record.sweep is not None and record.sweep.leak_setups and pin.condition.pin_setup == record.sweep.leak_setups[0]:
        numbers.append(("Leak alone, largest", _leak(sweep, k, record.sweep.leak_setups[1])))
    numbers += [(f"Rests on {_resistor(rests)}", _rests(rests)) for rests in sweep.rests]
    trips = [
        f"{way} {quantity_text(trip, 'V', k, prefixed=False)}"
        for way, trip in (("down", sweep.trip_down), ("up", sweep.trip_up))
        if trip is not None
    ]
    numbers.append(("Board's own reading trips", "; ".join(trips) or NOT_DETERMINED))
    numbers.append(("Recommended", _advice(pin, words_for(record.press_to, "to ground"))))
    return numbers


def _safe(sweep: SweepFinding) -> str:
    if sweep.worse is None:
        return NOT_DETERMINED
    return f"{branch_text(sweep.worse)}, from the {sweep.worse.branch} branch; the range holds 95 %"


def _hysteresis(sweep: SweepFinding, coverage: float) -> str:
    if sweep.hysteresis is None or sweep.hysteresis_at_v is None:
        return NOT_DETERMINED
    seen = f"{quantity_text(sweep.hysteresis, 'A', coverage)} at {plain(sweep.hysteresis_at_v, 'V', 3)}"
    return f"down less up {seen}" if sweep.has_memory else f"none seen; largest difference {seen}"


def _leak(sweep: SweepFinding, coverage: float, off: str) -> str:
    if sweep.leak is None:
        return NOT_DETERMINED
    largest = quantity_text(sweep.leak.largest, "A", coverage)
    return f"{largest} at {plain(sweep.leak.at_v, 'V', 3)}, less the sweep with {off}"


def _resistor(rests: RestsAt) -> str:
    return "no resistor" if rests.resistor == NO_RESISTOR else rests.resistor


def _rests(rests: RestsAt) -> str:
    """Rest points with the bench's load on the node; where there is none in the swept range, it falls below it."""
    said = [f"about {plain(one.voltage_v, 'V', 3)} {'stable' if one.stable else 'unstable'}" for one in rests.rests]
    return ", ".join(said) or "none: released"


def _advice(pin: PinFinding, where: str) -> str:
    if pin.advice.ohm is None:
        return pin.advice.reason or NOT_DETERMINED
    return f"{plain(pin.advice.ohm, 'Ω')} {where}: {pin.advice.reason}"
