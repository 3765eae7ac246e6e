"""Is the bench what its file says? Every item with its number and its limits, before anything of a unit is believed.

No pin is on the bus throughout: whether a unit is in the fixture or not, nothing of it is pressed. What cannot be told
is said to be "not determined", with the reason; nothing is passed because nobody looked.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TypeVar

from drivers.bare_bus import BareBus
from drivers.bench import Bench
from drivers.errors import BenchError, StopRequestedError, WiringError
from procedures.bus_check import judge_bus
from procedures.check_fixture import Load, bus_load, fixture_items
from procedures.check_meter import long_log, meter_at_zero, meter_beside_relays, step_response
from procedures.check_resistors import (
    LEAST_RAIL_V,
    divider_readings,
    dividers_agree,
    item_name,
    measured_by_dividers,
    measured_by_source,
    source_path,
)
from procedures.check_settings import CheckSettings
from results.analysis.check.check_rule import judged, open_item
from results.analysis.findings import Value
from results.record.check import CheckItem
from results.record.trial import NO_RESISTOR

Found = TypeVar("Found")
Step = Callable[[BareBus], Found]


@dataclass
class BenchFound:
    """What a check brought home: items in order, resistors in ohm by wire, and what hangs on the bare bus."""

    items: list[CheckItem] = field(default_factory=list)
    resistors: dict[str, Value] = field(default_factory=dict)
    load: Load = field(default_factory=Load)


def bench_check(bench: Bench, settings: CheckSettings, tell: Callable[[str], None]) -> BenchFound:
    """Check the bench. `tell` hears what is about to be looked at.

    A failure of the bench at one item fails that item; the bench is then made safe and prepared anew, and the others
    are looked at. Raises BenchError where that does not succeed, StopRequestedError where a stop was asked for.
    """
    found = BenchFound()
    bench.label("bench check")
    if bench.fitted == "unknown" and any(bench.wiring.wires()):
        bench.fit(NO_RESISTOR)  # a person takes off whatever is fitted
    if not bench.bus_can_be_freed:
        why = "a person fits pins or resistors here: nothing is certain to be off the bus"
        found.items += [open_item(name, why) for name in ("relays", "meter zero", "resistors", "fixture")]
        return found
    tell("rail and relays")
    settings = _rail_and_relays(bench, settings, found)
    if found.items[-1].verdict == "fail":
        why = "the relays are not in order: whatever else were measured would be wrong"
        found.items += [open_item(name, why) for name in ("meter zero", "resistors", "fixture")]
        return found
    for name, step in (("meter zero", meter_at_zero), ("meter memory", long_log)):
        tell(name)
        found.items += _tried(bench, name, partial(step, settings=settings), found.items) or []
    _resistors_and_load(bench, settings, found, tell)
    # By a resistor that was seen to close: a dead relay is no fault of the meter.
    dead = {item.name for item in found.items if item.verdict == "fail" and item.value is None}
    alive = {wire: each for wire, each in settings.resistors.items() if item_name(wire) not in dead}
    settings = replace(settings, resistors=alive)
    for name, step in (("step response", step_response), ("meter while relays move", meter_beside_relays)):
        tell(name)
        found.items += _tried(bench, name, partial(step, settings=settings), found.items) or []
    return found


def _rail_and_relays(bench: Bench, settings: CheckSettings, found: BenchFound) -> CheckSettings:
    """The rail as it is, and the rules of procedures/bus_check on welded and dead relays."""
    press = settings.press
    rail_v = None
    if bench.rail_is_measurable:
        rail_v = bench.rail_voltage()
        settings = settings.with_rail(rail_v) if rail_v > LEAST_RAIL_V else settings
    rail = _rail_item(rail_v, settings)
    if rail_v is not None and rail_v <= LEAST_RAIL_V and not settings.rail_stated:
        rail = open_item("rail", f"{rail_v:.3f} V: the unit, or its supply, is off", "V")
    has_rail = rail_v is not None and rail_v > LEAST_RAIL_V
    if rail_v is not None and not has_rail:
        found.items += [rail, open_item("relays", "no rail: the unit, or its supply, is off")]
        return settings
    by_source = settings.source is not None
    # The rail is an item of its own, whose tolerance shall not be told as a fault of a relay.
    asked = replace(settings.press, rail_v=rail_v or press.rail_v, rail_tolerance=0.05)
    try:
        # Without the source first: it would hide a relay to the rail that is welded, and be taken for its cause.
        judge_bus(bench.look_at_bus([]), bench.wiring, asked)
        if by_source:
            judge_bus(bench.look_at_bus([], settings.press.rail_v), bench.wiring, asked)
    except WiringError as exc:
        why = "the relays are not in order, and what they put on the bus may load it"
        found.items += [open_item("rail", why, "V"), CheckItem("relays", "fail", note=str(exc))]
    else:
        note = "none welded, none dead, as far as the empty bus shows; resistors are measured below"
        found.items += [rail, CheckItem("relays", "pass", note=note)]
    return settings


def _rail_item(rail_v: float | None, settings: CheckSettings) -> CheckItem:
    if rail_v is None:
        return open_item("rail", "neither a rail nor a press relay leads to it", "V")
    u_v = (settings.meter.accuracy_reading * rail_v + settings.meter.accuracy_v) / 3.0**0.5
    nominal_v, tolerance = settings.press.rail_v, settings.press.rail_tolerance
    if not settings.rail_stated:
        high_v = settings.voltage_v
        return judged("rail", rail_v, "V", u_v, low=LEAST_RAIL_V, high=high_v, note="as measured; no plan states it")
    return judged("rail", rail_v, "V", u_v, low=nominal_v * (1.0 - tolerance), high=nominal_v * (1.0 + tolerance))


def _resistors_and_load(bench: Bench, settings: CheckSettings, found: BenchFound, tell: Callable[[str], None]) -> None:
    tell("resistors in place")
    nominal_load_s = settings.fixture.conductance_s + (
        1.0 / settings.meter.input_ohm if settings.meter.input_ohm else 0.0
    )
    if settings.source is not None:
        measured = _tried(bench, "resistors", partial(measured_by_source, settings=settings), found.items)
        items, found.resistors = measured or ([], {})
        found.items += items
        read = _tried(bench, "dividers", partial(divider_readings, settings=settings), found.items)
        found.items += dividers_agree(read or {}, found.resistors, nominal_load_s, settings)
        found.items += _tried(bench, "source path", partial(source_path, settings=settings), found.items) or []
    else:
        read = _tried(bench, "dividers", partial(divider_readings, settings=settings), found.items)
        items, found.resistors = measured_by_dividers(read or {}, nominal_load_s, settings)
        found.items += items
    tell("fixture")
    load = _tried(bench, "bus load", partial(bus_load, settings=settings, resistors=found.resistors), found.items)
    zero_v = next((item.value for item in found.items if item.name == "meter zero"), None) or 0.0
    hang = partial(fixture_items, settings=settings, load=load, resistors=found.resistors, zero_v=zero_v)
    hung = _tried(bench, "fixture", hang, found.items)
    if hung is not None:
        items, found.load = hung
        found.items += items


def _tried(bench: Bench, name: str, step: Step[Found], items: list[CheckItem]) -> Found | None:
    """What a step found; None where the bench failed in it, which is an item of its own then."""
    try:
        with bench.bare() as bus:
            return step(bus)
    except StopRequestedError:
        raise
    except BenchError as exc:
        items.append(CheckItem(name, "fail", note=str(exc)))
        if bench.state == "fault":
            _recover(bench)
        return None


def _recover(bench: Bench) -> None:
    unverified = bench.make_safe()
    if unverified:
        raise BenchError(f"bench check: not safe after a failure: {'; '.join(unverified)}")
    bench.prepare()
    bench.label("bench check")
