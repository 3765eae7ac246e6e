"""From contacts and pins to the circuit on the bus: which conductances, currents and nodes are joined at this moment.

A closed select relay joins its pin's node and the bus into one (0.1 ohm against 120 pF settles in picoseconds; the
volts across it, some microvolts at a trial's currents, are left out), unless the board has a series resistance there:
then the pin stays a node of its own. An open select relay passes nothing; every other open relay passes its off
resistance.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from drivers.simulated.back_power import Feed, balance_v, line_feed
from drivers.simulated.board_file import AddPart, Board, FitPart, MissingPullDown, NoLeak, PathPart, PinPart, Setup
from drivers.simulated.contact import Contact
from drivers.simulated.leak import (
    CLAMP_FORWARD_V,
    Current,
    drift_wanted,
    has_buffer_on,
    leak_alone,
    leak_temperature_factor,
    net_pin_current,
    pull_down_current,
)
from drivers.simulated.node import Branch, Circuit, Drift
from drivers.simulated.randomness import generator

LOAD_REGULATION_V = 20e-6


@dataclass(frozen=True)
class Drive:
    """What a source does at its terminals: `volts` moves from `from_v` to `to_v` between two bench times, then stays.

    kind "voltage": that voltage behind the output resistance, at most ±`limit` ampere. kind "current": `limit` ampere
    (signed), at most ±`to_v` volt. kind "open": nothing connected. `endless`: as if the move went on for ever.
    """

    kind: str = "open"
    from_v: float = 0.0
    to_v: float = 0.0
    start_s: float = 0.0
    end_s: float = 0.0
    limit: float = 0.0
    endless: bool = False

    def volts(self, time_s: float) -> float:
        if time_s >= self.end_s and not self.endless:
            return self.to_v
        if time_s <= self.start_s:
            return self.from_v
        return self.from_v + (self.to_v - self.from_v) * (time_s - self.start_s) / (self.end_s - self.start_s)

    def since(self, origin_s: float) -> Drive:
        """The same with its times counted from `origin_s`."""
        return replace(self, start_s=self.start_s - origin_s, end_s=self.end_s - origin_s)

    def ampere(self, time_s: float, node_v: float, series_ohm: float) -> float:
        """Into a node at `node_v` behind `series_ohm` in all."""
        if self.kind == "open":
            return 0.0
        most = abs(self.limit)
        # From no load to the limit the output gives way by LOAD_REGULATION_V at least; a harder corner than any real
        # output has would be a step to the solver.
        ohm = max(series_ohm, LOAD_REGULATION_V / most) if most else series_ohm
        if self.kind == "voltage":
            return min(max((self.volts(time_s) - node_v) / ohm, -most), most)
        if self.limit >= 0:
            return min(most, max((self.to_v - node_v) / ohm, -most))
        return max(-most, min((-self.to_v - node_v) / ohm, most))


Lifted = Literal["", "pad", "pin"]
"""Where the wire of a pin that was lifted off its pad leads; empty: it was not lifted."""


@dataclass
class Pin:
    """One input of the unit, with what has been done to it."""

    part: PinPart
    setup: Setup
    leaks: bool = True
    fitted_ohm: float | None = None
    polling: bool = False
    cleaned: bool = False
    lifted: Lifted = ""

    @property
    def present_setup(self) -> Setup:
        """What the setup amounts to at this moment: a polled buffer is on while it is being read (`polling`)."""
        if self.setup != "polled buffer":
            return self.setup
        return "reset default" if self.polling else "buffer off"

    def on_the_wire(self) -> PinPart:
        """What the bench's wire leads to: all of it, or, with the chip's pin lifted off, the pad or that pin alone."""
        gone: dict[str, object] = {}
        if self.cleaned or self.lifted == "pin":
            gone["rail_resistance_ohm"] = None
        if self.lifted == "pad":
            gone |= {"pull_down": MissingPullDown(kind="missing"), "leak": NoLeak()}
        return self.part.model_copy(update=gone) if gone else self.part


@dataclass
class Wiring:
    """All that decides the circuit; changed only between segments."""

    board: Board
    seed: int
    meter_ohm: float
    temperature_k: float
    contacts: dict[str, Contact]
    pins: dict[str, Pin]
    drive: Drive = field(default_factory=Drive)
    clipped: str | None = None
    rail_v: float = 0.0

    def __post_init__(self) -> None:
        supply = self.board.supply
        self.rail_v = self.board.rail.voltage_v if supply is None or supply.on else 0.0
        wiring = self.board.wiring
        paths = {name: getattr(wiring, name) for name in ("press", "discharge", "rail", "source")}
        self._path_ohm = {name: self._true_ohm(name, p, p.resistor_ohm) for name, p in paths.items() if p is not None}
        for pin, path in wiring.hold.items():
            self._path_ohm[f"hold {pin}"] = self._true_ohm(f"hold {pin}", path, path.resistor_ohm)
        for part in wiring.fit:
            name = f"fit {part.nominal_ohm:.12g}"
            self._path_ohm[name] = self._true_ohm(name, part, part.nominal_ohm)
        names = {f"add {part.nominal_f:.12g}": part for part in wiring.add}
        self._added_f = {name: self._true_f(name, part) for name, part in names.items()}

    def _true_f(self, name: str, part: AddPart) -> float:
        """What an added capacitor really is, as a resistor's true value is drawn."""
        if part.true_f is not None:
            return part.true_f
        drawn = generator(self.seed, "", f"capacitor {name}").uniform(-1, 1)
        return float(part.nominal_f * (1 + part.tolerance * drawn))

    def added(self) -> dict[str, float]:
        """The capacitors whose relays are closed, by contact name, in farad."""
        return {name: farad for name, farad in self._added_f.items() if self.contacts[name].closed}

    def _true_ohm(self, name: str, part: PathPart | FitPart, nominal_ohm: float) -> float:
        """What a resistor really is: as stated, or drawn within its tolerance from the seed alone."""
        if part.true_ohm is not None:
            return part.true_ohm
        return float(nominal_ohm * (1 + part.tolerance * generator(self.seed, "", f"resistor {name}").uniform(-1, 1)))

    def path_ohm(self, name: str) -> float:
        """The true resistor of press, discharge, rail, source or `fit <nominal>`, without its contact."""
        return self._path_ohm[name]

    def joined(self) -> list[str]:
        """The pins on the bus, in the board file's order."""
        return [name for name in self.pins if self._is_joined(name)]

    def _is_joined(self, name: str) -> bool:
        # An open needle stands for a pad that nothing touches: neither the fixture nor a person's clip.
        if self.pins[name].part.needle == "open":
            return False
        select = self.contacts.get(f"select {name}")
        return name == self.clipped or (select is not None and select.closed)

    def is_merged(self, name: str) -> bool:
        """Whether a joined pin is one node with the bus."""
        return self.pins[name].part.series_resistance_ohm == 0

    def pin_current(self, name: str) -> Current:
        """What a pin feeds into its node, its hold relay and what couples it to its neighbours with it."""
        alone, ties = self._pin_alone(name), self._ties(name)
        if not ties:
            return alone
        return lambda v: alone(v) + sum((volts - v) * conductance_s for volts, conductance_s in ties)

    def _ties(self, name: str) -> list[tuple[float, float]]:
        """Voltage and conductance of what else joins the node to something: its hold relay, its neighbours."""
        held_v = self.rail_v if self.board.wiring.press_to == "rail" else 0.0
        ties = [(held_v, held_s)] if (held_s := self.hold_s(name)) else []
        for other, ohm in self.couplings(name).items():
            # A neighbour is where it is held, else where it rests: its own node is not solved together with this one.
            rests_v = self.rail_v if self.pins[other].part.pulls == "up" else 0.0
            ties.append((held_v if self.is_held(other) else rests_v, 1 / ohm))
        return ties

    def couplings(self, name: str) -> dict[str, float]:
        """Pin to ohms, of all that is coupled to a pin, whichever of both says so."""
        found = dict(self.pins[name].part.couplings)
        return found | {other: p.part.couplings[name] for other, p in self.pins.items() if name in p.part.couplings}

    def is_held(self, name: str) -> bool:
        contact = self.contacts.get(f"hold {name}")
        return contact is not None and contact.closed

    def hold_s(self, name: str) -> float:
        """Conductance to a pin through its hold relay; 0 where it has none."""
        contact = self.contacts.get(f"hold {name}")
        return 0.0 if contact is None else 1 / (self.path_ohm(f"hold {name}") + contact.resistance_ohm)

    def _pin_alone(self, name: str) -> Current:
        pin = self.pins[name]
        return net_pin_current(
            pin.on_the_wire(),
            pin.present_setup,
            leak_factor=leak_temperature_factor(pin.part, self.temperature_k) if pin.leaks else 0.0,
            rail_v=self.rail_v,
            output_ohm=self.board.unit.output_ohm,
            fitted_ohm=pin.fitted_ohm,
        )

    def drifting(self, names: Sequence[str]) -> list[str]:
        """Those of these pins whose leak drifts."""
        return [name for name in names if self.pins[name].part.leak_drift is not None]

    def drift_extra(self, name: str) -> Current:
        """What the drifted leak of a pin feeds into its node beyond the leak itself, in full."""
        pin = self.pins[name]
        leak, drift = self._leak(name), pin.part.leak_drift
        if leak is None or drift is None:
            return lambda v: 0.0
        return lambda v: (drift.factor - 1.0) * leak(v)

    def _drifts(self, follows: Mapping[str, int]) -> tuple[Drift, ...]:
        """Of these pins, by which element of the state vector each one's node is."""
        found = []
        for name, index in follows.items():
            part = self.pins[name].part
            drift = part.leak_drift
            if drift is not None:
                wanted = drift_wanted(drift, part, self.rail_v)
                found.append(Drift(index, self.drift_extra(name), wanted, drift.time_constant_s))
        return tuple(found)

    def _leak(self, name: str) -> Current | None:
        """The leak of a pin alone, as it is now."""
        pin = self.pins[name]
        factor = leak_temperature_factor(pin.part, self.temperature_k) if pin.leaks else 0.0
        return leak_alone(pin.on_the_wire(), pin.present_setup, leak_factor=factor, rail_v=self.rail_v)

    def pin_circuit(self, name: str) -> Circuit:
        """A pin by itself, not selected."""
        capacitance_f = self.pins[name].part.node_capacitance_f
        return Circuit(capacitance_f, 0.0, 0.0, (self.pin_current(name),), drifts=self._drifts({name: 0}))

    def bus_capacitance_f(self) -> float:
        """The fixture's, that of the pins merged with it, and what is added to it."""
        merged = [name for name in self.joined() if self.is_merged(name)]
        of_pins = sum(self.pins[name].part.node_capacitance_f for name in merged)
        return self.board.fixture.capacitance_f + of_pins + sum(self.added().values())

    def bus_circuit(self, start_s: float) -> Circuit:
        """The bus and all that is joined to it, for a segment that begins at bench time `start_s`."""
        to_rail_s, to_ground_s = self._conductances()
        joined = self.joined()
        branches = tuple(
            Branch(
                self.pins[name].part.series_resistance_ohm + self.board.relays.on_ohm,
                self.pins[name].part.node_capacitance_f,
                self.pin_current(name),
            )
            for name in joined
            if not self.is_merged(name)
        )
        return Circuit(
            capacitance_f=self.bus_capacitance_f(),
            conductance_s=to_ground_s + to_rail_s,
            injected_a=to_rail_s * self.rail_v,
            currents=tuple(self.pin_current(name) for name in joined if self.is_merged(name)),
            branches=branches,
            drifts=self._drifts(self._nodes_of(joined)),
            drive=self._drive_into_node(start_s),
            filter_s=self.board.meter.step_response_s,
            changing_s=max(0.0, self.drive.end_s - start_s),
        )

    def _nodes_of(self, joined: Sequence[str]) -> dict[str, int]:
        """The element of the state vector of each joined pin's node: the bus, or a branch in its order."""
        apart = [name for name in joined if not self.is_merged(name)]
        return {name: 1 + apart.index(name) if name in apart else 0 for name in joined}

    def _conductances(self) -> tuple[float, float]:
        """Linear conductances from the bus to the rail and to ground."""
        wiring = self.board.wiring
        ends = {"rail": 0.0, "ground": 1 / self.meter_ohm + 1 / self.board.fixture.leakage_resistance_ohm}
        ends[wiring.press_to] += 1 / (wiring.hand_press_resistor_ohm + self.contacts["button"].resistance_ohm)
        for name, contact in self.contacts.items():
            end = {"press": wiring.press_to, "rail": "rail", "discharge": wiring.resistors_to}.get(name)
            end = wiring.resistors_to if name.startswith("fit ") else end
            if end is not None:
                ends[end] += 1 / (self.path_ohm(name) + contact.resistance_ohm)
        return ends["rail"], ends["ground"]

    def rail_ampere(self, bus_v: float, pin_v: Callable[[str], float], drifted: Callable[[str], float]) -> float:
        """What flows out of the rail: the unit at rest, its inputs, and the paths into the bus at `bus_v`.

        `drifted`: how far the leak of a pin has drifted.
        """
        unit = self.board.unit
        ampere = self.rail_v * unit.quiescent_a / self.board.rail.voltage_v
        to_rail_s, _ = self._conductances()
        ampere += to_rail_s * (self.rail_v - bus_v)
        return ampere + sum(self._pin_from_rail(name, pin_v(name), drifted(name)) for name in self.pins)

    def fed_v(self, time_s: float, supplied_v: float) -> float:
        """Where the rail stands by what feeds it besides the supply; 0 where nothing does above `supplied_v`."""
        highest_v = max([line.voltage_v for line in self.board.lines] + [self.drive.volts(time_s)])
        feeds = self._feeds(time_s) if highest_v - CLAMP_FORWARD_V > supplied_v else []
        return balance_v(feeds, self.board.unit.quiescent_a / self.board.rail.voltage_v, highest_v)

    def fed_ampere(self, time_s: float) -> float:
        """What flows into the rail that way."""
        return sum(feed(self.rail_v) for feed in self._feeds(time_s))

    def _feeds(self, time_s: float) -> list[Feed]:
        """The lines that are high, and a source that is joined to a pin."""
        feeds = [line_feed(line.voltage_v, line.resistance_ohm) for line in self.board.lines]
        contact = self.contacts.get("source")
        if contact is not None and contact.closed and self.drive.kind == "voltage" and self.joined():
            drive = self.drive
            feeds.append(lambda v: max(0.0, self.source_ampere(drive, time_s, v + CLAMP_FORWARD_V)))
        return feeds

    def _pin_from_rail(self, name: str, node_v: float, drifted: float) -> float:
        pin, unit = self.pins[name], self.board.unit
        leak, part = self._leak(name), pin.on_the_wire()
        holds_up = self.board.wiring.press_to == "rail"
        ampere = self.hold_s(name) * (self.rail_v - node_v) if holds_up else 0.0
        if part.pulls == "up":  # what its leak takes goes to ground; the rail gives the pull-up's
            on = pin.present_setup in ("reset default", "buffer off")
            ampere += pull_down_current(part.pull_down)(max(self.rail_v - node_v, 0.0)) if on else 0.0
        elif leak is not None:
            ampere += leak(node_v) + drifted * self.drift_extra(name)(node_v)
        if part.rail_resistance_ohm is not None:
            ampere += (self.rail_v - node_v) / part.rail_resistance_ohm
        if has_buffer_on(pin.present_setup) and self.rail_v > 0:
            off = (node_v - unit.input_threshold_v) / unit.shoot_through_width_v
            ampere += unit.shoot_through_a * math.exp(-(off**2))
        return ampere

    def source_outside_ohm(self) -> float | None:
        """From the source's terminals to the bus, contact included; None where no source is wired."""
        contact = self.contacts.get("source")
        return None if contact is None else self.path_ohm("source") + contact.resistance_ohm

    def source_ampere(self, drive: Drive, time_s: float, node_v: float) -> float:
        """From the source, driving so, into the bus."""
        outside_ohm = self.source_outside_ohm()
        if outside_ohm is None:
            return 0.0
        return drive.ampere(time_s, node_v, outside_ohm + self.board.source.output_ohm)

    def source_terminal_v(self, drive: Drive, time_s: float, node_v: float) -> float:
        """The source's terminals; what it is set to where it is not wired."""
        outside_ohm = self.source_outside_ohm()
        if outside_ohm is None:
            return drive.volts(time_s)
        return node_v + self.source_ampere(drive, time_s, node_v) * outside_ohm

    def _drive_into_node(self, start_s: float) -> Callable[[float, float], float] | None:
        outside_ohm = self.source_outside_ohm()
        if outside_ohm is None or self.drive.kind == "open":
            return None
        series_ohm = outside_ohm + self.board.source.output_ohm
        # A segment ends where its ramp does: within it the ramp has no kink for the solver to stumble on.
        drive = self.drive.since(start_s)
        if drive.end_s > 0.0:
            drive = replace(drive, endless=True)
        return lambda t, v: drive.ampere(t, v, series_ohm)
