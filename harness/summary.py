"""What a run comes to, in a few lines: the pins that stick, what to fit, and how sure that is."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from harness.errors import ALL_RELEASED, BENCH_FAILED, OTHER_VERDICT
from results.analysis.conditions.dwell_text import dwell_text
from results.analysis.conditions.over_conditions import worst_of
from results.analysis.findings import PinFinding, RunFinding
from results.analysis.found.coupon_item import is_void
from results.analysis.found.fitting import BoardAdvice
from results.analysis.remedies.remedy_text import clears_text, side_by_side
from results.analysis.resistor.board_advice import condition_text
from results.quantity import resistor_name, show
from results.words import words_for


def status_of(finding: RunFinding) -> int:
    """Exit status of a run that was carried out: 0 where every planned trial was made and released,
    every planned sweep shows that no resistor is needed, and every long dwell that it stays so; else 1; 3 where a check
    coupon makes the run void."""
    if is_void(finding.coupons):
        return BENCH_FAILED
    released = all(row.verdict == "released" for row in finding.trials)
    # A sweep that says nothing, or that asks for a resistor, is no all-clear either.
    clear = all(pin.sweep is None or pin.sweep.needed is False for pin in finding.pins)
    # Nor is a pin that minutes show otherwise.
    steady = all(
        pin.dwell is None or (pin.dwell.early_word, pin.dwell.late_word) == ("released", "released")
        for pin in finding.pins
    )
    unharmed = all(item.verdict != "fail" for item in finding.damage)
    return ALL_RELEASED if released and clear and steady and unharmed else OTHER_VERDICT


def summary_lines(finding: RunFinding) -> Iterator[str]:
    """One line a pin that is anything but released, worst first as the pins stand, then what holds for all."""
    of_pins = _over_conditions(finding.pins)
    bad = [pins for pins in of_pins if any(pin.verdict != "released" for pin in pins)]
    good = len(of_pins) - len(bad)
    unit = finding.record.unit
    if finding.altered:
        files = ", ".join(dict.fromkeys(line.partition(": ")[0] for line in finding.altered))
        yield f"WARNING: the evidence has changed since it was sealed: {files}"
    harmed = [item.name for item in finding.damage if item.verdict == "fail"]
    if harmed:
        yield f"DAMAGE? the leakage changed over the run: {', '.join(harmed)}"
    if is_void(finding.coupons):
        wrong = [f"{one.item.name} {one.when}" for one in finding.coupons if one.item.verdict == "fail"]
        yield f"VOID: {', '.join(wrong)}: a check coupon was not seen as what it is"
    yield f"{unit.name} {unit.serial}: {good} of {len(of_pins)} pins released every time without a resistor"
    for pins in bad:
        worst = worst_of(pins) or pins[0]
        under = f" under {condition_text(worst.condition)} (of {len(pins)} conditions)" if len(pins) > 1 else ""
        yield f"  {_pin_line(worst, under, finding.board_advice, finding.record.press_to)}"
    for pin in finding.pins:
        if pin.dwell is not None and (pin.dwell.sticks or pin.dwell.changes):
            yield f"  {pin.pin} on a long dwell: {dwell_text(pin.dwell)}"
    yield from _fit_lines(finding.board_advice)
    yield from _rate_lines(finding)
    for row in side_by_side(finding):
        verb = " clears" if row.latching else ":"
        yield f"{words_for(finding.record.press_to, row.remedy)}{verb} {clears_text(row, ' pins that latch')}"
    for note in finding.notes:
        yield f"note: {note}"


def _over_conditions(pins: Sequence[PinFinding]) -> list[list[PinFinding]]:
    """The findings of one pin in one setup together, over rails, temperatures and states of its neighbours."""
    found: dict[tuple[str, str], list[PinFinding]] = {}
    for pin in pins:
        found.setdefault((pin.pin, pin.condition.pin_setup), []).append(pin)
    return list(found.values())


def _pin_line(pin: PinFinding, under: str, board: BoardAdvice | None, press_to: str) -> str:
    """`under`: the condition, where there are several. What to fit is what suits the pin under all that count."""
    parts = [f"{pin.pin}: {pin.verdict}{under}"]
    levels = [row.settled.value for row in pin.rows if row.settled is not None and row.trial.resistor == "none"]
    if levels and pin.stuck_trials:
        worst_v = max(levels) if press_to == "rail" else min(levels)
        parts.append(f"rests at {show(worst_v, 'V', digits=4)}")
    if pin.stuck_trials:
        parts.append(f"stuck in {pin.stuck_trials} of {pin.trials} trials without a resistor")
    elif pin.note:
        parts.append(pin.note.split("; ")[0])
    fit = next((one for one in (() if board is None else board.pins) if one.pin == pin.pin), None)
    ohm, reason = (pin.advice.ohm, pin.advice.reason) if fit is None else (fit.ohm, fit.reason)
    if ohm is not None:
        parts.append(f"fit {resistor_name(ohm)}")
    elif reason:
        parts.append(reason)
    return ", ".join(parts)


def _fit_lines(board: BoardAdvice | None) -> Iterator[str]:
    """One value for every pin that needs one, over all conditions; or why there is none."""
    if board is None or board.needed is False or (board.so_far_ohm is None and board.needed is None):
        return
    if board.ohm is not None:
        yield f"one value for the whole unit: {resistor_name(board.ohm)}, {board.reason}"
        return
    open_pins = ", ".join(board.open_pins)
    others = "" if board.so_far_ohm is None else f"; {resistor_name(board.so_far_ohm)} suits all others that need one"
    yield f"one value for the whole unit: not determined, as none can be named for {open_pins}{others}"


def _rate_lines(finding: RunFinding) -> Iterator[str]:
    """Whether the stuck rate that the plan asks about is shown, and on which pins it is not."""
    asked = finding.record.rate_asked
    if asked is None:
        return
    open_pins = dict.fromkeys(pin.pin for pin in finding.pins if pin.stuck_rate is None or not pin.stuck_rate.shown)
    answer = f"not shown on {', '.join(open_pins)}" if open_pins else "shown on every pin"
    yield f"asked: {asked.text}: {answer}"
