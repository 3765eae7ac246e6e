"""One resistor for the whole unit: the worst over its pins, and over the conditions in which it is really used."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from results.analysis.findings import PinFinding
from results.analysis.found.fitting import BoardAdvice, Clears, PinFit, SeriesValue
from results.analysis.resistor.neighbours import around, margin_to
from results.analysis.verdict import STUCK
from results.quantity import show
from results.record.run_record import RunRecord
from results.record.trial import NO_CAPACITOR, Condition

_WORST_FIRST: tuple[Clears, ...] = ("sticks", "not shown", "clears")


def board_advice(record: RunRecord, pins: Sequence[PinFinding]) -> BoardAdvice:
    """What to fit on every pin of the unit that needs a resistor.

    A condition whose pin setup only takes the leak away (the input buffer off, where the plan names that setup) does
    not count, nor does the state as found: it was made by nobody, and no resistor was tried in it; nor one with a
    capacitor added, where the pin was tried without it, too. Of each pin the smallest value over all others counts, of
    the unit the smallest of its pins. A pin without one leaves the unit without one: what suits the others alone is no
    value for the unit. Pure.
    """
    reasons = [_why_left_out(record, pin, pins) for pin in pins]
    used = [pin for pin, why in zip(pins, reasons, strict=True) if not why]
    left_out = tuple(dict.fromkeys(why for why in reasons if why))
    names = list(dict.fromkeys(pin.pin for pin in pins))
    fits = tuple(_pin_fit(name, used, pins) for name in names)
    needing = [fit for fit in fits if fit.needed is not False]
    open_pins = tuple(fit.pin for fit in needing if fit.ohm is None)
    named = [fit.ohm for fit in needing if fit.ohm is not None]
    so_far_ohm = min(named, default=None)
    ohm = None if open_pins else so_far_ohm
    asked = [pin for pin in used if pin.advice.ohm is not None]
    values = () if so_far_ohm is None else _worst_values([around(record, pin, so_far_ohm) for pin in asked])
    worst = _least_margin(record, asked, so_far_ohm)
    return BoardAdvice(
        needed=_needed(fits),
        ohm=ohm,
        so_far_ohm=so_far_ohm,
        margin=None if worst is None else worst[0],
        worst_pin="" if worst is None else worst[1].pin,
        worst_condition=None if worst is None else worst[1].condition,
        open_pins=open_pins,
        pins=fits,
        neighbours=values,
        left_out=left_out,
        tried_only=any(pin.advice.limit is None or pin.advice.limit.source != "sweep" for pin in asked),
        reason=_reason(record, fits, needing, ohm, worst),
    )


def _why_left_out(record: RunRecord, pin: PinFinding, pins: Sequence[PinFinding]) -> str:
    off = None if record.sweep is None or record.sweep.leak_setups is None else record.sweep.leak_setups[1]
    if pin.condition.pin_setup == off:
        return f"{off}: the input buffer is off, for the leak alone"
    if pin.rows and all(row.trial.as_found for row in pin.rows):
        return f"{pin.condition.pin_setup}: before the first reset, pin setup not known"
    added = pin.condition.capacitor
    bare = any(one.pin == pin.pin and one.condition.capacitor == NO_CAPACITOR for one in pins)
    if added != NO_CAPACITOR and bare:
        return f"{added} added: slower than the unit is, to see the margin near the fold"
    return ""


def _pin_fit(name: str, used: Sequence[PinFinding], pins: Sequence[PinFinding]) -> PinFit:
    """The smallest value of a pin over its conditions; none where it is missing under one that asks for it."""
    mine = [pin for pin in used if pin.pin == name]
    if not mine:
        only = next(pin for pin in pins if pin.pin == name)
        return PinFit(name, only.condition, None, None, None, "tried under no condition that counts")
    open_ = [pin for pin in mine if pin.advice.needed is not False and pin.advice.ohm is None]
    if open_:
        # One that surely needs a resistor says more than one of which nothing is known.
        worst = min(open_, key=lambda pin: pin.advice.needed is not True)
        return PinFit(name, worst.condition, worst.advice.needed, None, None, worst.advice.reason)
    asked = [pin for pin in mine if pin.advice.ohm is not None]
    if asked:
        worst = min(asked, key=lambda pin: (pin.advice.ohm or 0.0, pin.advice.margin or 0.0))
        needed = True if any(pin.advice.needed for pin in mine) else worst.advice.needed
        return PinFit(name, worst.condition, needed, worst.advice.ohm, worst.advice.margin, worst.advice.reason)
    stuck = next((pin for pin in pins if pin.pin == name and pin not in mine and _stuck_as_found(pin)), None)
    if stuck is not None:
        reason = f"{stuck.verdict} as found, but released in every pin setup that was made"
        return PinFit(name, stuck.condition, None, None, None, reason)
    return PinFit(name, mine[0].condition, False, None, None, mine[0].advice.reason)


def _stuck_as_found(pin: PinFinding) -> bool:
    return pin.verdict in STUCK and any(row.trial.as_found for row in pin.rows)


def _needed(fits: Iterable[PinFit]) -> bool | None:
    said = [fit.needed for fit in fits]
    return True if True in said else None if None in said or not said else False


def _least_margin(record: RunRecord, asked: Sequence[PinFinding], ohm: float | None) -> tuple[float, PinFinding] | None:
    """The smallest margin that the value keeps, and where."""
    if ohm is None:
        return None
    found = [
        (margin_to(pin.advice.limit, ohm, record.rules), number)
        for number, pin in enumerate(asked)
        if pin.advice.limit is not None
    ]
    if not found:
        return None
    margin, number = min(found)
    return margin, asked[number]


def _worst_values(of_pins: Sequence[tuple[SeriesValue, ...]]) -> tuple[SeriesValue, ...]:
    """Each of the three values at its worst over the pins."""
    return tuple(_worst_value(values) for values in zip(*of_pins, strict=True))


def _worst_value(values: Sequence[SeriesValue]) -> SeriesValue:
    margins = [value.margin for value in values]
    times = [value.release_time_s for value in values]
    slowest = max(values, key=lambda value: value.release_time_s or 0.0)
    unknown = next((value for value in values if value.release_time_s is None), None)
    return SeriesValue(
        which=values[0].which,
        ohm=values[0].ohm,
        margin=None if None in margins else min(margin for margin in margins if margin is not None),
        clears=min((value.clears for value in values), key=_WORST_FIRST.index),
        keeps_margin=all(value.keeps_margin for value in values),
        pressed_a=max(value.pressed_a for value in values),
        resistor_w=max(value.resistor_w for value in values),
        rail_w=max(value.rail_w for value in values),
        pull_down_counted=all(value.pull_down_counted for value in values),
        release_time_s=None if None in times else slowest.release_time_s,
        release_from=slowest.release_from if unknown is None else unknown.release_from,
    )


def _reason(
    record: RunRecord,
    fits: Sequence[PinFit],
    needing: Sequence[PinFit],
    ohm: float | None,
    worst: tuple[float, PinFinding] | None,
) -> str:
    if not needing:
        return "none needed on any pin" if fits else "no pin was tried"
    missing = [fit for fit in needing if fit.ohm is None]
    if missing:
        said = "; ".join(f"{fit.pin}: {fit.reason or 'no reason given'}" for fit in missing)
        return f"not determined: {said}"
    assert ohm is not None
    count = f"{len(needing)} of {len(fits)} pins"
    smallest = f"the smallest of the values of {count}, each over the conditions tried"
    if worst is None:
        return smallest
    # Rounded down: a margin must not be shown larger than it is.
    margin = f"{int(100.0 * worst[0] + 1e-9)} %"
    wanted = show(record.rules.margin, "%")
    return f"{smallest}; least margin {margin} (asked {wanted}) at {worst[1].pin}, {condition_text(worst[1].condition)}"


def condition_text(condition: Condition) -> str:
    """Pin setup, rail, temperature, what was added, neighbours: "reset default, 3.3 V, 23.4 °C, neighbours pressed"."""
    parts = [condition.pin_setup, show(condition.rail_v, "V")]
    if condition.temperature_c is not None:
        parts.append(show(condition.temperature_c, "°C"))
    if condition.capacitor != NO_CAPACITOR:
        parts.append(f"{condition.capacitor} added")
    if condition.neighbours:
        parts.append(f"neighbours {condition.neighbours}")
    return ", ".join(filter(None, parts))
