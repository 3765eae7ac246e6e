"""The first sentence of the report: which pins, how bad, what to fit; and the pins as the map shows them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, get_args

from results.analysis.conditions.over_conditions import required_s
from results.analysis.findings import PinFinding, RunFinding, Verdict
from results.analysis.found.coupon_item import is_void
from results.report.confidence import WORTHLESS, names
from results.report.numbers import plain
from results.report.wording import SYMBOLS
from results.words import words_for

NONCONFORMING = ("stuck high", "stuck low", "stuck between", "held at press level")
IN_HEADLINE = 4
"""Pins named in the headline itself, so that it stays one look."""

VERDICTS: tuple[str, ...] = get_args(Verdict)
"""Worst first; the last three are no evidence either way."""


def worst_of(pins: Sequence[PinFinding]) -> dict[str, PinFinding]:
    """The worst finding of each pin over its conditions, by pin name, in the order found.

    Of equally bad ones that which asks for the largest conductance.
    """
    worst: dict[str, PinFinding] = {}
    for pin in pins:
        seen = worst.get(pin.pin)
        if seen is None or _badness(pin) < _badness(seen):
            worst[pin.pin] = pin
    return worst


def _badness(pin: PinFinding) -> tuple[int, float]:
    """Sorts the worst first."""
    return VERDICTS.index(pin.verdict), -required_s(pin)


def headline(finding: RunFinding) -> dict[str, Any]:
    """The headline, the tone it is set in (nonconforming, open, clear), and the sentences under it."""
    if is_void(finding.coupons):
        text = "This run is void: a check coupon was not seen as what it is."
        return {"text": text, "tone": "nonconforming", "details": []}
    worst = worst_of(finding.pins)
    bad = [pin for pin in worst.values() if pin.verdict in NONCONFORMING]
    judged = [pin for pin in worst.values() if pin.verdict not in WORTHLESS]
    undecided = [pin for pin in worst.values() if pin.verdict == "undecided"]
    somewhere = " under at least one condition" if len({pin.condition for pin in finding.pins}) > 1 else ""
    level = words_for(finding.record.press_to, "high")
    total, pins = len(worst), "pin" if len(worst) == 1 else "pins"
    if bad:
        stay = "stays" if len(bad) == 1 else "stay"
        text = f"{len(bad)} of {total} {pins} {stay} {level}{somewhere}; {_remedy(finding)}."
        tone = "nonconforming"
    elif not judged:
        text, tone = "No pin could be judged.", "open"
    elif len(judged) < total or undecided or any(pin.verdict == "slow" for pin in judged):
        clear = sum(pin.verdict == "released" for pin in judged)
        text, tone = f"No pin is shown to stay {level}; {clear} of {total} {pins} released as required.", "open"
    else:
        text, tone = f"{_all(total)} released as required.", "clear"
        unproven = sum(not pin.contact_proven for pin in worst.values())
        if unproven:
            on = "it" if total == 1 else "any" if unproven == total else f"{unproven} of them"
            text, tone = f"{_all(total)} released as required, but contact was not proven on {on}.", "open"
    return {"text": text, "tone": tone, "details": _details(worst, bad, finding)}


def tiles(finding: RunFinding) -> list[dict[str, str]]:
    """One tile a pin: name, symbol, word of its worst verdict."""
    return [
        {"name": name, "symbol": SYMBOLS[pin.verdict], "word": pin.verdict}
        for name, pin in worst_of(finding.pins).items()
    ]


def legend(finding: RunFinding) -> list[dict[str, str]]:
    """The verdicts that occur on the map, worst first, with how many pins have each."""
    seen = [pin.verdict for pin in worst_of(finding.pins).values()]
    return [
        {"symbol": SYMBOLS[verdict], "word": verdict, "count": str(seen.count(verdict))}
        for verdict in get_args(Verdict)
        if verdict in seen
    ]


def _all(total: int) -> str:
    return "The one pin" if total == 1 else f"All {total} pins"


def _remedy(finding: RunFinding) -> str:
    """What to fit on the pins that stayed high: the smallest value suits all of them."""
    fits = _fits(finding)
    unable = [name for name, ohm in fits.items() if ohm is None]
    values = [ohm for ohm in fits.values() if ohm is not None]
    if not values:
        return "no resistor to fit can be named"
    fit = f"fit {plain(min(values), 'Ω')} {words_for(finding.record.press_to, 'to ground')} on"
    if not unable:
        return f"{fit} {'each' if len(fits) > 1 else 'it'}"
    helped = [name for name, ohm in fits.items() if ohm is not None]
    return f"{fit} {names(helped, IN_HEADLINE)}; no value can be named for {names(unable, IN_HEADLINE)}"


def _fits(finding: RunFinding) -> dict[str, float | None]:
    """The value of each pin that stayed high, over all conditions that count; None where none can be named."""
    bad = list(dict.fromkeys(pin.pin for pin in finding.pins if pin.verdict in NONCONFORMING))
    if finding.board_advice is not None:
        named = {fit.pin: fit.ohm for fit in finding.board_advice.pins}
        return {name: named[name] for name in bad}
    return {name: _smallest([pin for pin in finding.pins if pin.pin == name]) for name in bad}


def _smallest(findings: Sequence[PinFinding]) -> float | None:
    """Without an advice for the unit: from the conditions under which the pin stayed high."""
    values = [pin.advice.ohm for pin in findings if pin.verdict in NONCONFORMING]
    known = [ohm for ohm in values if ohm is not None]
    return min(known) if len(known) == len(values) else None


def _details(worst: dict[str, PinFinding], bad: list[PinFinding], finding: RunFinding) -> list[str]:
    said = []
    for word in NONCONFORMING:
        group = [pin.pin for pin in bad if pin.verdict == word]
        if group:
            said.append(f"{word.capitalize()}: {names(group)}.")
    values = {pin.advice.ohm for pin in finding.pins if pin.verdict in NONCONFORMING and pin.advice.ohm is not None}
    if len(values) > 1:
        said.append("The smallest recommended value suits every pin for which one is named.")
    for word in ("undecided", "slow", *WORTHLESS):
        group = [name for name, pin in worst.items() if pin.verdict == word]
        if group:
            said.append(f"{word.capitalize()}: {names(group)}.")
    return said
