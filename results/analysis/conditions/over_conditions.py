"""One pin over the conditions that the plan steps through, and which of them is the worst. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from results.analysis.findings import PinFinding, Value
from results.analysis.verdict import NO_EVIDENCE, ORDER
from results.record.trial import NO_RESISTOR, Condition


def stepped_pins(pins: Sequence[PinFinding]) -> dict[str, list[PinFinding]]:
    """Pin name to its findings, of every pin tried under more than one rail, temperature or state of its neighbours.

    Only the pin setups under which it was stepped; trials of the state as found are no step. Empty where nothing was
    stepped.
    """
    found: dict[str, list[PinFinding]] = {}
    for name in dict.fromkeys(pin.pin for pin in pins):
        of_pin = [pin for pin in pins if pin.pin == name and not _is_as_found(pin)]
        rows = [pin for pin in of_pin if _steps(of_pin, pin.condition.pin_setup) > 1]
        if rows:
            found[name] = rows
    return found


def worst_of(pins: Sequence[PinFinding]) -> PinFinding | None:
    """The finding that decides: the worst verdict, then the largest conductance asked for, then the largest leakage.

    None without evidence.
    """
    known = [pin for pin in pins if pin.verdict not in NO_EVIDENCE]
    return min(known, key=_badness, default=None)


def _badness(pin: PinFinding) -> tuple[int, float, float]:
    """Sorts the worst first."""
    leak_a = 0.0 if pin.leakage is None else pin.leakage.value
    return ORDER.index(pin.verdict), -required_s(pin), -leak_a


def required_s(pin: PinFinding) -> float:
    """The conductance (S) that the pin is known to need at least: of the sweep or line, else of what stuck, else 0."""
    if pin.sweep is not None and pin.sweep.worse is not None:
        return pin.sweep.worse.required.value
    if pin.safe_ohm is not None and pin.safe_ohm.value > 0.0:
        return 1.0 / pin.safe_ohm.value
    ohm = pin.bracket.below_ohm or pin.bracket.high_ohm
    return 1.0 / ohm if ohm else 0.0


def bare_settled(pin: PinFinding) -> Value | None:
    """The highest settled voltage with no resistor; None where none was determined."""
    settled = [row.settled for row in pin.rows if row.trial.resistor == NO_RESISTOR and row.settled is not None]
    return max(settled, key=lambda value: value.value, default=None)


def measured_c(pin: PinFinding) -> float | None:
    """Mean of the temperatures (°C) measured in its trials; None where nobody measured."""
    seen = [row.observation.temperature_c for row in pin.rows if row.observation is not None]
    known = [value for value in seen if value is not None]
    return sum(known) / len(known) if known else None


def _steps(pins: Sequence[PinFinding], setup: str) -> int:
    return len({_step(pin.condition) for pin in pins if pin.condition.pin_setup == setup})


def _step(condition: Condition) -> tuple[float, float | None, str]:
    return condition.rail_v, condition.temperature_c, condition.neighbours


def _is_as_found(pin: PinFinding) -> bool:
    return bool(pin.rows) and all(row.trial.as_found for row in pin.rows)
