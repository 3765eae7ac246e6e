"""An unopened bench file -> an opened bench: claim, guard, links, drivers, in that order; closed in reverse."""

from __future__ import annotations

import math
import os
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from functools import partial
from pathlib import Path

from drivers.attended_link import AttendedLink
from drivers.bench import Bench
from drivers.board import Board
from drivers.chamber import Chamber
from drivers.claim import claim
from drivers.clock import Clock
from drivers.contact_wear import ContactWear
from drivers.dialect import Dialect
from drivers.errors import InstrumentError, LinkError
from drivers.instrument import Instrument
from drivers.interlock import Interlock, Ratings
from drivers.kept_clock import KeptClock
from drivers.link import Link
from drivers.meter import Meter
from drivers.operator import Operator
from drivers.rail import AtEnd, Rail
from drivers.relay_board import RelayBoard
from drivers.safe_state import SafeSteps, look_at_bus, safe_state, through
from drivers.serial_link import open_serial_link
from drivers.served_clock import ServedClock
from drivers.socket_link import open_socket_link
from drivers.source import Source
from drivers.supply import Supply
from drivers.switch import Switch
from drivers.told_clock import ToldClock
from drivers.visa_link import open_visa_link
from drivers.watchdog import Watchdog
from drivers.ways_to_rail import FALLS_BELOW_OHM
from drivers.wire_log import Tap
from harness.bench_file import BenchFile
from harness.contact_ledger import ContactLedger
from harness.errors import UserFileError
from harness.guard import GIVE_UP_S
from harness.safety import Safety
from harness.signals import StopRequest
from harness.wire_record import CLOCK_ROLE, WireRecord

GUARD_REPORT = "guard-report.json"
"""Beside the run folders or checks: what the guard did, where it had to act."""

LINE_ROLES = ("relay_board", "board")
"""Instruments on a serial line; every other role speaks SCPI over VISA."""


@contextmanager
def opened_bench(
    file: BenchFile,
    stop: StopRequest,
    operator: Operator,
    guard_report: Path,
    not_verified: list[str],
    tell: Callable[[str], None],
    *,
    wire: WireRecord,
    contacts: ContactLedger,
    rail_v: float | None = None,
    at_end: AtEnd = "off",
    foreign_code: bool = False,
) -> Iterator[Bench]:
    """The bench, prepared; whatever happens inside, it is made safe on the way out.

    Every message of every link, and the bench's clock, is told to `wire`. The guard's are not: it is a process of its
    own, and says in its report what it did.

    Whatever the bench thread waits for or asks an instrument, the guard hears that it lives; a run of which it hears
    nothing for SILENT_S is ended by it.

    `foreign_code`: a procedure of somebody else's is carried out, which may leave threads behind.

    The closings of every contact go on where `contacts` has them, and are kept there before each press and at the end.

    A supply of the board is switched on at `rail_v` (None: left as it stands), and at the end off, or left on at it.

    `not_verified` holds, after the block, what could not be verified to be safe, also where opening failed. The guard
    is started before the first instrument is opened, and stood down only when everything is proven safe. Where it has
    to act, `tell` is told first, because that takes seconds, and it writes what it did to `guard_report`.

    Raises UserFileError where the bench file names a VISA library that nobody has allowed. Raises BenchError where an
    instrument cannot be
    opened, is not the expected one or does not do as it is told, and SafetyError where there is no guard.
    """
    visa = file.visa_library()
    tables = file.instruments()
    dialects = {role: Dialect(role, table.commands) for role, table in tables.items()}
    resources = {"clock": file.clock.resource, **{role: table.resource for role, table in tables.items()}}
    with _roles_named(resources), ExitStack() as open_things:
        # What whoever comes second is told of this process.
        facts = {"bench file": str(Path(file.path).absolute()), "folder": str(guard_report.parent.absolute())}
        held = open_things.enter_context(claim((table.resource for table in tables.values()), facts=facts))
        contacts.begin()
        # A supply that is to stay on is no business of the guard: it stays as it is.
        made_safe = {role: table for role, table in tables.items() if role != "supply" or at_end == "off"}
        steps = safe_state([(role, table.resource, dialects[role]) for role, table in made_safe.items()])
        safety = Safety(through([*steps, *_look(file, dialects["meter"])], visa), guard_report)
        safety.start(held.descriptors)
        held.tell(guard=str(safety.pid))
        for descriptor in held.descriptors:
            safety.kept_from_children(partial(os.close, descriptor))
        ours = frozenset(threading.enumerate()) if foreign_code else None
        open_things.callback(_end, safety, not_verified, tell, frozenset(made_safe), ours)
        clock = KeptClock(_clock(file, stop.asked, open_things, wire))
        open_things.enter_context(_heard(stop, safety, clock))
        wear = ContactWear(file.driver_limits(), clock, before=contacts.before, keep=contacts.keep, say=tell)
        interlock = _interlock(file, wear)
        instruments: dict[str, Instrument] = {}
        for role, table in tables.items():
            link = _open(role, table.resource, visa, wire.tap(role))
            open_things.callback(link.close)
            safety.kept_from_children(link.close)
            watched = interlock.watched(role, AttendedLink(link, safety.alive), dialects[role])
            instruments[role] = Instrument(watched, dialects[role], name=role)
        person = operator.during(clock.asking)
        bench = _assemble(file, instruments, clock, interlock, person, safety, rail_v, at_end)
        try:
            bench.prepare()
            wire.identities = {role: identity for role, (_, identity) in bench.identities.items()}
            yield bench
        finally:
            not_verified[:] = bench.make_safe()
            _keep(wear, tell)


def _keep(wear: ContactWear, tell: Callable[[str], None]) -> None:
    """All is safe by now: a count that cannot be kept any more is said, and hides no error of the run."""
    try:
        wear.keep()
    except UserFileError as exc:
        tell(str(exc))


@contextmanager
def _roles_named(resources: Mapping[str, str | None]) -> Iterator[None]:
    """Say which instrument failed by its role too: a wire knows its address only."""
    try:
        yield
    except (LinkError, InstrumentError) as exc:
        for role, resource in resources.items():
            if resource == exc.resource and exc.args:
                exc.args = (f"{role} {exc.args[0]}",)
        raise


@contextmanager
def _heard(stop: StopRequest, safety: Safety, clock: KeptClock) -> Iterator[None]:
    """While inside, each look at the stop request is a sign of life, and while a person is waited for an occasion."""

    def looked() -> None:
        safety.alive()
        clock.looked()

    stop.on_look = looked
    try:
        yield
    finally:
        stop.on_look = None


def _look(file: BenchFile, meter: Dialect) -> list[SafeSteps]:
    """The guard's look at the bus, where the meter tells anything by it."""
    ohm = file.meter.input_resistance_ohm
    look = look_at_bus(file.meter.resource, meter)
    return [] if look is None or ohm is None or ohm > FALLS_BELOW_OHM else [look]


def _end(
    safety: Safety,
    not_verified: list[str],
    tell: Callable[[str], None],
    guarded: frozenset[str],
    ours: frozenset[threading.Thread] | None,
) -> None:
    """Runs after every link is closed: only then can the guard have the serial ports.

    What the guard has proven is struck out, and nothing else: it knows of no hand, and of no supply that stays
    on. A thread that a procedure left behind may have commanded a relay after it was opened: then the guard looks
    again, now that nobody else can.
    """
    if not not_verified:
        if not _strangers(ours):
            safety.stand_down()
        elif safety.hand_over() != 0:
            not_verified.append("guard: could not prove the safe state again after a thread of the procedure was left")
        return
    tell(
        f"not proven safe ({'; '.join(not_verified)}): the guard tries on for up to {GIVE_UP_S:g} s; take "
        "the rail away from the unit if you can"
    )
    if safety.hand_over() == 0:
        not_verified[:] = [line for line in not_verified if line.partition(":")[0] not in guarded]


def _strangers(ours: frozenset[threading.Thread] | None) -> list[threading.Thread]:
    """Threads that were begun while the bench was open, and go on; none where only this program's code was there."""
    if ours is None:
        return []
    return [each for each in threading.enumerate() if each not in ours and each is not threading.current_thread()]


def _open(role: str, resource: str, visa: str, tap: Tap) -> Link:
    return open_serial_link(resource, tap=tap) if role in LINE_ROLES else open_visa_link(resource, visa=visa, tap=tap)


def _clock(file: BenchFile, stop: Callable[[], bool], open_things: ExitStack, wire: WireRecord) -> Clock:
    """The computer's time at the bench's speed, or the bench's own where a line serves it."""
    table = file.clock
    if table.resource is None:
        clock = Clock(table.speed, stop)
        wire.bench_time = clock.now
        return ToldClock(clock, wire.tap(CLOCK_ROLE))
    link = open_socket_link(table.resource, tap=wire.tap(CLOCK_ROLE))
    open_things.callback(link.close)
    return ServedClock(link, table.speed, stop)


def _assemble(
    file: BenchFile,
    instruments: dict[str, Instrument],
    clock: KeptClock,
    interlock: Interlock,
    operator: Operator,
    safety: Safety,
    rail_v: float | None,
    at_end: AtEnd,
) -> Bench:
    return Bench(
        clock=clock,
        meter=Meter(instruments["meter"], clock),
        limits=file.driver_limits(),
        wiring=file.driver_wiring(),
        switch=Switch(instruments["switch"]) if "switch" in instruments else None,
        relay_board=RelayBoard(instruments["relay_board"]) if "relay_board" in instruments else None,
        source=Source(instruments["source"], clock) if "source" in instruments else None,
        board=Board(instruments["board"]) if "board" in instruments else None,
        operator=operator,
        meter_input_ohm=file.meter.input_resistance_ohm,
        meter_range_v=file.meter.range_v,
        line_hz=file.bench.line_frequency_hz or 50.0,
        settle_s=file.wiring.settle_s,
        expected={role: table.identity for role, table in file.instruments().items()},
        lease=safety.lease,
        chamber=Chamber(instruments["chamber"], clock) if "chamber" in instruments else None,
        chamber_limits_c=(0.0, 0.0) if file.chamber is None else (file.chamber.lowest_c, file.chamber.highest_c),
        rail=_rail(file, instruments.get("supply"), clock, operator, rail_v, at_end),
        interlock=interlock,
        watchdogs=_watchdogs(file, instruments),
        upkeep=clock.upkeep,
    )


def _watchdogs(file: BenchFile, instruments: Mapping[str, Instrument]) -> dict[str, Watchdog]:
    """Role -> the output watchdog of its instrument, where the bench file says that there is one."""
    tables = {"source": file.source, "supply": file.supply}
    return {
        role: Watchdog(instruments[role], table.watchdog_s)
        for role, table in tables.items()
        if table is not None and table.watchdog_s is not None
    }


def _interlock(file: BenchFile, wear: ContactWear) -> Interlock:
    """What every message to this bench goes through."""
    limits, supply, chamber = file.driver_limits(), file.supply, file.chamber
    ratings = Ratings(
        supply_v=limits.voltage_v if supply is None else min(supply.voltage_max_v or math.inf, limits.voltage_v),
        supply_a=0.0 if supply is None else supply.current_limit_a,
        chamber_c=(0.0, 0.0) if chamber is None else (chamber.lowest_c, chamber.highest_c),
    )
    return Interlock(limits, file.driver_wiring(), wear, ratings)


def _rail(
    file: BenchFile,
    supply: Instrument | None,
    clock: Clock,
    operator: Operator,
    rail_v: float | None,
    at_end: AtEnd,
) -> Rail:
    limits, table = file.driver_limits(), file.supply
    if supply is None or table is None:
        return Rail(limits, operator=operator, nominal_v=rail_v)
    return Rail(
        limits,
        supply=Supply(supply, clock, settle_s=table.settle_s, power_up_s=table.power_up_s),
        operator=operator,
        nominal_v=rail_v,
        highest_v=table.voltage_max_v,
        limit_a=table.current_limit_a,
        at_end=at_end,
    )
