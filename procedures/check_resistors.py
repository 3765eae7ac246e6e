"""Every resistor that a relay puts on the bus, measured in its place: relay contact and wiring are part of it.

With a source: ohm by volts (the meter, at the bus) and amperes (the source); the lead and relay of the source carry
the current but not the reading. Then the dividers with the way to the rail are compared with what those values
predict. Without a source only the dividers are there: ratios, so that one resistor, the best known, is the measure of
all others.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from drivers.bare_bus import BareBus
from procedures.check_settings import CheckSettings
from results.analysis.check.check_rule import judged, open_item
from results.analysis.findings import Value
from results.record.check import CheckItem
from results.record.trial import Resistor

READINGS = 4
"""Readings of which a mean is taken: a type A uncertainty needs some."""

USED = 0.8
"""Of the source's current limit at most: beyond it compliance would decide."""

CLOSINGS = 5
CONTACT_OHM = 1.0
"""What a relay's contact may have, and by how much it may change from one closing to the next; signal and reed relays
have 0.05 to 0.2 Ω when new (common practice, no source)."""

LEAST_RAIL_V = 0.5
"""Below this there is no rail to measure by."""


@dataclass(frozen=True)
class Point:
    """Means of the bus (V) and of the source's current (A) with their type A standard uncertainties, source's volts."""

    bus: Value
    source: Value
    terminal_v: float


def measured_by_source(bus: BareBus, settings: CheckSettings) -> tuple[list[CheckItem], dict[str, Value]]:
    """Items and values (ohm) of every resistor, by wire."""
    items, found = [], {}
    for wire, resistor in settings.resistors.items():
        if wire == "source" or resistor.nominal_ohm is None:
            continue
        to_rail = wire in settings.leading_to("rail")
        conductance = _to_rail(bus, wire, resistor, settings) if to_rail else _to_ground(bus, wire, resistor, settings)
        item, value = judge_resistor(wire, resistor, conductance)
        items.append(item)
        if value is not None:
            found[wire] = value
    return items, found


def item_name(wire: str) -> str:
    """What the item of a resistor is called: "resistor press", "resistor 8.2 kΩ"."""
    return f"resistor {wire.removeprefix('fit.')}"


def judge_resistor(wire: str, resistor: Resistor, conductance: Value | str) -> tuple[CheckItem, Value | None]:
    """A resistor by its conductance in siemens (or why there is none), against its tolerance; and its ohms.

    A resistor that the bench file says was measured is held to that value, within the tolerance of the nominal one.
    """
    name = item_name(wire)
    nominal = resistor.nominal_ohm or math.nan
    if isinstance(conductance, str):
        return open_item(name, conductance, "Ω"), None
    limits = {"low": nominal * (1.0 - resistor.tolerance), "high": nominal * (1.0 + resistor.tolerance)}
    if conductance.value <= max(3.0 * conductance.u, 1e-3 / nominal):
        return CheckItem(
            name, "fail", None, "Ω", None, **limits, note="shows nothing: its relay does not close, or it is not there"
        ), None
    ohm = Value(1.0 / conductance.value, conductance.u / conductance.value**2)
    note = "relay contact and wiring included"
    return judged(name, ohm.value, "Ω", ohm.u, **limits, note=note), ohm


def _to_ground(bus: BareBus, wire: str, resistor: Resistor, settings: CheckSettings) -> Value | str:
    """Conductance of a resistor to ground: I/V with it less I/V without it."""
    level_v = _level(resistor, settings)
    with bus.forced(level_v):
        bare = read_point(bus)
        with bus.closed(wire):
            loaded = read_point(bus)
    return ground_conductance(bare, loaded, settings)


def ground_conductance(bare: Point, loaded: Point, settings: CheckSettings) -> Value | str:
    """Ohm's law at two points of nearly the same voltage; the offsets of the source's current all but cancel, and one
    of them is kept in the uncertainty."""
    volts = loaded.bus.value
    if volts < 0.05:
        return "the source does not reach the bus"
    value_s = loaded.source.value / volts - bare.source.value / bare.bus.value
    source = settings.source
    assert source is not None
    gain = math.hypot(source.accuracy_reading, settings.meter.accuracy_reading, settings.meter.accuracy_v / volts)
    limits_s = math.hypot(gain * value_s, source.accuracy_a / volts)
    noise_s = math.hypot(loaded.source.u / volts, bare.source.u / volts, loaded.bus.u / volts * value_s)
    return Value(value_s, math.hypot(limits_s / math.sqrt(3.0), noise_s))


def _to_rail(bus: BareBus, wire: str, resistor: Resistor, settings: CheckSettings) -> Value | str:
    """Conductance of a resistor to the rail: the slope of the source's current between two levels of the bus."""
    rail_v = settings.press.rail_v
    with bus.closed(wire):
        open_v = bus.read()
    if open_v < LEAST_RAIL_V:
        return f"no rail: behind it the bus stands at {open_v:.3f} V"
    drop_v = min(0.5 * rail_v, USED * settings.current_a * (resistor.nominal_ohm or 0.0))
    with bus.forced(min(rail_v, open_v)):
        bare_high = read_point(bus)
        bus.force(open_v - drop_v)
        bare_low = read_point(bus)
        with bus.closed(wire):
            low = read_point(bus)
            bus.force(open_v)
            high = read_point(bus)
    return rail_conductance((bare_high, bare_low), (high, low), settings)


def rail_conductance(bare: tuple[Point, Point], joined: tuple[Point, Point], settings: CheckSettings) -> Value | str:
    """(ΔI/ΔV with the resistor) less (ΔI/ΔV without): the rail itself drops out."""
    source = settings.source
    assert source is not None
    across_v = joined[0].bus.value - joined[1].bus.value
    bare_v = bare[0].bus.value - bare[1].bus.value
    if across_v < 0.05 or bare_v < 0.05:
        return "the source does not move the bus"
    load_s = (bare[0].source.value - bare[1].source.value) / bare_v
    value_s = (joined[0].source.value - joined[1].source.value) / across_v - load_s
    gain = math.hypot(source.accuracy_reading, settings.meter.accuracy_reading, settings.meter.accuracy_v / across_v)
    limits_s = math.hypot(gain * value_s, source.accuracy_a / across_v)
    amperes = math.hypot(*(point.source.u for point in (*bare, *joined))) / across_v
    volts = math.hypot(joined[0].bus.u, joined[1].bus.u) / across_v * value_s
    return Value(value_s, math.hypot(limits_s / math.sqrt(3.0), amperes, volts))


def _level(resistor: Resistor, settings: CheckSettings) -> float:
    return min(settings.press.rail_v, USED * settings.current_a * (resistor.nominal_ohm or 0.0))


def read_point(bus: BareBus) -> Point:
    """Volts and amperes, read in turn."""
    volts, amperes, terminals = [], [], []
    for _ in range(READINGS):
        volts.append(bus.read())
        terminal_v, ampere = bus.read_source()
        terminals.append(terminal_v)
        amperes.append(ampere)
    return Point(mean_of(volts), mean_of(amperes), sum(terminals) / READINGS)


def mean_of(readings: Sequence[float]) -> Value:
    """Mean of four readings or more with its type A standard uncertainty (JCGM 101:2008, 6.4.9.4): that of the scaled
    and shifted t-distribution, larger than s/√n by √((n − 1)/(n − 3)), since so few readings hardly tell their scatter.
    """
    n = len(readings)
    mean = sum(readings) / n
    return Value(mean, math.sqrt(sum((one - mean) ** 2 for one in readings) / (n * (n - 3))))


def source_path(bus: BareBus, settings: CheckSettings) -> list[CheckItem]:
    """The series path of the source, and how well a fit relay repeats itself."""
    names = ("source path", "relay contact")
    load = settings.load()
    if load is None:
        return [open_item(name, "needs a resistor to ground", "Ω") for name in names]
    with bus.forced(_level(settings.resistors[load], settings)):
        bare = read_point(bus)
        points = []
        for _ in range(CLOSINGS):
            with bus.closed(load):
                points.append(read_point(bus))
    return [judge_source_path(bare, points[0], settings.resistors["source"]), judge_contact(points)]


def judge_source_path(bare: Point, loaded: Point, resistor: Resistor) -> CheckItem:
    """What lies between the terminals of the source and the bus: its drop with current less its drop without."""
    amperes = loaded.source.value - bare.source.value
    if amperes < 1e-6:
        return open_item("source path", "the source drives no current", "Ω")
    drop_v = (loaded.terminal_v - loaded.bus.value) - (bare.terminal_v - bare.bus.value)
    ohm, u_ohm = drop_v / amperes, 2.0 * math.hypot(loaded.bus.u, bare.bus.u) / amperes
    nominal = resistor.nominal_ohm or 0.0
    low, high = nominal * (1.0 - resistor.tolerance) - 0.5, nominal * (1.0 + resistor.tolerance) + CONTACT_OHM
    note = "series resistor, relay contact and leads together"
    return judged("source path", ohm, "Ω", u_ohm, low=low, high=high, note=note)


def judge_contact(points: Sequence[Point]) -> CheckItem:
    """By how much a resistor differs from one closing of its relay to the next."""
    ohms = [point.bus.value / point.source.value for point in points if point.source.value > 1e-6]
    if len(ohms) < len(points):
        return open_item("relay contact", "the source drives no current", "Ω")
    noise = max(ohms) * max(math.hypot(p.bus.u / p.bus.value, p.source.u / p.source.value) for p in points)
    note = f"spread over {len(ohms)} closings of one relay; of other relays not determined"
    return judged("relay contact", max(ohms) - min(ohms), "Ω", noise, high=CONTACT_OHM, note=note)


def divider_readings(bus: BareBus, settings: CheckSettings) -> dict[str, dict[str, Value]]:
    """Of each way to the rail: volts with nothing on the bus (under ""), and with each switched trial resistor."""
    read: dict[str, dict[str, Value]] = {}
    if settings.press.press_to == "ground":
        return read  # trial resistors lead to the rail as well: there is no divider between them and a way to it
    for way in ("rail", "press"):
        if not bus.has(way):
            continue
        with bus.closed(way):
            read[way] = {"": mean_of([bus.read() for _ in range(READINGS)])}
        for wire in settings.resistors:
            if wire.startswith("fit."):
                with bus.closed(wire, way):
                    read[way][wire] = mean_of([bus.read() for _ in range(READINGS)])
    return {way: volts for way, volts in read.items() if volts[""].value > LEAST_RAIL_V}


def ratio(bare: Value, loaded: Value, settings: CheckSettings) -> Value:
    """G_fit/(G_way + G_load) = V_bare/V_loaded − 1: the load drops out to the second order.

    The meter's gain cancels; its offset stays, the same in both readings.
    """
    value = bare.value / loaded.value - 1.0
    offset = settings.meter.accuracy_v / math.sqrt(3.0) * abs(1.0 / bare.value - 1.0 / loaded.value)
    u = (1.0 + value) * math.hypot(bare.u / bare.value, loaded.u / loaded.value, offset)
    return Value(value, u)


def dividers_agree(
    read: Mapping[str, Mapping[str, Value]], found: Mapping[str, Value], load_s: float, settings: CheckSettings
) -> list[CheckItem]:
    """Every divider against what the values by the source predict: the largest normalised error E_n.

    E_n = |difference|/√(U₁² + U₂²), which must not exceed 1 (ISO/IEC 17043:2010, B.4).
    """
    errors = {}
    for way, volts in read.items():
        for wire in volts.keys() - {""}:
            if way in found and wire in found and volts[wire].value > 0.0:
                seen = ratio(volts[""], volts[wire], settings)
                expected = (1.0 / found[wire].value) / (1.0 / found[way].value + load_s)
                u = math.hypot(seen.u, expected * math.hypot(*(found[n].u / found[n].value for n in (way, wire))))
                errors[f"{way} with {wire.removeprefix('fit.')}"] = abs(seen.value - expected) / (2.0 * u)
    if not errors:
        return [open_item("dividers against source", "no divider was measured")]
    worst = max(errors, key=lambda name: errors[name])
    return [judged("dividers against source", errors[worst], "", high=1.0, note=f"largest E_n: {worst}")]


def measured_by_dividers(
    read: Mapping[str, Mapping[str, Value]], load_s: float, settings: CheckSettings
) -> tuple[list[CheckItem], dict[str, Value]]:
    """Every resistor from ratios alone, the best known one being the measure: its uncertainty is in all others."""
    fits = {wire: each for wire, each in settings.resistors.items() if wire.startswith("fit.")}
    wires = [*read, *fits]
    if not read or not fits:
        return [open_item(item_name(w), "no divider with the rail", "Ω") for w in wires], {}
    ratios = {
        (way, wire): ratio(volts[""], volts[wire], settings)
        for way, volts in read.items()
        for wire in fits
        if volts[wire].value > 0.0
    }
    known = min(wires, key=lambda wire: _relative_u(settings.resistors[wire]))
    items, found = [], {}
    for wire in wires:
        if wire == known:
            items.append(open_item(item_name(wire), "taken as the measure of all others", "Ω"))
            continue
        conductance = _by_ratios(wire, known, ratios, load_s, settings)
        item, value = judge_resistor(wire, settings.resistors[wire], conductance)
        items.append(item)
        if value is not None:
            found[wire] = value
    return items, found


def _relative_u(resistor: Resistor) -> float:
    return resistor.conductance_u_s / resistor.conductance_s if resistor.conductance_s else math.inf


def _by_ratios(
    wire: str, known: str, ratios: Mapping[tuple[str, str], Value], load_s: float, settings: CheckSettings
) -> Value | str:
    """Conductance of `wire` from that of `known`, through whichever divider holds both."""
    measure = settings.resistors[known]
    for way in dict.fromkeys(way for way, _ in ratios):
        way_s = _way_conductance(way, known, ratios, load_s, measure)
        if way_s is None:
            continue
        if wire == way:
            return way_s
        if (way, wire) in ratios:
            one = ratios[way, wire]
            value_s = one.value * (way_s.value + load_s)
            return Value(value_s, math.hypot(one.u * way_s.value, one.value * way_s.u))
    return "no divider leads from it to the best known resistor"


def _way_conductance(
    way: str, known: str, ratios: Mapping[tuple[str, str], Value], load_s: float, measure: Resistor
) -> Value | None:
    """Conductance of a way to the rail: its own, or by the divider with the known resistor, or by two dividers."""
    if way == known:
        return Value(measure.conductance_s, measure.conductance_u_s)
    if (way, known) in ratios:
        one = ratios[way, known]
        value_s = measure.conductance_s / one.value
        u_s = value_s * math.hypot(measure.conductance_u_s / measure.conductance_s, one.u / one.value)
        return Value(value_s - load_s, u_s)
    for w, fit in ratios:
        if w == known and (way, fit) in ratios:
            fit_s = ratios[w, fit].value * (measure.conductance_s + load_s)
            value_s = fit_s / ratios[way, fit].value
            parts = [ratios[w, fit].u / ratios[w, fit].value, ratios[way, fit].u / ratios[way, fit].value]
            return Value(
                value_s - load_s, value_s * math.hypot(measure.conductance_u_s / measure.conductance_s, *parts)
            )
    return None
