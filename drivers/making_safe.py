"""Making a bench safe: in phases, the instruments of each at once, every step in a thread of its own and bounded.

    1  relays        all that presses, holds, selects, fits: a release is a relay that opens
    2  source        its output may pass through 0 V on its way off, so its relay in series is given time to open first
       the bus       is read, where the meter tells anything by it (safe_look)
    3  supply        as planned, after nothing presses any more: no pin of an unpowered board is driven
       chamber

A phase begins once the one before it is proven, or PHASE_S later: a deaf instrument delays nobody of its own phase, and
the next phase by that much at most.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import partial

from drivers.chamber import Chamber
from drivers.errors import BenchError, LinkClosedError, LinkError
from drivers.instrument import Instrument
from drivers.rail import Rail
from drivers.relays import Relays
from drivers.source import Source
from drivers.watchdog import Watchdog
from drivers.wiring import Wiring

PHASE_S = 1.0
"""Real seconds that a phase waits for the one before it."""

STEP_S = 8.0
"""Real seconds for one instrument: two deadlines on the old link and on a fresh one, and opening that. What has not
come to its end by then is not proven, and its link is given up."""

HURRY_S = 1.0
"""Real seconds that an instrument may take on its old link; then a fresh one is tried, with the usual deadlines."""

BUSY_S = 1.0
PAUSE_S = 0.05
"""For how long, and how often, a connection that is closed at once is tried again; real seconds."""

MAKE_SAFE_S = 15.0
"""Real seconds that making safe takes at most: two phases that wait, one look at the bus, and one step."""


@dataclass(frozen=True)
class SafeStep:
    """What one instrument does in a phase; `what` is not proven where it fails."""

    what: str
    instrument: Instrument
    act: Callable[[], None]


def relay_steps(wiring: Wiring, relays: Relays) -> list[SafeStep]:
    """Every relay opens. Devices that can press come first, where there are no threads to be had."""
    leading = (wiring.press, wiring.source, *wiring.hold.values())
    pressing = {channel.device for channel in leading if channel is not None}
    devices = sorted(relays.devices.items(), key=lambda item: item[0] not in pressing)
    return [SafeStep(f"{role}: relays not proven open", device.instrument, device.open_all) for role, device in devices]


def source_steps(source: Source | None, watchdog: Watchdog | None) -> list[SafeStep]:
    """The source's output goes off at high impedance; then it need not be watched any more."""
    if source is None:
        return []
    act = partial(_then_unwatched, source.output_off, watchdog, stays_on=False)
    return [SafeStep("source: output not proven off", source.instrument, act)]


def power_steps(rail: Rail, chamber: Chamber | None, watchdog: Watchdog | None) -> list[SafeStep]:
    """The board's supply as planned, and the chamber off."""
    steps = []
    if rail.supply is not None:
        for what, act in rail.safe_steps():
            unwatched = partial(_then_unwatched, act, watchdog, stays_on=rail.stays_on)
            steps.append(SafeStep(what, rail.supply.instrument, unwatched))
    if chamber is not None:
        steps.append(SafeStep("chamber: not proven off", chamber.instrument, chamber.off))
    return steps


def _then_unwatched(act: Callable[[], None], watchdog: Watchdog | None, *, stays_on: bool) -> None:
    """A safe step, and its watchdog off. Where the output is off, one that watches on does no harm."""
    act()
    if watchdog is not None:
        try:
            watchdog.disarm()
        except BenchError:
            if stays_on:
                raise


class Attempt:
    """A step that has begun, in a thread of its own where there is one to be had."""

    def __init__(self, step: SafeStep) -> None:
        self._step = step
        self._problem = "ended without a proof"
        self._ended = threading.Event()
        self._until_s = time.monotonic() + STEP_S
        thread = threading.Thread(target=self._run, name=f"making safe {step.instrument.name}", daemon=True)
        try:
            thread.start()
        except (RuntimeError, MemoryError):
            # A computer that is out of threads or memory still makes safe, one instrument after the other.
            self._run()

    def wait(self, until_s: float) -> bool:
        """Whether it has come to its end by then (time.monotonic())."""
        return self._ended.wait(max(0.0, until_s - time.monotonic()))

    def outcome(self) -> str:
        """What is not proven, once it has ended or its time is over; empty where all is."""
        if not self.wait(self._until_s):
            self._step.instrument.link.revoke()
            return f"{self._step.what}: no end within {STEP_S:g} s"
        return f"{self._step.what}: {self._problem}" if self._problem else ""

    def _run(self) -> None:
        try:
            tried_twice(self._step.instrument, self._step.act)
            self._problem = ""
        except Exception as exc:  # noqa: BLE001 - whatever it is, it is told as not proven
            self._problem = str(exc) or type(exc).__name__
        finally:
            self._ended.set()


def carried_out(phases: Sequence[Callable[[], Sequence[SafeStep]]], between: Callable[[], None]) -> list[str]:
    """Carry the phases out; returns what could not be verified, a line each. `between` is called before the last.

    A phase is asked for its steps when it begins. Never raises where `between` does not.
    """
    attempts: list[Attempt] = []
    for number, phase in enumerate(phases):
        until_s = time.monotonic() + PHASE_S
        for attempt in attempts:
            attempt.wait(until_s)
        if number == len(phases) - 1:
            between()
        attempts += [Attempt(step) for step in phase()]
    return [problem for attempt in attempts if (problem := attempt.outcome())]


def awake(instrument: Instrument) -> None:
    """Reopen a link that has failed."""
    if instrument.link.state != "ok":
        instrument.link.reopen()


def tried_twice(instrument: Instrument, step: Callable[[], None]) -> None:
    """Carry a safe step out; where a link that seemed sound fails, once more on a fresh one.

    A link that had failed before gets a fresh try only: each costs a deadline, and a guard tries on for longer. One
    that is closed at once is tried again for BUSY_S: an instrument that takes one client only may need a moment to see
    that the old connection is gone.
    """
    if instrument.link.state == "ok":
        with suppress(LinkError), _given_up(instrument, HURRY_S):
            return step()
    until_s = time.monotonic() + BUSY_S
    while True:
        try:
            instrument.link.reopen()
            return step()
        except LinkClosedError:
            if time.monotonic() > until_s:
                raise
        time.sleep(PAUSE_S)


@contextmanager
def _given_up(instrument: Instrument, seconds: float) -> Iterator[None]:
    """While inside, the link is given up after so many real seconds: what is blocked on it ends with a LinkError."""
    timer = threading.Timer(seconds, instrument.link.revoke)
    timer.daemon = True
    with suppress(RuntimeError, MemoryError):  # no thread is to be had: its own deadlines end it
        timer.start()
    try:
        yield
    finally:
        timer.cancel()
