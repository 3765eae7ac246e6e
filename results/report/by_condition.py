"""What the report says once and not under every condition: their names, counts that agree, a pin that does the same."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from results.analysis.conditions.over_conditions import worst_of
from results.analysis.findings import PinFinding, RunFinding
from results.analysis.resistor.board_advice import condition_text
from results.record.trial import Condition
from results.report.headline import NONCONFORMING
from results.words import words_for

MOST_LINES = 12
"""Conditions that page one lists with their counts; more stand in the sections."""


def short_texts(conditions: Iterable[Condition]) -> dict[Condition, str]:
    """Each condition by what tells it from the others: "3.6 V, neighbours pressed"; in full where it is the only one.

    A part that all have in common (mostly the pin setup) is left out.
    """
    parts = {one: condition_text(one).split(", ") for one in dict.fromkeys(conditions)}
    if len(parts) < 2:
        return {one: ", ".join(each) for one, each in parts.items()}
    common = set.intersection(*(set(each) for each in parts.values()))
    return {
        one: ", ".join(part for part in each if part not in common) or ", ".join(each) for one, each in parts.items()
    }


def counts_by_condition(finding: RunFinding) -> list[tuple[str, str]]:
    """How many pins stay high under each condition; one line where it is the same under all; none for one condition."""
    texts = short_texts(pin.condition for pin in finding.pins)
    if len(texts) < 2:
        return []
    said = [(text, _count(finding, condition)) for condition, text in texts.items()]
    counts = {count for _, count in said}
    if len(counts) == 1:
        return [(f"Under each of {len(said)} conditions", counts.pop())]
    left = len(said) - MOST_LINES
    return said if left <= 0 else [*said[:MOST_LINES], (f"{left} more conditions", "see section 1")]


def _count(finding: RunFinding, condition: Condition) -> str:
    pins = [pin for pin in finding.pins if pin.condition == condition]
    bad = sum(pin.verdict in NONCONFORMING for pin in pins)
    return f"{bad} of {len(pins)} {words_for(finding.record.press_to, 'stay high')}"


def suspects_of(finding: RunFinding) -> list[PinFinding]:
    """The pins that did not simply release and have a trace to show, in the order of the findings.

    Of the conditions under which a pin came to the same verdict, the worst.
    """
    alike: dict[tuple[str, str], list[PinFinding]] = {}
    for pin in finding.pins:
        if pin.verdict != "released" and has_trace(pin):
            alike.setdefault((pin.pin, pin.verdict), []).append(pin)
    shown = [worst_of(pins) or pins[0] for pins in alike.values()]
    return [pin for pin in finding.pins if any(pin is one for one in shown)]


def left_out(pins: Sequence[PinFinding], shown: Sequence[PinFinding]) -> str:
    """Why not every condition is shown; empty where each is."""
    suspects = [pin for pin in pins if pin.verdict != "released" and has_trace(pin)]
    return "Of conditions with the same verdict on a pin, the worst is shown." if len(suspects) > len(shown) else ""


def has_trace(pin: PinFinding) -> bool:
    return any(row.observation is not None and len(row.observation.trace) for row in pin.rows)
