"""What hangs on the bus with nothing on it: the meter's input, and the leakage and capacitance of relays and cables."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drivers.bare_bus import BareBus, BareLog
from procedures.check_meter import TOO_SLOW, Timing, released_log
from procedures.check_resistors import LEAST_RAIL_V, mean_of, read_point
from procedures.check_settings import CheckSettings
from results.analysis.check.check_rule import judged, open_item
from results.analysis.findings import Value
from results.analysis.trace.reading import read_trace
from results.record.check import CheckItem
from results.record.trace import Trace

PAIRS = 10
INPUT_TOLERANCE = 0.02
"""Relative, of the meter's input resistance as the bench file states it."""

LEAKAGE_S = 1e-9
"""What a fixture may leak beyond twice what the bench file states: 1 GΩ takes 2 nA at 2 V."""

SLOW_LOG_S = 1.0
"""How long the bus is logged at high impedance, in bench seconds: 120 pF and 1 GΩ have 0.12 s."""

SLOW = Timing(5e-3, round(SLOW_LOG_S / 5e-3), 2.5e-3)
CAPACITANCE_SHARE = 0.5
"""By how much the capacitance may differ from the bench file's, relative."""

MOST_F = 1e-9
"""What relays and cables may have where the bench file states nothing."""


@dataclass(frozen=True)
class Load:
    """What hangs on the bare bus: siemens and farad, None where not determined."""

    meter_s: Value | None = None
    leakage_s: Value | None = None
    capacitance_f: Value | None = None


def bus_load(bus: BareBus, settings: CheckSettings, resistors: dict[str, Value]) -> Value | None:
    """Conductance of all that is on the bare bus: by two ways to the rail, else by the source; None without either."""
    found = [_by_two_ways(bus, settings, resistors), _by_source(bus, settings)]
    known = [one for one in found if one is not None]
    return min(known, key=lambda one: one.u) if known else None


def _by_two_ways(bus: BareBus, settings: CheckSettings, resistors: dict[str, Value]) -> Value | None:
    other = next((wire for wire in settings.leading_to("rail") if wire != "rail"), None)
    if other is None or not bus.has("rail"):
        return None
    ohms = {wire: resistors.get(wire) or nominal(settings, wire) for wire in ("rail", other)}
    large, small = sorted(ohms, key=lambda wire: -ohms[wire].value)
    read: dict[str, list[float]] = {large: [], small: []}
    for _ in range(PAIRS):
        for way, readings in read.items():
            with bus.closed(way):
                readings.append(bus.read())
    return two_way_load(read[large], read[small], ohms[large], ohms[small])


def nominal(settings: CheckSettings, wire: str) -> Value:
    """A resistor as the bench file has it, in ohm."""
    conductance_s = settings.resistors[wire].conductance_s
    return Value(1.0 / conductance_s, settings.resistors[wire].conductance_u_s / conductance_s**2)


def two_way_load(by_rail: list[float], by_press: list[float], rail: Value, press: Value) -> Value | None:
    """Kirchhoff for both ways, V (1 + R G) = V_rail, solved for G. One meter reads both at nearly the same voltage: its
    gain and offset drop out. None where there is no rail."""
    pairs = [high - low for low, high in zip(by_rail, by_press, strict=True)]
    rail_v, press_v = sum(by_rail) / len(by_rail), sum(by_press) / len(by_press)
    if rail_v < LEAST_RAIL_V:
        return None
    difference = mean_of(pairs)
    lever = rail.value * rail_v - press.value * press_v
    if lever < 0.1 * rail.value * rail_v:
        return None  # the two resistors are too much alike
    load_s = difference.value / lever
    u_lever = math.hypot(rail.u * rail_v, press.u * press_v) / lever
    return Value(load_s, math.hypot(difference.u / abs(lever), load_s * u_lever))


def _by_source(bus: BareBus, settings: CheckSettings) -> Value | None:
    """Current over voltage; the source's own offset is what limits it."""
    if settings.source is None:
        return None
    with bus.forced(settings.press.rail_v):
        point = read_point(bus)
    if point.bus.value < LEAST_RAIL_V:
        return None
    limit_s = settings.source.accuracy_a / point.bus.value / math.sqrt(3.0)
    return Value(point.source.value / point.bus.value, math.hypot(limit_s, point.source.u / point.bus.value))


def fixture_items(
    bus: BareBus, settings: CheckSettings, load: Value | None, resistors: dict[str, Value], zero_v: float
) -> tuple[list[CheckItem], Load]:
    """Meter input, leakage and capacitance. `zero_v`: what the meter reads on the grounded bus.

    Apart they are told only where the meter has a high input impedance too.
    """
    way = next(iter(settings.leading_to("rail")), "source" if settings.source is not None else None)
    capacitance, rest_v = _capacitance(bus, settings, load, way)
    leakage = _leakage(bus, settings, way, capacitance, resistors)
    items = [
        judge_input(load, leakage, settings),
        judge_leakage(leakage, settings),
        judge_capacitance(capacitance, settings),
        judge_rest(rest_v, zero_v, load, settings),
    ]
    meter = _meter_input(load, leakage, settings)
    known = [None if isinstance(one, str) else one for one in (leakage, capacitance)]
    return items, Load(meter, known[0], known[1])


def _capacitance(
    bus: BareBus, settings: CheckSettings, load: Value | None, way: str | None
) -> tuple[Value | str, Value | None]:
    """From the time constant with which the bus falls, and the voltage at which it comes to rest."""
    if way is None or load is None or load.value <= 0.0:
        return "no way to charge the bus, or its load is not determined", None
    press = settings.press
    log = released_log(bus, settings, (way,))
    if log is None:
        return TOO_SLOW, None
    volts = log.readings.voltage_v
    found = read_trace(
        Trace(log.readings.time_s, volts), rail_v=press.rail_v, levels=settings.levels, meter=settings.meter,
        allowed_s=press.log_s,
    )  # fmt: skip
    rest = None if found.settled is None else Value(found.settled.voltage_v, found.settled.u_noise_v)
    decay = found.decay
    if decay is None or decay.time_constant_s is None or decay.u_s is None or decay.is_upper_bound:
        faster = "the bus falls faster than the log can tell" if decay is not None and decay.is_upper_bound else ""
        return faster or found.problem or (decay.reason if decay else "") or "no time constant came out", rest
    tau = Value(decay.time_constant_s, decay.u_s)
    farad = tau.value * load.value
    return Value(farad, farad * math.hypot(tau.u / tau.value, load.u / load.value)), rest


def _leakage(
    bus: BareBus, settings: CheckSettings, way: str | None, capacitance: Value | str, resistors: dict[str, Value]
) -> Value | str:
    """Conductance of the fixture alone: the load of the bus with the meter at its high input impedance."""
    with bus.high_impedance() as input_ohm:
        if input_ohm is None:
            return "the meter has no high input impedance by which its own load could be taken away"
        large = bus_load(bus, settings, resistors)
        if large is not None and large.value > 10.0 * large.u:
            return _less_input(large, input_ohm)
        if way is None or isinstance(capacitance, str):
            return "the capacitance of the bus is not determined"
        log = released_log(bus, settings, (way,), SLOW)
    if log is None:
        return TOO_SLOW
    return slow_leakage(log, capacitance, input_ohm, settings.press.rail_v)


def slow_leakage(log: BareLog, capacitance: Value, input_ohm: float, rail_v: float) -> Value | str:
    """C times the slope of ln V while the bus falls by itself, less the meter's high impedance."""
    volts, time_s = log.readings.voltage_v, log.readings.time_s
    falling = (volts < 0.98 * np.nanmax(volts)) & (volts > 0.1 * rail_v)
    if np.count_nonzero(falling) < 10:
        high = float(np.nanmin(volts)) > 0.1 * rail_v
        return "the bus does not fall within the log" if high else "the bus falls at once"
    slope = np.polynomial.Polynomial.fit(time_s[falling], np.log(volts[falling]), 1).convert().coef[1]
    value_s = -float(slope) * capacitance.value
    return _less_input(Value(value_s, abs(value_s) * capacitance.u / capacitance.value), input_ohm)


def _less_input(total: Value, input_ohm: float) -> Value:
    """A high impedance is stated as "more than": its load lies between nothing and that (rectangular)."""
    half_s = 0.5 / input_ohm
    return Value(total.value - half_s, math.hypot(total.u, half_s / math.sqrt(3.0)))


def _meter_input(load: Value | None, leakage: Value | str, settings: CheckSettings) -> Value | None:
    if load is None:
        return None
    beside = Value(settings.fixture.conductance_s, 0.0) if isinstance(leakage, str) else leakage
    return Value(load.value - beside.value, math.hypot(load.u, beside.u))


def judge_input(load: Value | None, leakage: Value | str, settings: CheckSettings) -> CheckItem:
    name = "meter input resistance"
    meter_s = _meter_input(load, leakage, settings)
    if meter_s is None or meter_s.value <= 0.0:
        return open_item(name, "needs two ways to the rail, or a source", "Ω")
    ohm, u_ohm = 1.0 / meter_s.value, meter_s.u / meter_s.value**2
    note = "the fixture's leakage is in it, less what the bench file states" if isinstance(leakage, str) else ""
    stated = settings.meter.input_ohm
    if stated is None:
        return CheckItem(name, "not applicable", ohm, "Ω", u_ohm, note="meter.input_resistance is not stated")
    low, high = stated * (1.0 - INPUT_TOLERANCE), stated * (1.0 + INPUT_TOLERANCE)
    return judged(name, ohm, "Ω", u_ohm, low=low, high=high, note=note)


def judge_leakage(leakage: Value | str, settings: CheckSettings) -> CheckItem:
    if isinstance(leakage, str):
        return open_item("fixture leakage", leakage, "S")
    high = 2.0 * settings.fixture.conductance_s + LEAKAGE_S
    return judged("fixture leakage", leakage.value, "S", leakage.u, high=high, note="no select relay closed")


def judge_capacitance(capacitance: Value | str, settings: CheckSettings) -> CheckItem:
    name, stated = "fixture capacitance", settings.fixture.capacitance_f
    if isinstance(capacitance, str):
        return open_item(name, capacitance, "F")
    low = (1.0 - CAPACITANCE_SHARE) * stated if stated else None
    high = (1.0 + CAPACITANCE_SHARE) * stated if stated else MOST_F
    return judged(name, capacitance.value, "F", capacitance.u, low=low, high=high, note="the meter's own included")


def judge_rest(rest_v: Value | None, zero_v: float, load: Value | None, settings: CheckSettings) -> CheckItem:
    """How far above the grounded bus the bare one comes to rest: a leak to the rail, or from the meter's input, would
    hold it up."""
    name, limit = "bus at rest", settings.meter.accuracy_v
    if rest_v is None:
        return open_item(name, "the bare bus did not come to rest within the log", "V")
    held = "" if load is None else f"; 1 mV there is {load.value * 1e-3 * 1e12:.3g} pA"
    return judged(
        name, rest_v.value - zero_v, "V", rest_v.u, low=-limit, high=limit, note=f"less the meter's zero{held}"
    )
