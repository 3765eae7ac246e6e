"""The world: all nodes, all contacts, one time, one seed. What every simulated instrument acts on and looks at.

Commands take effect at the instant they arrive (`now_s`, which the caller moves). They are only noted down then; the
circuit is changed and its voltages are solved, in the order of time, when somebody looks: so that solving one
instrument's segment never delays another's command. Between two changes the circuit is constant (see segment.py).
Segments that ended are kept as long as an instrument has said that it still needs them. The same commands at the same
instants give the same voltages to the last bit.
"""

from __future__ import annotations

import heapq
import math
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from drivers.simulated.board_file import Board, PinPart, Setup
from drivers.simulated.circuit import Drive, Lifted, Pin, Wiring
from drivers.simulated.contact import Contact, Fault
from drivers.simulated.randomness import generator
from drivers.simulated.segment import Floats, Segment


class NoSuchNameError(Exception):
    """A pin or contact that this bench does not have; one line."""


@dataclass(frozen=True)
class _Past:
    """A segment that ended: bench times of both ends."""

    start_s: float
    end_s: float
    segment: Segment


@dataclass
class Poll:
    """The polls of one pin since its setup was made: whether it read high at the end of the last one."""

    high: bool | None = None


Change = Callable[[], None]

CHAMBER = "the chamber"
RAIL = "the rail"
RAIL_STEPS = 16
"""A rail that ramps goes in so many steps: the circuit is constant between two events."""


@dataclass(order=True)
class _Due:
    """Something that changes the circuit at an instant; `contact` is set for a contact's edge, `touched` for pins."""

    time_s: float
    sequence: int
    change: Change = field(compare=False)
    contact: str = field(compare=False, default="")
    touched: tuple[str, ...] = field(compare=False, default=())


class World:
    """One bench, in bench seconds. A caller in a thread holds `lock`. Unknown names raise NoSuchNameError."""

    def __init__(self, board: Board, seed: int | None = None) -> None:
        self.board = board
        self.seed = board.seed if seed is None else seed
        self.lock = threading.RLock()
        self.now_s = 0.0
        self.label = ""
        self.label_since_s = 0.0
        self.setups: dict[str, Setup] = {part.name: part.setup for part in board.pins}
        self.wiring = Wiring(
            board,
            self.seed,
            board.meter.input_resistance_ohm,
            board.temperature_k,
            _contacts(board),
            {part.name: Pin(part, part.setup, self._leaks(part)) for part in board.nodes()},
        )
        self._rail = Drive("voltage", to_v=self.wiring.rail_v)
        self._up_s = 0.0
        self._operations: dict[str, int] = {}
        self._parted_v: dict[str, float] = {}
        self._due: list[_Due] = []
        self._sequence = 0
        self._kept_from: dict[str, float] = {}
        self._past: list[_Past] = []
        self._start_s = 0.0
        self._alone = {name: (0.0, self._segment_alone(name, 0.0, 0.0)) for name in self.wiring.pins}
        self._joined: list[str] = []
        self._polls: dict[str, Poll] = {}
        bus = self.wiring.bus_circuit(0.0)
        self._bus = Segment(bus, [0.0] * (1 + len(bus.branches) + len(bus.drifts) + self._filtered))
        self._note(lambda: None)  # joins what a welded relay joins from the start
        for part in board.pins:
            self._begin_polls(part.setup, part.name, 0.0)

    @property
    def _filtered(self) -> bool:
        return self.board.meter.step_response_s > 0

    def move_to(self, time_s: float) -> None:
        """It is now `time_s`; an instant that has passed moves nothing."""
        self.now_s = max(self.now_s, time_s)

    def chance(self, purpose: str) -> np.random.Generator:
        """A generator for the present trial."""
        return generator(self.seed, self.label, purpose)

    def set_label(self, text: str) -> None:
        """The text on the meter's display: the key of all randomness from now on; counts of operations begin anew."""
        self.label = text
        self.label_since_s = self.now_s
        self._operations.clear()
        leaks = {part.name: self._leaks(part) for part in self.board.pins if part.leak_probability < 1}

        def change() -> None:
            for name, there in leaks.items():
                self.wiring.pins[name].leaks = there

        if leaks:
            self._note(change, *leaks)

    def set_contact(self, name: str, close: bool) -> None:
        """Command a contact; commanding what it was told already does nothing."""
        contact = self.wiring.contacts.get(name)
        if contact is None:
            raise NoSuchNameError(f"no contact {name!r}")
        if contact.commanded == close:
            return
        count = self._operations[name] = self._operations.get(name, 0) + 1
        self._due = [due for due in self._due if due.contact != name or due.time_s <= self.now_s]
        heapq.heapify(self._due)
        for edge in contact.command(close, self.now_s, self.chance(f"contact {name} {count}")):
            self._push(edge.time_s, _setter(contact, edge.closed), contact=name, touched=self._held_by(name))

    def _held_by(self, contact: str) -> tuple[str, ...]:
        """The pins whose nodes a hold relay changes: the one that it holds, and what is coupled to it."""
        pin = contact.removeprefix("hold ")
        return () if pin == contact else (pin, *self.wiring.couplings(pin))

    def set_meter_resistance(self, ohm: float) -> None:
        self._note(lambda: setattr(self.wiring, "meter_ohm", ohm))

    def set_drive(self, drive: Drive) -> None:
        """What the source does at its terminals from now on."""
        self._note(lambda: setattr(self.wiring, "drive", drive))
        if drive.end_s > self.now_s:
            self._push(drive.end_s, lambda: None)

    def set_setup(self, setup: Setup, *pins: str) -> None:
        """How firmware has configured pins."""
        for pin in pins:
            self.pin_part(pin)
            self.setups[pin] = setup
        begun_s = self.now_s

        def change() -> None:
            for pin in pins:
                self.wiring.pins[pin].setup = setup
                self._begin_polls(setup, pin, begun_s)

        self._note(change, *pins)

    def clip(self, pin: str | None) -> None:
        """A person's clip joins that pin, and no other, to the bus."""
        if pin is not None:
            self.pin_part(pin)
        self._note(lambda: setattr(self.wiring, "clipped", pin))

    def fit_by_hand(self, pin: str, ohm: float | None) -> None:
        """A resistor from a pin to ground; None takes it off."""
        self.pin_part(pin)
        self._note(lambda: setattr(self.wiring.pins[pin], "fitted_ohm", ohm), pin)

    def clean(self, pin: str) -> None:
        """Take away what leaks from the rail over the board to that pin."""
        self.pin_part(pin)
        self._note(lambda: setattr(self.wiring.pins[pin], "cleaned", True), pin)

    def lift(self, pin: str, wire_on: Lifted) -> None:
        """Lift the chip's pin off its pad; the bench's wire is on the pad, or on the lifted pin."""
        self.pin_part(pin)
        self._note(lambda: setattr(self.wiring.pins[pin], "lifted", wire_on), pin)

    def set_temperature(self, kelvin: float) -> None:
        self._note(lambda: setattr(self.wiring, "temperature_k", kelvin), *self.wiring.pins)

    def set_rail(self, volts: float, over_s: float) -> None:
        """The rail goes to `volts` within `over_s`. A unit that comes up has its pins at their defaults."""
        self._due = [due for due in self._due if due.contact != RAIL or due.time_s <= self.now_s]
        heapq.heapify(self._due)
        from_v, was_up = self.rail_v(), self.is_up()
        self._rail = Drive("voltage", from_v, volts, self.now_s, self.now_s + over_s)
        for step in range(1, RAIL_STEPS + 1) if over_s > 0 else [RAIL_STEPS]:
            share = step / RAIL_STEPS
            self._push(
                self.now_s + over_s * share,
                _rail_setter(self.wiring, from_v + (volts - from_v) * share),
                contact=RAIL,
                touched=tuple(self.wiring.pins),
            )
        if volts >= self.board.unit.brownout_v and not was_up:
            self._up_s = self.now_s + over_s
            if self._up_s > 0:
                self.set_setup("reset default", *self.wiring.pins)

    def rail_v(self) -> float:
        """The rail now."""
        return self._rail.volts(self.now_s)

    def is_up(self) -> bool:
        """Whether the unit has power."""
        return self.board.supply is None or self.rail_v() >= self.board.unit.brownout_v

    def booted_s(self) -> float:
        """When the unit was, or will be, up after its power came."""
        return self._up_s + self.board.unit.boot_time_s if self._up_s > 0 else 0.0

    def quiescent_s(self) -> float:
        """The unit as a conductance at its rail."""
        return self.board.unit.quiescent_a / self.board.rail.voltage_v

    def rail_ampere(self) -> float:
        """What flows out of the rail now."""
        self._catch_up(self.now_s)
        now_s = self.now_s
        return self.wiring.rail_ampere(
            self.bus_v(), lambda name: self._pin_v(name, now_s), lambda name: self._drifted(name, now_s)
        )

    def set_temperature_course(self, course: Sequence[tuple[float, float]]) -> None:
        """Bench times and kelvins to come, in order; a course before this one ends here."""
        self._due = [due for due in self._due if due.contact != CHAMBER or due.time_s <= self.now_s]
        heapq.heapify(self._due)
        for time_s, kelvin in course:
            self._push(time_s, _warmer(self.wiring, kelvin), contact=CHAMBER, touched=tuple(self.wiring.pins))

    def pin_part(self, pin: str) -> PinPart:
        """What the board file says of a pin."""
        if pin not in self.setups:
            raise NoSuchNameError(f"no pin {pin!r}")
        return self.wiring.pins[pin].part

    def keep_from(self, who: str, time_s: float | None) -> None:
        """Keep the voltages from `time_s` on for `who`; None: no longer needed."""
        if time_s is None:
            self._kept_from.pop(who, None)
        else:
            self._kept_from[who] = time_s

    def bus_v(self) -> float:
        """The bus now."""
        self._catch_up(self.now_s)
        return self._bus.at(self.now_s - self._start_s)[0]

    def pin_v(self, pin: str) -> float:
        """The node of a pin now."""
        self.pin_part(pin)
        self._catch_up(self.now_s)
        return self._pin_v(pin, self.now_s)

    def source_currents(self, time_s: Sequence[float], node_v: Sequence[float]) -> list[float]:
        """Ampere from the source into the bus at instants when it was at `node_v`, wired as now."""
        self._catch_up(self.now_s)
        return [self.wiring.source_ampere(t, v) for t, v in zip(time_s, node_v, strict=True)]

    def source_volts(self, time_s: Sequence[float], node_v: Sequence[float]) -> list[float]:
        """The source's terminals at the same instants."""
        self._catch_up(self.now_s)
        return [self.wiring.source_terminal_v(t, v) for t, v in zip(time_s, node_v, strict=True)]

    def means(self, start_s: Floats, width_s: float, *, meter: bool = True) -> Floats:
        """Mean bus volts over windows [start, start + width], rising, from what is kept (see keep_from).

        `meter`: behind the meter's own input time constant.
        """
        which = -1 if meter and self._filtered else 0
        end_s = start_s + width_s
        self._catch_up(float(end_s[-1]))
        total = np.zeros_like(start_s)
        for piece in (*self._past, _Past(self._start_s, math.inf, self._bus)):
            low = np.clip(start_s, piece.start_s, piece.end_s)
            high = np.clip(end_s, piece.start_s, piece.end_s)
            inside = high > low
            if inside.any():
                instants = np.concatenate((high[inside], low[inside])) - piece.start_s
                to_high, to_low = np.split(piece.segment.integral(instants, which), 2)
                total[inside] += to_high - to_low
        return total / width_s

    def polled_high(self, pin: str) -> bool | None:
        """Whether a polled pin was high at the end of its last poll; None before the first."""
        self.pin_part(pin)
        self._catch_up(self.now_s)
        poll = self._polls.get(pin)
        return None if poll is None else poll.high

    def _begin_polls(self, setup: Setup, pin: str, begun_s: float) -> None:
        """The polls of a pin from then on, where its setup has any. Each edge puts in the next one, so that nothing is
        computed before somebody looks."""
        self._polls.pop(pin, None)
        self.wiring.pins[pin].polling = False
        if setup == "polled buffer":
            poll = self._polls[pin] = Poll()
            self._push_poll(pin, poll, begun_s + self.board.unit.poll_period_s)

    def _push_poll(self, pin: str, poll: Poll, open_s: float) -> None:
        unit, wired, close_s = self.board.unit, self.wiring.pins[pin], open_s + self.board.unit.poll_open_s

        def opens() -> None:
            if self._polls.get(pin) is poll:
                wired.polling = True
                self._push(close_s, closes, touched=(pin,))

        def closes() -> None:
            if self._polls.get(pin) is poll:
                poll.high = self._pin_v(pin, close_s) > unit.input_threshold_v
                wired.polling = False
                self._push_poll(pin, poll, open_s + unit.poll_period_s)

        self._push(open_s, opens, touched=(pin,))

    def _leaks(self, part: PinPart) -> bool:
        """Whether the pin's leak is there in the present trial."""
        return part.leak_probability >= 1 or bool(self.chance(f"leak {part.name}").random() < part.leak_probability)

    def _note(self, change: Change, *touched: str) -> None:
        self._push(self.now_s, change, touched=touched)

    def _push(self, time_s: float, change: Change, *, contact: str = "", touched: tuple[str, ...] = ()) -> None:
        self._sequence += 1
        heapq.heappush(self._due, _Due(time_s, self._sequence, change, contact, touched))

    def _catch_up(self, time_s: float) -> None:
        """Let everything happen that is due by `time_s`."""
        while self._due and self._due[0].time_s <= time_s:
            due = heapq.heappop(self._due)
            self._carry_out(due)

    def _pin_v(self, pin: str, time_s: float) -> float:
        if pin in self._joined:
            return self._joined_voltages(time_s)[pin]
        start_s, segment = self._alone[pin]
        return segment.at(time_s - start_s)[0]

    def _joined_voltages(self, time_s: float) -> dict[str, float]:
        """Pins on the bus -> volts; the bus itself under ""."""
        state = self._bus.at(time_s - self._start_s)
        branches = iter(state[1:])
        volts = {name: state[0] if self.wiring.is_merged(name) else next(branches) for name in self._joined}
        return {"": state[0], **volts}

    def _carry_out(self, due: _Due) -> None:
        """End the segment, change something, and begin the next with the charge that every node holds."""
        time_s = max(due.time_s, self._start_s)
        volts = self._joined_voltages(time_s)
        drifted = {name: self._drifted(name, time_s) for name in self.wiring.drifting(list(self.wiring.pins))}
        filtered_v = self._bus.at(time_s - self._start_s)[-1]
        self._finish(time_s)
        charge_c = volts[""] * self.wiring.bus_capacitance_f()
        touched_v = {name: self._pin_v(name, time_s) for name in due.touched if name not in self._joined}
        added = self.wiring.added()
        due.change()
        charge_c += self._charge_added(added, volts[""])
        joined = self.wiring.joined()
        for name in joined:
            if name not in self._joined:
                start_s, segment = self._alone.pop(name)
                volts[name] = segment.at(time_s - start_s)[0]
                charge_c += volts[name] * self._merged_capacitance_f(name)
        for name in self._joined:
            if name not in joined:
                charge_c -= volts[name] * self._merged_capacitance_f(name)
                self._alone[name] = (time_s, self._segment_alone(name, volts[name], drifted.get(name, 0.0)))
        for name, v in touched_v.items():
            if name not in joined:
                self._alone[name] = (time_s, self._segment_alone(name, v, drifted.get(name, 0.0)))
        self._joined = joined
        self._start_s = time_s
        branches_v = [volts[name] for name in joined if not self.wiring.is_merged(name)]
        drifts = [drifted[name] for name in self.wiring.drifting(joined)]
        inputs_v = [filtered_v] if self._filtered else []
        start = [charge_c / self.wiring.bus_capacitance_f(), *branches_v, *drifts, *inputs_v]
        self._bus = Segment(self.wiring.bus_circuit(time_s), start)

    def _segment_alone(self, name: str, volts: float, drifted: float) -> Segment:
        """A pin by itself from now on; how far its leak has drifted goes with it."""
        drifts = [drifted] if self.wiring.drifting([name]) else []
        return Segment(self.wiring.pin_circuit(name), [volts, *drifts])

    def _drifted(self, pin: str, time_s: float) -> float:
        """How far the leak of a pin has drifted, 0 to 1; 0 where it does not."""
        if pin not in self.wiring.drifting([pin]):
            return 0.0
        if pin not in self._joined:
            start_s, segment = self._alone[pin]
            return segment.at(time_s - start_s)[1]
        branches = sum(not self.wiring.is_merged(name) for name in self._joined)
        place = 1 + branches + self.wiring.drifting(self._joined).index(pin)
        return self._bus.at(time_s - self._start_s)[place]

    def _charge_added(self, before: dict[str, float], bus_v: float) -> float:
        """What the capacitors bring to the bus whose relays have closed, less what those take along that have opened.

        One that is parted keeps its charge until it is joined again.
        """
        after = self.wiring.added()
        opened = before.keys() - after.keys()
        self._parted_v.update(dict.fromkeys(opened, bus_v))
        brought = sum(after[name] * self._parted_v.get(name, 0.0) for name in after.keys() - before.keys())
        return brought - sum(before[name] * bus_v for name in opened)

    def _merged_capacitance_f(self, name: str) -> float:
        return self.wiring.pins[name].part.node_capacitance_f if self.wiring.is_merged(name) else 0.0

    def _finish(self, time_s: float) -> None:
        oldest_s = min(self._kept_from.values(), default=time_s)
        self._past = [p for p in self._past if p.end_s >= oldest_s]
        if time_s > self._start_s and self._kept_from:
            self._past.append(_Past(self._start_s, time_s, self._bus))


def _contacts(board: Board) -> dict[str, Contact]:
    def fault(name: str) -> Fault:
        if name in board.faults.welded:
            return "welded"
        return "never closes" if name in board.faults.never_closes else "none"

    contacts = {name: Contact(name, board.relays, fault(name)) for name in board.contacts()}
    contacts["button"] = Contact("button", board.button, fault("button"))
    return contacts


def _warmer(wiring: Wiring, kelvin: float) -> Change:
    return lambda: setattr(wiring, "temperature_k", kelvin)


def _rail_setter(wiring: Wiring, volts: float) -> Change:
    return lambda: setattr(wiring, "rail_v", volts)


def _setter(contact: Contact, closed: bool) -> Change:
    return lambda: setattr(contact, "closed", closed)
