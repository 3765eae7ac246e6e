"""What must fit together inside one bench file: a relay for every wire, commands that can be sent."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import chain
from typing import TYPE_CHECKING

from pydantic_core import PydanticCustomError

from drivers.address import address_key
from drivers.dialect import TEMPLATES, Dialect, DialectError
from drivers.wiring import Channel
from harness.user_file import Fault, Location, closest, dotted
from harness.values import PIN_NAME, AddedCapacitor, TrialResistor, Wire
from results.quantity import parse, show
from results.record.trial import NO_CAPACITOR, NO_RESISTOR

if TYPE_CHECKING:
    from harness.bench_tables import BenchTables

COUPON_TAU_S = (3e-3, 1.0)
"""A released coupon must outlast whatever the press path does while it opens: relays let go and bounce within 3 ms."""

PLAUSIBLE = 0.3
"""A measured resistance further than this share from the nominal one is a slip of the decimal point."""


def bench_faults(bench: BenchTables) -> list[Fault]:
    """Every rule between values that the bench file breaks."""
    return list(
        chain.from_iterable(
            rule(bench)
            for rule in (_resources, _commands, _watchdogs, _chamber, _lives, _wires, _fits, _adds, _coupons, _measured)
        )
    )


def rectangular_u_ohm(ohm: float, tolerance: float) -> float:
    """Standard uncertainty in ohm of a resistor known by its tolerance only (rectangular, JCGM 100:2008, 4.3.7)."""
    return ohm * tolerance / math.sqrt(3.0)


def wires(bench: BenchTables) -> Iterator[tuple[Location, Channel]]:
    """Every wire: its key and its channel."""
    wiring = bench.wiring
    for key in ("press", "discharge", "rail", "source"):
        wire = getattr(wiring, key)
        if wire is not None:
            yield ("wiring", key), wire.channel
    for pin, channel in wiring.select.items():
        yield ("wiring", "select", pin), channel
    for pin, wire in wiring.hold.items():
        yield ("wiring", "hold", pin), wire.channel
    for name, added in wiring.add.items():
        yield ("wiring", "add", name), added.channel
    for name, fit in wiring.fit.items():
        if fit.channel is not None:
            yield ("wiring", "fit", name), fit.channel
    for key in ("released", "stuck"):
        coupon = getattr(bench.coupons, key)
        if coupon is not None:
            yield ("coupons", key), coupon.channel


def _resources(bench: BenchTables) -> Iterator[Fault]:
    taken: dict[str, str] = {}
    for role, table in bench.instruments().items():
        resource = address_key(table.resource)
        if resource in taken:
            yield Fault((role, "resource"), f"is already the resource of the {taken[resource]}")
        taken.setdefault(resource, role)


def _chamber(bench: BenchTables) -> Iterator[Fault]:
    if bench.chamber is not None and bench.chamber.lowest_c >= bench.chamber.highest_c:
        yield Fault(("chamber", "lowest"), f"must be below highest of {show(bench.chamber.highest_c, '°C')}")


def _lives(bench: BenchTables) -> Iterator[Fault]:
    """A life of its own is that of a contact which the bench has."""
    wired = {channel for _, channel in wires(bench)}
    for written in bench.limits.contact_lives:
        where: Location = ("limits", "contact_lives", written)
        try:
            channel = Wire().read(written)
        except PydanticCustomError as exc:
            yield Fault(where, f"the key {exc.message()}")
            continue
        if channel not in wired:
            yield Fault(where, f"no wire leads to {channel}")


def _commands(bench: BenchTables) -> Iterator[Fault]:
    for role, table in bench.instruments().items():
        for purpose, template in table.commands.items():
            where = (role, "commands", purpose)
            if purpose not in TEMPLATES[role]:
                yield Fault(where, f"unknown command of a {role} ({closest(purpose, sorted(TEMPLATES[role]))})")
                continue
            try:
                Dialect(role, {purpose: template})
            except DialectError as exc:
                rule = str(exc).removeprefix(f"{role}.commands.{purpose}: ")
                yield Fault(where, rule.removeprefix(f"{template!r} ").removeprefix(f"{template!r}: "))


WATCHDOG = ("watchdog", "watchdog_read", "watchdog_tripped", "watchdog_off")


def _watchdogs(bench: BenchTables) -> Iterator[Fault]:
    """A watchdog needs its time and all of its commands: one that cannot be read back covers nothing."""
    for role, table in (("source", bench.source), ("supply", bench.supply)):
        if table is None:
            continue
        missing = [purpose for purpose in WATCHDOG if not table.commands.get(purpose)]
        if table.watchdog_s is not None and missing:
            yield Fault((role, "watchdog"), f"needs {role}.commands.{missing[0]}: no portable command exists")
        elif table.watchdog_s is None and len(missing) < len(WATCHDOG):
            given = next(purpose for purpose in WATCHDOG if purpose not in missing)
            yield Fault((role, "commands", given), f"needs {role}.watchdog, the time that it waits")


def _wires(bench: BenchTables) -> Iterator[Fault]:
    taken: dict[Channel, Location] = {}
    for where, channel in wires(bench):
        device = getattr(bench, channel.device)
        if device is None:
            yield Fault(where, f"the bench has no [{channel.device}]", _quoted(channel))
        elif device.channels and channel.number not in device.channels:
            yield Fault(where, f"{channel.device}.channels has no channel {channel.number}", _quoted(channel))
        elif channel in taken:
            yield Fault(where, f"{channel} is already used by {dotted(taken[channel])}", "")
        taken.setdefault(channel, where)
    if bench.wiring.press_to == bench.wiring.resistors_to:
        rule = "must not be where wiring.resistors_to ends: nothing would be released"
        yield Fault(("wiring", "press_to"), rule, f'"{bench.wiring.press_to}"')
    if bench.wiring.source is not None and bench.source is None:
        yield Fault(("wiring", "source"), "the bench has no [source]")


def _quoted(channel: Channel) -> str:
    return f'"{channel}"'


def _fits(bench: BenchTables) -> Iterator[Fault]:
    for wires_of in ("select", "hold"):
        for pin in getattr(bench.wiring, wires_of):
            if not PIN_NAME.accepts(pin):
                yield Fault(("wiring", wires_of, pin), f"the name of a pin {PIN_NAME.rule}")
    first: dict[str, str] = {}
    for written in bench.wiring.fit:
        where = ("wiring", "fit", written)
        try:
            name = TrialResistor().read(written)
        except PydanticCustomError as exc:
            yield Fault(where, f"the key must be a resistance: {exc.message()}")
            continue
        if name == NO_RESISTOR:
            yield Fault(where, "no resistor needs no relay")
        elif name in first:
            yield Fault(where, f"is the same resistor as {dotted(('wiring', 'fit', first[name]))}")
        first.setdefault(name, written)


def _coupons(bench: BenchTables) -> Iterator[Fault]:
    released, stuck = bench.coupons.released, bench.coupons.stuck
    if released is not None:
        tau_s = released.resistor_ohm * released.capacitor_f
        if not COUPON_TAU_S[0] <= tau_s <= COUPON_TAU_S[1]:
            low, high = (show(limit, "s") for limit in COUPON_TAU_S)
            rule = f"resistor and capacitor make a time constant of {show(tau_s, 's')}, must be {low} to {high}"
            yield Fault(("coupons", "released", "capacitor"), rule)
    if stuck is not None and not stuck.safe_low_ohm < stuck.safe_high_ohm:
        yield Fault(("coupons", "stuck", "safe_low"), "must be below coupons.stuck.safe_high")


def _adds(bench: BenchTables) -> Iterator[Fault]:
    """A capacitor is joined and taken off through the discharge resistor only."""
    first: dict[str, str] = {}
    for written, added in bench.wiring.add.items():
        where: Location = ("wiring", "add", written)
        try:
            name = AddedCapacitor().read(written)
        except PydanticCustomError as exc:
            yield Fault(where, f"the key must be a capacitance: {exc.message()}")
            continue
        if name == NO_CAPACITOR:
            yield Fault(where, "no capacitor needs no relay")
            continue
        if name in first:
            yield Fault(where, f"is the same capacitor as {dotted(('wiring', 'add', first[name]))}")
        first.setdefault(name, written)
        if bench.wiring.discharge is None:
            yield Fault(where, "needs wiring.discharge: a capacitor is joined and taken off discharged only", "")
        nominal_f = parse(name, "F")
        if (added.measured_f is None) != (added.measured_u_f is None):
            missing = "measured" if added.measured_f is None else "measured_u"
            yield Fault((*where, missing), "missing: a measured value and its uncertainty go together")
        elif added.measured_f is not None and abs(added.measured_f - nominal_f) > PLAUSIBLE * nominal_f:
            yield Fault((*where, "measured"), f"must be within {show(PLAUSIBLE, '%')} of {show(nominal_f, 'F')}")


def _measured(bench: BenchTables) -> Iterator[Fault]:
    for where, nominal_ohm, measured_ohm, u_ohm in _measurements(bench):
        if (measured_ohm is None) != (u_ohm is None):
            missing = "measured" if measured_ohm is None else "measured_u"
            yield Fault((*where, missing), "missing: a measured value and its uncertainty go together")
        elif measured_ohm is not None and abs(measured_ohm - nominal_ohm) > PLAUSIBLE * nominal_ohm:
            rule = f"must be within {show(PLAUSIBLE, '%')} of {show(nominal_ohm, 'Ω')}"
            yield Fault((*where, "measured"), rule)
        elif measured_ohm is not None and u_ohm is not None and u_ohm > 0.1 * measured_ohm:
            yield Fault((*where, "measured_u"), "must not be more than a tenth of the measured value")


def _measurements(bench: BenchTables) -> Iterator[tuple[Location, float, float | None, float | None]]:
    for key in ("press", "discharge", "rail", "source"):
        wire = getattr(bench.wiring, key)
        if wire is not None:
            yield ("wiring", key), wire.resistor_ohm, wire.measured_ohm, wire.measured_u_ohm
    for pin, wire in bench.wiring.hold.items():
        yield ("wiring", "hold", pin), wire.resistor_ohm, wire.measured_ohm, wire.measured_u_ohm
    for written, fit in bench.wiring.fit.items():
        try:
            name = TrialResistor().read(written)
        except PydanticCustomError:
            continue
        if name != NO_RESISTOR:
            yield ("wiring", "fit", written), parse(name, "Ω"), fit.measured_ohm, fit.measured_u_ohm
