"""The interlock: what no message may say, whoever wrote it. Each one is read and judged before it goes onto a wire.

It knows nothing but what was sent: which relays were told to close, what the source and the supply were set to. So it
binds a procedure that talks to an instrument past the bench, too. Whether a pin may be pressed now (by what is known of
rail and board) the bench decides, and says so in a permit; without one no relay closes that leads to a pin or to the
bus from anything that drives.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, fields, replace
from functools import partial

from drivers.contact_wear import ContactWear
from drivers.dialect import Dialect
from drivers.errors import LimitError
from drivers.interlocked_link import InterlockedLink
from drivers.limits import Limits
from drivers.link import Link
from drivers.program_message import MessageReader, Said, number
from drivers.supply import ABOVE_LIMIT
from drivers.wiring import Channel, Device, Wiring

ROUNDED = 1e-9
"""Relative: a limit that was written with fewer digits than it was computed with is the same limit."""


@dataclass(frozen=True)
class Ratings:
    """What is allowed beyond `limits`: the supply's highest voltage and current limit, the chamber's temperatures."""

    supply_v: float = 0.0
    supply_a: float = 0.0
    chamber_c: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Permit:
    """That a relay may close: onto a bus with no pin on it (`bare`), or so that a pin is pressed.

    `low_v`, `high_v`: what a source may force meanwhile.
    """

    low_v: float
    high_v: float
    bare: bool = False


@dataclass(frozen=True)
class Sent:
    """What was sent so far, as far as it matters. `source_v` None: not told since its reset."""

    closed: frozenset[Channel] = frozenset()
    permit: Permit | None = None
    source_v: float | None = None
    source_limited: bool = False
    source_forces: bool = False
    supply_limited: bool = False


class Interlock:
    """Judges the messages of one bench. `wear` counts and limits what relays do."""

    def __init__(self, limits: Limits, wiring: Wiring, wear: ContactWear, ratings: Ratings | None = None) -> None:
        self.wear = wear
        self._energised_since_s: float | None = None
        self._limits = limits
        self._wiring = wiring
        self._ratings = ratings or Ratings()
        self._wires: Mapping[Channel, str] = {channel: wire for wire, channel in wiring.wires()}
        self._select = frozenset(wiring.select.values())
        self._hold = frozenset(wiring.hold.values())
        self._driving = frozenset(one for one in (wiring.press, wiring.rail, wiring.source) if one is not None)
        self._permits: dict[Channel, Permit] = {}
        self._sent = Sent()
        self._lock = threading.Lock()

    @property
    def closed(self) -> frozenset[Channel]:
        """The relays that were told to close, and not to open since."""
        return self._sent.closed

    def pace(self, channel: Channel) -> None:
        """Wait until this relay may close again. While anything is energised no longer than a press may last: the lease
        of what is pressed goes on. Raises LimitError and StopRequestedError as ContactWear.pace does."""
        since_s = self._energised_since_s
        pressed_s = 0.0 if since_s is None else self.wear.now_s() - since_s
        self.wear.pace(channel, math.inf if since_s is None else max(0.0, self._limits.press_time_s - pressed_s))

    def watched(self, role: str, link: Link, dialect: Dialect) -> Link:
        """The link of an instrument, every message of which is judged first; that of the board under test as it is."""
        if role == "board":
            return link
        reader = MessageReader(dialect.templates)
        return InterlockedLink(link, partial(self._passing, role, link.resource, reader))

    @contextmanager
    def permit(self, channel: Channel | None, low_v: float, high_v: float) -> Iterator[None]:
        """Meanwhile this relay may close, so that a pin is pressed. A source may force `low_v` to `high_v` until it
        opens."""
        with self._permitted({} if channel is None else {channel: Permit(low_v, high_v)}):
            yield

    @contextmanager
    def bare(self) -> Iterator[None]:
        """Meanwhile press, rail and source relay may close, as long as no pin is on the bus."""
        most_v = self._limits.voltage_v
        with self._permitted({channel: Permit(-most_v, most_v, bare=True) for channel in self._driving}):
            yield

    @contextmanager
    def _permitted(self, permits: Mapping[Channel, Permit]) -> Iterator[None]:
        before, self._permits = self._permits, {**self._permits, **permits}
        try:
            yield
        finally:
            self._permits = before

    @contextmanager
    def _passing(self, role: str, resource: str, reader: MessageReader, message: str) -> Iterator[None]:
        """Around sending a message: judged before, taken for sent after. What failed half-way may have closed a relay,
        and may not have opened one."""
        said = reader.read(message)
        what = f"{role} {resource}: {message!r}"
        if said is None:
            raise LimitError(
                f"{what} is no command of this instrument: only those of its dialect, and of {role}.commands of the "
                "bench file, are sent"
            )
        with self._lock:
            before = after = self._sent
            closing: list[Channel] = []
            for one in said:
                after = self._judged(role, one, after, what, closing)
            for channel in closing:
                self.wear.closed(channel)
        try:
            yield
        except BaseException:
            with self._lock:
                closed = self._sent.closed | before.closed | after.closed
                permit = after.permit or before.permit or self._sent.permit
                self._became(replace(self._with(before, after), closed=closed, permit=permit))
            raise
        with self._lock:
            self._became(self._with(before, after))

    def _with(self, before: Sent, after: Sent) -> Sent:
        """What was sent by now, with what one message has changed: while all is made safe, instruments are spoken to at
        once, and none may undo what is known of another."""
        if after is before:  # a question, as most messages are
            return self._opened(self._sent)
        changed = {
            one.name: getattr(after, one.name)
            for one in fields(Sent)
            if getattr(after, one.name) != getattr(before, one.name)
        }
        opened, closed = before.closed - after.closed, after.closed - before.closed
        return self._opened(replace(self._sent, **{**changed, "closed": self._sent.closed - opened | closed}))

    def _became(self, sent: Sent) -> None:
        self._sent = sent
        if not sent.closed & (self._driving | self._hold):
            self._energised_since_s = None
        elif self._energised_since_s is None:
            self._energised_since_s = self.wear.now_s()

    def _judged(self, role: str, said: Said, sent: Sent, what: str, closing: list[Channel]) -> Sent:
        """What will have been sent. Raises LimitError where this may not be."""
        for purpose in sorted(said.purposes):
            if role in ("switch", "relay_board"):
                sent = self._relays(role, purpose, said.values, sent, what, closing)  # type: ignore[arg-type]
            elif role == "source":
                sent = self._source(purpose, said.values, sent, what)
            elif role == "supply":
                sent = self._supply(purpose, said.values, sent, what)
            elif role == "chamber" and purpose == "temperature":
                low_c, high_c = self._ratings.chamber_c
                _within(what, said.values, low_c, high_c, "chamber.lowest and chamber.highest", "°C")
        return sent

    def _relays(
        self, role: Device, purpose: str, values: Mapping[str, str], sent: Sent, what: str, closing: list[Channel]
    ) -> Sent:
        if purpose in ("reset", "open_all"):
            left = frozenset(one for one in sent.closed if one.device != role)
            return self._opened(replace(sent, closed=left))
        if purpose not in ("close", "open"):
            return sent
        listed = values.get("channel") or values.get("list", "").strip("(@)")
        for text in listed.split(","):
            channel = Channel(role, text)
            if purpose == "open":
                sent = self._opened(replace(sent, closed=sent.closed - {channel}))
            elif channel not in sent.closed:
                sent = self._closing(channel, sent, what)
                closing.append(channel)
        return sent

    def _opened(self, sent: Sent) -> Sent:
        return sent if sent.closed & self._driving else replace(sent, permit=None)

    def _closing(self, channel: Channel, sent: Sent, what: str) -> Sent:
        """One more relay closed. Raises LimitError where what is closed already forbids it, or nobody permits it."""
        wire = self._wires.get(channel)
        if wire is None:
            raise LimitError(f"{what}: no wire of the bench file leads to {channel}")
        self.wear.check(channel)
        after = replace(sent, closed=sent.closed | {channel})
        if channel in self._select:
            for other in sent.closed & (self._driving | self._select):
                rule = "no second pin is put on the bus" if other in self._select else "no pin is put on a driven bus"
                raise LimitError(f"{what}: {rule}: wiring.{self._wires[other]} is closed")
        if channel == self._wiring.discharge and after.closed & self._select and sent.closed & self._driving:
            raise LimitError(f"{what}: a pin that is pressed is not joined to where it rests")
        if channel not in self._driving | self._hold:
            return after
        permit = self._permits.get(channel)
        if permit is None:
            raise LimitError(f"{what}: wiring.{wire} is closed by a press or a check of the bench only")
        if channel in self._hold:
            return after
        return self._driven(channel, wire, permit, after, what)

    def _driven(self, channel: Channel, wire: str, permit: Permit, after: Sent, what: str) -> Sent:
        """The bus driven by one more relay."""
        if permit.bare and after.closed & self._select:
            raise LimitError(f"{what}: wiring.{wire} is closed onto a bus with no pin on it only")
        grounding = self._wiring.discharge
        if not permit.bare and grounding is not None and grounding in after.closed:
            raise LimitError(f"{what}: a pin that wiring.discharge joins to where it rests is not pressed")
        if channel == self._wiring.source:
            level_v = 0.0 if after.source_v is None else after.source_v
            if not permit.low_v <= level_v <= permit.high_v:
                raise LimitError(f"{what}: the source is at {level_v:.4g} V, {_allowed(permit)}")
        return replace(after, permit=permit)

    def _source(self, purpose: str, values: Mapping[str, str], sent: Sent, what: str) -> Sent:
        most_v, most_a = self._limits.voltage_v, self._limits.current_a
        if purpose == "reset":
            return replace(sent, source_v=None, source_limited=False, source_forces=False)
        if purpose == "mode_voltage":
            return replace(sent, source_forces=True)
        if purpose == "mode_current":
            raise LimitError(f"{what}: a source forces a voltage here: a bare current pulls a pin beyond its rails")
        if purpose == "current_limit":
            _within(what, values, 0.0, most_a, "limits.current", "A")
            return replace(sent, source_limited=True)
        if purpose in ("voltage_range", "voltage_limit"):
            _within(what, values, 0.0, most_v, "limits.voltage", "V")
        if purpose == "voltage":
            level_v = _within(what, values, -most_v, most_v, "limits.voltage", "V")
            permit = sent.permit
            joined = self._wiring.source in sent.closed
            if joined and (permit is None or not permit.low_v <= level_v <= permit.high_v):
                raise LimitError(f"{what}: {'nothing is permitted' if permit is None else _allowed(permit)}")
            return replace(sent, source_v=level_v)
        if purpose == "output_on" and not (sent.source_limited and sent.source_forces):
            raise LimitError(f"{what}: the output is switched on only once voltage mode and current limit are set")
        return sent

    def _supply(self, purpose: str, values: Mapping[str, str], sent: Sent, what: str) -> Sent:
        most_v, most_a = self._ratings.supply_v, self._ratings.supply_a
        if purpose == "reset":
            return replace(sent, supply_limited=False)
        if purpose == "voltage":
            _within(what, values, 0.0, most_v, "supply.voltage_max and limits.voltage", "V")
        if purpose == "over_voltage":
            _within(what, values, 0.0, most_v * ABOVE_LIMIT, "1.1 times the highest voltage of the supply", "V")
        if purpose == "current_limit":
            _within(what, values, 0.0, most_a, "supply.current_limit", "A")
            return replace(sent, supply_limited=True)
        if purpose == "output_on" and not sent.supply_limited:
            raise LimitError(f"{what}: the output is switched on only once its current limit is set")
        return sent


def _allowed(permit: Permit) -> str:
    return f"and {permit.low_v:.4g} V to {permit.high_v:.4g} V are allowed (limits.above_rail beyond the rail measured)"


def _within(what: str, values: Mapping[str, str], low: float, high: float, rule: str, unit: str) -> float:
    """The number in a message. Raises LimitError where it is none, or beyond the limit."""
    value = number(values.get("value", ""))
    slack = ROUNDED * max(abs(low), abs(high))
    if value is None or not low - slack <= value <= high + slack:
        raise LimitError(f"{what}: must be a number within {rule}: {low:.4g} {unit} to {high:.4g} {unit}")
    return value
