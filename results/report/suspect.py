"""What the report says about one suspect pin (any that did not simply release): its numbers, by pin and by resistor."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any

from results.analysis.findings import PinFinding, TrialFinding, Value
from results.analysis.sweep.sweep_agreement import branch_text
from results.quantity import show
from results.record.run_record import RunRecord
from results.record.trial import NO_CAPACITOR, NO_RESISTOR
from results.report.confidence import WORTHLESS
from results.report.numbers import NOT_DETERMINED, Cell, bracket_text, cell, percent, plain, quantity_text
from results.report.wording import SYMBOLS
from results.words import words_for

_NUMBER = re.compile(r"(?<![\w.])-?\d+(?:\.\d+)?(?:e-?\d+)?(?![\w.])")

_PULL_DOWN_FROM = {"plan range": "the plan's range", "line": "the plain-leak line"}
"""Where a pull-down came from, as words of a sentence; anything else is said as it stands."""


def worst_settled(pin: PinFinding, press_to: str) -> Value | None:
    """The settled voltage (V, meter on) furthest from where the pin should rest among the trials with no resistor: the
    highest, or of a pull-up input the lowest; None where none settled."""
    settled = [row.settled for row in pin.rows if row.trial.resistor == NO_RESISTOR and row.settled is not None]
    return _worst(settled, press_to)


def _worst(values: Sequence[Value], press_to: str) -> Value | None:
    sign = 1.0 if press_to == "rail" else -1.0
    return max(values, key=lambda value: sign * value.value, default=None)


def suspect(pin: PinFinding, record: RunRecord) -> dict[str, Any]:
    """Heading, numbers (label and text), one row a resistor, and the remarks of a pin."""
    setup = f"{pin.condition.pin_setup}, rail {show(pin.condition.rail_v, 'V')}"
    if pin.condition.temperature_c is not None:
        setup += f", {show(pin.condition.temperature_c, '°C')}"
    if pin.condition.capacitor != NO_CAPACITOR:
        setup += f", {pin.condition.capacitor} added"
    return {
        "pin": pin.pin,
        "symbol": SYMBOLS[pin.verdict],
        "verdict": pin.verdict,
        "condition": setup,
        "numbers": _numbers(pin, record),
        "resistors": [_by_resistor(pin, r.name, record) for r in record.resistors if _tried(pin, r.name)],
        "remarks": _remarks(pin),
    }


def _numbers(pin: PinFinding, record: RunRecord) -> list[dict[str, str]]:
    k = record.rules.coverage
    at_pin = [row.at_pin for row in pin.rows if row.trial.resistor == NO_RESISTOR and row.at_pin is not None]
    pull_down = quantity_text(pin.pull_down, "Ω", k)
    if pin.pull_down is not None and pin.pull_down_from:
        pull_down += f", from {_PULL_DOWN_FROM.get(pin.pull_down_from, pin.pull_down_from)}"
    numbers = [
        ("Stuck with no resistor", _rate(pin)),
        ("Highest settled voltage", quantity_text(worst_settled(pin, record.press_to), "V", k, prefixed=False)),
        (
            "Without the meter",
            quantity_text(_worst(at_pin, record.press_to), "V", k, prefixed=False),
        ),
        ("Largest leakage", quantity_text(pin.leakage, "A", k)),
        ("Pull-down", pull_down),
        ("Plain leak", _plain_leak(pin, k)),
        ("Largest safe resistance", _safe(pin, k)),
        ("Recommended", _advice(pin, words_for(record.press_to, "to ground"))),
    ]
    series = record.pin(pin.pin).series_ohm
    if series:
        numbers.append(("Series resistance on board", plain(series, "Ω")))
    numbers.append(("Contact", _contact(pin)))
    return [{"label": words_for(record.press_to, label), "text": text} for label, text in numbers]


def _rate(pin: PinFinding) -> str:
    counted = f"{pin.stuck_trials} of {pin.trials} presses"
    if pin.verdict in WORTHLESS or not pin.trials:
        return NOT_DETERMINED
    if pin.stuck_rate_upper95 is None:
        return counted
    return f"{counted}; rate at most {percent(pin.stuck_rate_upper95)}"


def _plain_leak(pin: PinFinding, coverage: float) -> str:
    line = pin.line
    if line is None or pin.plain_leak == "untested":
        return f"not tested{f': {line.reason}' if line is not None and line.reason else ''}"
    fit = f"χ² {line.chi_square:.3g} with {line.dof} degree{'' if line.dof == 1 else 's'} of freedom"
    if not line.passes:
        return f"no: {line.reason or fit}"
    return f"yes, {quantity_text(line.leak_a, 'A', coverage)} at 0 V; {fit}"


def _safe(pin: PinFinding, coverage: float) -> str:
    bracket = bracket_text(pin.bracket)
    if pin.safe_ohm is None:
        return bracket
    if pin.sweep is not None and pin.sweep.worse is not None and pin.safe_from == "sweep":
        return f"{branch_text(pin.sweep.worse)} from the sweep; from trials: {bracket}"
    return f"{quantity_text(pin.safe_ohm, 'Ω', coverage)} from the {pin.safe_from}; from trials: {bracket}"


def _advice(pin: PinFinding, where: str) -> str:
    if pin.advice.ohm is None:
        return pin.advice.reason or NOT_DETERMINED
    if pin.advice.margin is None:
        return f"{plain(pin.advice.ohm, 'Ω')} {where}"
    # Rounded down: a margin must not be shown larger than it is.
    margin = math.floor(100.0 * pin.advice.margin + 1e-9)
    return f"{plain(pin.advice.ohm, 'Ω')} {where}, margin {margin}\u00a0% in conductance"


def _contact(pin: PinFinding) -> str:
    proofs = Counter(row.observation.contact for row in pin.rows if row.observation is not None)
    by = ", ".join(f"{proof} {count}×" for proof, count in proofs.items())
    return f"proven in every trial ({by})" if pin.contact_proven else f"not proven in every trial ({by or 'no trial'})"


def _tried(pin: PinFinding, name: str) -> bool:
    return any(row.trial.resistor == name for row in pin.rows)


def _by_resistor(pin: PinFinding, name: str, record: RunRecord) -> dict[str, Any]:
    """One trial resistor: how its trials ended, the highest settled voltage, and the net pin current there."""
    rows = [row for row in pin.rows if row.trial.resistor == name]
    counts = Counter(row.verdict for row in rows)
    settled = [row for row in rows if row.settled is not None]
    top = (max if record.press_to == "rail" else min)(settled, key=_settled_v, default=None)
    blank: Cell = {"text": "–"}
    k = record.rules.coverage
    return {
        "name": name,
        "verdicts": ", ".join(f"{count} {verdict}" for verdict, count in counts.items()),
        "settled": cell(top.settled, "V", k, prefixed=False) if top else blank,
        "net": cell(top.net_current, "A", k) if top and top.net_current else blank,
    }


def _settled_v(row: TrialFinding) -> float:
    return row.settled.value if row.settled is not None else float("-inf")


def _remarks(pin: PinFinding) -> list[str]:
    """The pin's note, why the recommendation is what it is, and what was said of single trials, each once."""
    advice = f"recommendation: {pin.advice.reason}" if pin.advice.ohm is not None and pin.advice.reason else ""
    alike = list(_alike(pin.rows))
    # What a note of trials begins with, and says in full, is not said twice.
    said = [part for part in pin.note.split("; ") if not any(note.startswith(f"{part}: ") for note, _ in alike)]
    said += [advice, *(f"{note} ({count} of {len(pin.rows)} trials)" for note, count in alike if note not in pin.note)]
    return [text for text in said if text]


def _alike(rows: Sequence[TrialFinding]) -> Iterator[tuple[str, int]]:
    """What was said of single trials, each once, with in how many; what differs in its numbers only, with their range.

    A note's parts stand apart by semicolons: "the board reads high at 1.83 to 1.95 V".
    """
    found: dict[tuple[str, ...], list[list[str]]] = {}
    for row in rows:
        for part in filter(None, row.note.split("; ")):
            found.setdefault(tuple(_NUMBER.split(part)), []).append(_NUMBER.findall(part))
    for words, numbers in found.items():
        ranges = [_range(values) for values in zip(*numbers, strict=True)]
        text = "".join(word + shown for word, shown in zip(words, [*ranges, ""], strict=True))
        yield text, len(numbers)


def _range(values: Sequence[str]) -> str:
    low, high = min(values, key=float), max(values, key=float)
    return low if float(low) == float(high) else f"{low} to {high}"
