"""The recommended resistor and the next values of its series: margin, current and power when pressed, release time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from results.analysis.findings import PinFinding
from results.analysis.found.fitting import Clears, SafeLimit, SeriesValue, Which
from results.analysis.resistor.fall_time import fall_time
from results.record.run_record import Rules, RunRecord
from results.record.trial import Pin
from results.series import neighbours


def with_neighbours(record: RunRecord, pins: Sequence[PinFinding]) -> tuple[PinFinding, ...]:
    """The pins, each for which a value is recommended with that value and its neighbours beside it. Pure."""
    return tuple(
        pin if pin.advice.ohm is None else replace(pin, advice=replace(pin.advice, neighbours=beside(record, pin)))
        for pin in pins
    )


def beside(record: RunRecord, pin: PinFinding) -> tuple[SeriesValue, ...]:
    """The next value down, the recommended one, the next up (IEC 60063); none where none is recommended."""
    return () if pin.advice.ohm is None else around(record, pin, pin.advice.ohm)


def around(record: RunRecord, pin: PinFinding, ohm: float) -> tuple[SeriesValue, ...]:
    """What `ohm` and the values of the series next to it do on this pin, smallest first."""
    down, up = neighbours(record.rules.series, ohm)
    named: tuple[tuple[Which, float], ...] = (("next down", down), ("recommended", ohm), ("next up", up))
    return tuple(series_value(record, pin, which, value) for which, value in named)


def series_value(record: RunRecord, pin: PinFinding, which: Which, ohm: float) -> SeriesValue:
    """What a resistor of this nominal value does on this pin under its condition."""
    record = record.under(pin.condition)
    rail_v, rules = record.rail_v, record.rules
    known = {one.name: one for one in record.pins}.get(pin.pin, Pin(pin.pin))
    margin = None if pin.advice.limit is None else margin_to(pin.advice.limit, ohm, rules)
    inside_a = 0.0 if pin.pull_down is None else rail_v / pin.pull_down.value
    pressed_a = rail_v / ohm + inside_a
    # V_IL may follow the rail.
    release_time_s, release_from = fall_time(record.under(pin.condition), known, pin, ohm)
    return SeriesValue(
        which=which,
        ohm=ohm,
        margin=margin,
        clears=clears(pin.advice.limit, ohm, rules),
        keeps_margin=margin is not None and margin >= rules.margin - 1e-9,
        pressed_a=pressed_a,
        resistor_w=rail_v**2 / ohm,
        rail_w=rail_v * pressed_a,
        pull_down_counted=pin.pull_down is not None,
        release_time_s=release_time_s,
        release_from=release_from,
    )


def margin_to(limit: SafeLimit, ohm: float, rules: Rules) -> float:
    """Relative margin in conductance of a part at the upper end of its tolerance to the lower limit."""
    return limit.low_ohm / (ohm * (1.0 + rules.advised_tolerance)) - 1.0


def clears(limit: SafeLimit | None, ohm: float, rules: Rules) -> Clears:
    """Whether such a part, wherever within its tolerance, clears the pin, lets it stick, or neither is shown."""
    if limit is None:
        return "not shown"
    if margin_to(limit, ohm, rules) >= 0.0:
        return "clears"
    sticks = limit.high_ohm is not None and ohm * (1.0 - rules.advised_tolerance) > limit.high_ohm
    return "sticks" if sticks else "not shown"
