"""The world: all nodes, all contacts, one time, one seed. What every simulated instrument acts on and looks at.

Commands take effect at the instant they arrive (`now_s`, which the caller moves). They are only noted down then; the
circuit is changed and its voltages are solved, in the order of time, when somebody looks: so that solving one
instrument's segment never delays another's command. Between two changes the circuit is constant (see segment.py).
Segments that ended are kept as long as an instrument has said that it still needs them. The same commands at the same
instants give the same voltages to the last bit.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from drivers.simulated.agenda import Agenda, Change, Due
from drivers.simulated.board_file import Board, PinPart, Setup
from drivers.simulated.capacitor import PartedCapacitors
from drivers.simulated.circuit import Drive, Lifted, Pin, Wiring
from drivers.simulated.contact import Contact, Fault
from drivers.simulated.history import History
from drivers.simulated.polls import Polls
from drivers.simulated.power import Power
from drivers.simulated.randomness import generator
from drivers.simulated.segment import Floats, Segment


class NoSuchNameError(Exception):
    """A pin or contact that this bench does not have; one line."""


CHAMBER = "the chamber"


class World:
    """One bench, in bench seconds. A caller in a thread holds `lock`. Unknown names raise NoSuchNameError."""

    def __init__(self, board: Board, seed: int | None = None) -> None:
        self.board = board
        self.seed = board.seed if seed is None else seed
        self.lock = threading.RLock()
        self.now_s = 0.0
        self.label = ""
        self.setups: dict[str, Setup] = {part.name: part.setup for part in board.pins}
        self.wiring = Wiring(
            board,
            self.seed,
            board.meter.input_resistance_ohm,
            board.temperature_k,
            _contacts(board),
            {part.name: Pin(part, part.setup, self._leaks(part)) for part in board.nodes()},
        )
        self._timers: dict[str, tuple[float, Callable[[], None]]] = {}
        self._agenda = Agenda()
        self._history = History()
        self._power = Power(self._agenda, self.wiring)
        self._polls = Polls(self._agenda, self.wiring, self._pin_v)
        self._parted = PartedCapacitors()
        self._operations: dict[str, int] = {}
        self._start_s = 0.0
        self._alone = {name: (0.0, self._segment_alone(name, 0.0, 0.0)) for name in self.wiring.pins}
        self._joined: list[str] = []
        bus = self.wiring.bus_circuit(0.0)
        self._bus = Segment(bus, [0.0] * (1 + len(bus.branches) + len(bus.drifts) + self._filtered))
        self._note(lambda: None)  # joins what a welded relay joins from the start
        for part in board.pins:
            self._polls.begin(part.setup, part.name, 0.0)

    @property
    def _filtered(self) -> bool:
        return self.board.meter.step_response_s > 0

    def move_to(self, time_s: float) -> None:
        """It is now `time_s`; an instant that has passed moves nothing. What a timer was set for happens on the way."""
        while (name := min(self._timers, key=lambda name: self._timers[name][0], default=None)) is not None:
            due_s, act = self._timers[name]
            if due_s > time_s:
                break
            del self._timers[name]
            self.now_s = max(self.now_s, due_s)
            act()
        self.now_s = max(self.now_s, time_s)

    def set_timer(self, name: str, time_s: float | None, act: Callable[[], None]) -> None:
        """Have an instrument do something by itself at a bench time; None: not any more. One timer a name."""
        self._timers.pop(name, None)
        if time_s is not None:
            self._timers[name] = (time_s, act)

    def chance(self, purpose: str) -> np.random.Generator:
        """A generator for the present trial."""
        return generator(self.seed, self.label, purpose)

    def chance_of_next(self, purpose: str) -> np.random.Generator:
        """A generator for the next operation of its kind since the label was shown."""
        count = self._operations[purpose] = self._operations.get(purpose, 0) + 1
        return self.chance(f"{purpose} {count}")

    def set_label(self, text: str) -> None:
        """The text on the meter's display: the key of all randomness from now on; counts of operations begin anew."""
        self.label = text
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
        self._agenda.forget(name, self.now_s)
        for edge in contact.command(close, self.now_s, self.chance_of_next(f"contact {name}")):
            self._agenda.put(edge.time_s, _setter(contact, edge.closed), contact=name, touched=self._held_by(name))

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
            self._agenda.put(drive.end_s, lambda: None)

    def set_setup(self, setup: Setup, *pins: str) -> None:
        """How firmware has configured pins."""
        for pin in pins:
            self.pin_part(pin)
            self.setups[pin] = setup
        begun_s = self.now_s

        def change() -> None:
            for pin in pins:
                self.wiring.pins[pin].setup = setup
                self._polls.begin(setup, pin, begun_s)

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
        if self._power.set(volts, over_s, self.now_s):
            self.set_setup("reset default", *self.wiring.pins)

    def rail_v(self) -> float:
        """The rail now."""
        self._catch_up(self.now_s)
        return self._power.volts(self.now_s)

    def is_up(self) -> bool:
        """Whether the unit has power."""
        return self._power.is_up(self.now_s)

    def booted_s(self) -> float:
        """When the unit was, or will be, up after its power came."""
        return self._power.booted_s()

    def quiescent_s(self) -> float:
        """The unit as a conductance at its rail."""
        return self.board.unit.quiescent_a / self.board.rail.voltage_v

    def rail_ampere(self) -> float:
        """What flows out of the supply into the rail now: less what else feeds it, which cannot flow back."""
        self._catch_up(self.now_s)
        now_s = self.now_s
        ampere = self.wiring.rail_ampere(
            self.bus_v(), lambda name: self._pin_v(name, now_s), lambda name: self._drifted(name, now_s)
        )
        fed_a = self.wiring.fed_ampere(now_s)
        return max(0.0, ampere - fed_a) if fed_a > 0.0 else ampere

    def set_temperature_course(self, course: Sequence[tuple[float, float]]) -> None:
        """Bench times and kelvins to come, in order; a course before this one ends here."""
        self._agenda.forget(CHAMBER, self.now_s)
        for time_s, kelvin in course:
            self._agenda.put(time_s, _warmer(self.wiring, kelvin), contact=CHAMBER, touched=tuple(self.wiring.pins))

    def pin_part(self, pin: str) -> PinPart:
        """What the board file says of a pin."""
        if pin not in self.setups:
            raise NoSuchNameError(f"no pin {pin!r}")
        return self.wiring.pins[pin].part

    def keep_from(self, who: str, time_s: float | None) -> None:
        """Keep the voltages from `time_s` on for `who`; None: no longer needed."""
        self._history.keep_from(who, time_s)

    def seen(self) -> dict[str, object]:
        """How contacts, source and rail really stand now, whatever their instruments say of them; and how often each
        contact has closed, by its channel."""
        self._catch_up(self.now_s)
        return {
            "closed": [name for name, contact in self.wiring.contacts.items() if contact.closed],
            "closings": {
                f"{channel.device} {channel.number}": self.wiring.contacts[name].closings
                for name, channel in self.board.contacts().items()
            },
            "source": self.wiring.drive.kind,
            "rail_v": self.rail_v(),
            "bus_v": self.bus_v(),
            "time_s": self.now_s,
        }

    def bus_v(self) -> float:
        """The bus now."""
        self._catch_up(self.now_s)
        return self._bus.at(self.now_s - self._start_s)[0]

    def pin_v(self, pin: str) -> float:
        """The node of a pin now."""
        self.pin_part(pin)
        self._catch_up(self.now_s)
        return self._pin_v(pin, self.now_s)

    def source_currents(self, origin_s: float, after_s: Sequence[float], node_v: Sequence[float]) -> list[float]:
        """Ampere from the source into the bus, at instants after `origin_s` when it was at `node_v`, wired as now."""
        self._catch_up(self.now_s)
        drive = self.wiring.drive.since(origin_s)
        return [self.wiring.source_ampere(drive, t, v) for t, v in zip(after_s, node_v, strict=True)]

    def source_volts(self, origin_s: float, after_s: Sequence[float], node_v: Sequence[float]) -> list[float]:
        """The source's terminals at the same instants."""
        self._catch_up(self.now_s)
        drive = self.wiring.drive.since(origin_s)
        return [self.wiring.source_terminal_v(drive, t, v) for t, v in zip(after_s, node_v, strict=True)]

    def means(self, origin_s: float, after_s: Floats, width_s: float, *, meter: bool = True) -> Floats:
        """Mean bus volts over windows of `width_s` that begin `after_s`, rising, after an instant (see keep_from).

        `meter`: behind the meter's own input time constant.
        """
        which = -1 if meter and self._filtered else 0
        end_s = after_s + width_s
        self._catch_up(origin_s + float(end_s[-1]))
        present = (self._start_s, self._bus)
        return self._history.integrals(origin_s, after_s, end_s, present, which) / width_s

    def polled_high(self, pin: str) -> bool | None:
        """Whether a polled pin was high at the end of its last poll; None before the first."""
        self.pin_part(pin)
        self._catch_up(self.now_s)
        return self._polls.read_high(pin)

    def _leaks(self, part: PinPart) -> bool:
        """Whether the pin's leak is there in the present trial."""
        return part.leak_probability >= 1 or bool(self.chance(f"leak {part.name}").random() < part.leak_probability)

    def _note(self, change: Change, *touched: str) -> None:
        self._agenda.put(self.now_s, change, touched=touched)

    def _catch_up(self, time_s: float) -> None:
        """Let everything happen that is due by `time_s`."""
        while (due := self._agenda.next_by(time_s)) is not None:
            self._carry_out(due)
            if (change := self._power.fed(due.time_s)) is not None:
                self._carry_out(replace(due, change=change, touched=tuple(self.wiring.pins)))

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

    def _carry_out(self, due: Due) -> None:
        """End the segment, change something, and begin the next with the charge that every node holds."""
        time_s = max(due.time_s, self._start_s)
        volts = self._joined_voltages(time_s)
        drifted = {name: self._drifted(name, time_s) for name in self.wiring.drifting(list(self.wiring.pins))}
        filtered_v = self._bus.at(time_s - self._start_s)[-1]
        self._history.add(self._start_s, time_s, self._bus)
        charge_c = volts[""] * self.wiring.bus_capacitance_f()
        touched_v = {name: self._pin_v(name, time_s) for name in due.touched if name not in self._joined}
        added = self.wiring.added()
        due.change()
        charge_c += self._parted.charge_brought(added, self.wiring.added(), volts[""])
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

    def _merged_capacitance_f(self, name: str) -> float:
        return self.wiring.pins[name].part.node_capacitance_f if self.wiring.is_merged(name) else 0.0


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


def _setter(contact: Contact, closed: bool) -> Change:
    return lambda: setattr(contact, "closed", closed)
