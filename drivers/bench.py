"""The opened bench: what a procedure works with. Limits and states are inside; every wait goes through its clock.

The bench is one common wire, the bus, with the meter on it. Relays join it to one pin (select), to the rail through the
press resistor (press), to ground (discharge, and fit: the trial resistors), and to a source through a relay in series.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import partial

from drivers.bare_bus import BareBus
from drivers.board import Board
from drivers.bus import Bus, BusLook
from drivers.chamber import Chamber
from drivers.clock import Clock
from drivers.errors import BenchError, InstrumentError, LinkError, WiringError
from drivers.hold import Holder
from drivers.instrument import Instrument
from drivers.limits import Limits
from drivers.meter import Meter, Readings
from drivers.operator import Operator
from drivers.press import Lease, Presser, PressPath, no_lease
from drivers.rail import Rail
from drivers.relay_board import RelayBoard
from drivers.relays import RelayDevice, Relays
from drivers.source import Source
from drivers.states import BenchState, State
from drivers.switch import Switch
from drivers.undo import undoing
from drivers.wiring import Device, Wiring

SETTLE_S = 0.005
"""Bench seconds until a relay has operated and stopped bouncing; reed and signal relays take 0.2 to 3 ms."""


MAKE_SAFE_S = 20.0
"""Real seconds that making safe takes at most, where two relay devices and a source are all deaf."""


class Bench:
    """Everything handed in is opened already; constructing does no I/O. Starts unprepared; `prepare` comes first.

    Every method raises BenchError where the state does not allow it (nothing is sent then), and LinkError,
    InstrumentError or WiringError where the bench does not do as it is told: that is a fault, and then only `make_safe`
    and `prepare` lead on.
    """

    def __init__(
        self,
        *,
        clock: Clock,
        meter: Meter,
        limits: Limits,
        wiring: Wiring,
        switch: Switch | None = None,
        relay_board: RelayBoard | None = None,
        source: Source | None = None,
        board: Board | None = None,
        operator: Operator | None = None,
        meter_input_ohm: float | None = 10e6,
        meter_range_v: float = 10.0,
        line_hz: float = 50.0,
        settle_s: float = SETTLE_S,
        expected: Mapping[str, str] | None = None,
        lease: Lease = no_lease,
        rail: Rail | None = None,
        chamber: Chamber | None = None,
        chamber_limits_c: tuple[float, float] = (0.0, 60.0),
    ) -> None:
        """`meter_input_ohm` None: unknown, and not corrected for. `expected`: role to the text its identity must hold.
        `rail` None: nothing sets it. `chamber_limits_c`: the lowest and the highest temperature that it may be set to.

        Raises WiringError if a wire leads to a device that is not there.
        """
        devices: dict[Device, RelayDevice] = {}
        if switch is not None:
            devices["switch"] = switch
        if relay_board is not None:
            devices["relay_board"] = relay_board
        wiring.check_devices(tuple(devices))
        self.clock = clock
        self.meter = meter
        self.limits = limits
        self.wiring = wiring
        self.source = source
        self.board = board
        self.operator = operator
        self.meter_input_ohm = meter_input_ohm
        self.identities: dict[str, tuple[str, str]] = {}
        self._meter_range_v = meter_range_v
        self._line_hz = line_hz
        self._settle_s = settle_s
        self._expected = dict(expected or {})
        self._relays = Relays(devices)
        self.chamber = chamber
        self._chamber_limits_c = chamber_limits_c
        self._rail = Rail(limits, operator=operator) if rail is None else rail
        self._lease = lease
        self._state = BenchState()
        self._bus = Bus(
            clock=clock,
            meter=meter,
            wiring=wiring,
            relays=self._relays,
            operator=operator,
            meter_input_ohm=meter_input_ohm,
            settle_s=settle_s,
        )
        self._holder = Holder(
            clock=clock, limits=limits, wiring=wiring, relays=self._relays, settle_s=settle_s, lease=lease
        )
        self._presser = Presser(
            clock=clock,
            limits=limits,
            wiring=wiring,
            relays=self._relays,
            source=source,
            operator=operator,
            settle_s=settle_s,
            lease=lease,
            held_left=self._holder.left_s,
        )
        self._path: PressPath = "relay"
        self._level_v: float | None = None
        self._rail_v: float | None = None
        self._rail_at_s = 0.0

    @property
    def state(self) -> State:
        return self._state.current

    @property
    def pin(self) -> str | None:
        """The pin on the bus, None where there is none."""
        return self._bus.pin

    @property
    def fitted(self) -> str:
        """The trial resistor on the bus: its name, "none", or "unknown" where nobody has looked yet."""
        return self._bus.fitted

    @property
    def rail_is_measurable(self) -> bool:
        """Whether `rail_voltage` can do it as things stand: a relay leads to it, and nothing is fitted by hand."""
        return self._bus.rail_is_measurable

    @property
    def has_second_path(self) -> bool:
        """Whether the pin on the bus can be taken off it, for `bus_alone_voltage`."""
        return self._bus.is_switched

    @property
    def has_supply(self) -> bool:
        """Whether a supply sets the board's rail."""
        return self._rail.supply is not None

    # Getting ready and getting safe

    def prepare(self) -> None:
        """Identify everything, then reset and configure: all relays open, source off at high impedance, both verified.

        The board under test is identified and not reset: the first trial may want it as found. It is asked last, once
        its supply, where there is one, is on. A link that failed is reopened. Identities stand in `identities`: role to
        (resource, identity).
        """
        with self._state.moving("prepare"):
            for role, instrument in self._instruments().items():
                _awake(instrument)
                if role != "board":
                    self.identities[role] = (instrument.resource, instrument.identify(self._expected.get(role, "")))
            for device in self._relays.devices.values():
                device.reset()
            if self.source is not None:
                self.source.instrument.reset()
                self.source.prepare(self.limits.voltage_v, self.limits.current_a)
            if self.chamber is not None:
                self.chamber.prepare(*self._chamber_limits_c)
            self._rail.prepare()
            if self.board is not None:
                told = self.board.identify(self._expected.get("board", ""))
                self.identities["board"] = (self.board.instrument.resource, told)
            self.meter.instrument.reset()
            self.meter.configure(self._meter_range_v, 1.0 / self._line_hz, self.meter_input_ohm, self._line_hz)
            self.clock.settle(self._settle_s)
            self._all_opened()

    def make_safe(self) -> list[str]:
        """Open every relay, then the source off, then the supply as planned: each is tried whatever failed before.

        Never raises.
        Returns what could not be verified, a line each; the bench is safe where the list is empty, else in fault.
        """
        unverified: list[str] = []
        self._presser.cover_safe_steps(MAKE_SAFE_S)
        self._holder.cover(MAKE_SAFE_S)
        for what, step in self._safe_steps():
            try:
                step()
            except Exception as exc:  # noqa: BLE001 - whatever it is, the next step must still be tried
                unverified.append(f"{what}: {exc}")
        if not unverified:
            try:
                self._all_opened()
            except Exception as exc:  # noqa: BLE001 - the lease is handed in, so anything may come out of it
                unverified.append(f"lease: not given back: {exc}")
        self._state.made_safe(proven=not unverified)
        return unverified

    def error_queues(self) -> dict[str, tuple[str, ...]]:
        """What stands in the error queue of each SCPI instrument, by role; the queues are empty afterwards."""
        with self._state.moving("read"):
            found: dict[str, tuple[str, ...]] = {}
            for role, instrument in self._instruments().items():
                if role in ("relay_board", "board"):
                    continue  # they speak a line protocol: an error is the answer to the line that caused it
                try:
                    instrument.check_errors("")
                    found[role] = ()
                except InstrumentError as exc:
                    found[role] = tuple(f"{number} {text}" for number, text in exc.errors)
            return found

    # The bus

    def label(self, text: str) -> None:
        """Show the text on the meter's display."""
        with self._state.moving("read"):
            self.meter.label(text)

    def select(self, pin: str) -> None:
        """Put this pin on the bus, the pin before it taken off first; a pin that is not switched is connected by hand.

        Nothing is sent where it is on the bus already. Raises WiringError where nobody can connect it.
        """
        self._state.require("select")
        self._bus.check_select(pin)
        if pin != self._bus.pin:
            with self._state.moving("select"):
                self._bus.select(pin)

    def deselect(self) -> None:
        """Take the pin off the bus."""
        with self._state.moving("deselect"):
            self._bus.take_off()

    def discharge(self, seconds: float) -> None:
        """Join bus and pin to ground through the discharge resistor for this long, and part them again.

        A bench without a discharge relay only waits: meter and pull-down discharge the node.
        """
        with self._state.moving("discharge"):
            self._bus.discharge(seconds)

    def fit(self, name: str) -> None:
        """Have this trial resistor on the bus and no other ("none": none); by hand where it is not switched.

        Nothing is sent and nobody is asked where it is fitted already. Raises WiringError where nobody can fit it.
        """
        self._state.require("fit")
        self._bus.check_fit(name)
        with self._state.moving("fit"):
            self._bus.fit(name)

    @property
    def added(self) -> str:
        """The known capacitor on the bus: its name, or "none"."""
        return self._bus.added

    def add(self, name: str) -> None:
        """Have this known capacitor on the bus and no other ("none": none), joined and taken off discharged; by hand
        where it is not switched.

        Nothing is sent and nobody is asked where it is there already. Raises WiringError where nobody can add it.
        """
        if name == self._bus.added:
            return
        self._state.require("add")
        self._bus.check_add(name)
        with self._state.moving("add"):
            self._bus.add(name)

    def voltage(self) -> float:
        """One reading of the bus in volts, through an aperture of one mains cycle. Raises BenchError on an overload."""
        self._presser.check_time()
        self._holder.check_time()
        with self._state.moving("read"):
            return self.meter.read()

    def rail_voltage(self, max_age_s: float = 0.0) -> float:
        """The rail in volts, with nothing on the bus: through the rail relay, else through the press relay.

        The value measured last where it is not older than `max_age_s` bench seconds: pin and resistor need not be taken
        off and put back for it. The divider of that relay's resistor and the meter's input is corrected. Raises
        WiringError where neither relay is there or a person would have to take something off; LimitError where the rail
        is beyond the limit.
        """
        self._state.require("measure rail")
        if self._rail_v is not None and self.clock.now() - self._rail_at_s <= max_age_s:
            return self._rail_v
        self._bus.check_rail()
        with self._state.moving("measure rail"):
            return self._rail_is(self._bus.rail_voltage())

    @property
    def bus_can_be_freed(self) -> bool:
        """Whether relays can take everything off the bus: nothing is there that a person would have to take off."""
        return self._bus.is_switchable

    def set_rail(self, volts: float) -> None:
        """Set the board's rail, with no pin on the bus: by the supply, else by a person.

        What was measured of it before is forgotten. Raises LimitError beyond a limit and WiringError where nobody can
        set it: nothing is sent then.
        """
        self._state.require("set rail")
        self._rail.check(volts)
        with self._state.moving("set rail"):
            self._rail_v = None
            self._rail.set(volts)

    def power_off(self) -> None:
        """Take the power from the board, with no pin on the bus, so that a person may touch it; `set_rail` gives it.

        Raises WiringError where nobody can.
        """
        with self._state.moving("set rail"):
            self._rail_v = None
            self._rail.off()

    def supply_current(self) -> float | None:
        """Amperes that the board draws from its supply; None where no supply measures it."""
        with self._state.moving("read"):
            return self._rail.current()

    def look_at_bus(self, resistors: Sequence[str] = (), source_v: float | None = None) -> BusLook:
        """Read the bus with no pin on it: each way to the rail, let go, and with each of these switched resistors.

        `source_v`: force this much through the source's series relay too. Pin and resistor are put back; the rail is
        known afterwards where a relay leads to it. Raises WiringError where a person would have to take something off,
        LimitError where the rail or `source_v` is beyond the limit.
        """
        self._state.require("measure rail")
        self._bus.check_free()
        with self._state.moving("measure rail"):
            source = None if source_v is None else partial(self._forced, source_v)
            look = self._bus.look(resistors, source)
            press_ohm = self.wiring.press_ohm if self.wiring.press_to == "rail" else None
            for volts, ohm in ((look.rail_v, self.wiring.rail_ohm), (look.press_v, press_ohm)):
                if volts is not None and ohm is not None:
                    self._rail_is(self._bus.corrected(volts, ohm))
                    break
            return look

    @contextmanager
    def bare(self) -> Iterator[BareBus]:
        """The bus with no pin and no trial resistor on it, to be checked; both are put back afterwards.

        The rail is to be measured anew afterwards. Raises WiringError where a person would have to take something off.
        """
        self._state.require("measure rail")
        self._bus.check_free()
        self._rail_v = None
        with self._state.moving("measure rail"), self._bus.alone():
            yield BareBus(
                clock=self.clock,
                meter=self.meter,
                limits=self.limits,
                wiring=self.wiring,
                relays=self._relays,
                source=self.source,
                settle_s=self._settle_s,
                meter_ohm=self.meter_input_ohm,
                lease=self._lease,
            )

    def _forced(self, volts: float) -> tuple[float, float]:
        """Volts and amperes of the source on the bus alone; its relay opens first, then its output goes off."""
        source, relay = self.source, self.wiring.source
        if source is None or relay is None:
            raise WiringError("wiring.source: this bench has no source behind a relay in series")
        source.force_voltage(volts)
        with undoing(source.output_off), undoing(partial(self._relays.open, relay)):
            source.output_on()
            self._relays.close(relay)
            self.clock.settle(self._settle_s)
            return source.read()

    def _rail_is(self, volts: float) -> float:
        self._rail_v, self._rail_at_s = volts, self.clock.now()
        self.limits.check_voltage("rail", volts)
        return volts

    def bus_alone_voltage(self) -> float:
        """The second path to a node that stays high: volts on the bus without the pin, which is then put on again.

        About 0 V means that the pin held the node, the press level that the press path is closed (a welded relay).
        Raises WiringError where the pin is not switched.
        """
        self._state.require("read the bus alone")
        self._bus.check_alone()
        with self._state.moving("read the bus alone"):
            return self._bus.alone_voltage()

    # Press, release, log

    @contextmanager
    def held(self, pins: Sequence[str], level_v: float, *, with_press: bool = False) -> Iterator[None]:
        """Hold other pins at the rail, each by its own relay; let go on the way out, whatever happened inside.

        `level_v` is the rail. `with_press`: they are let go right before the next press is. Begins with no pin on the
        bus. A hold lasts no longer than the limit of the press time. Raises LimitError beyond a limit and WiringError
        where a pin has no hold relay: both before anything is sent.
        """
        self._state.require("hold")
        self._rail.check_powered(f"hold of {', '.join(pins)}")
        self._holder.check(pins, level_v)
        with self._state.moving("hold"):
            self._holder.close(pins, with_press=with_press)
        with undoing(self._end_hold):
            yield

    def _end_hold(self) -> None:
        with self._state.moving("release", whatever=True):
            self._holder.open()

    @contextmanager
    def pressed(self, pin: str, path: PressPath, level_v: float, hold_s: float = 0.0) -> Iterator[None]:
        """Press the selected pin; let go on the way out, whatever happened inside.

        `level_v` is the level behind the press resistor: the rail for a relay, what the source forces for a source.
        `hold_s` is how long it is meant to last. Raises LimitError beyond a limit and WiringError where the bench
        cannot do it, a source without a relay in series included: both before anything is sent. Where presses would
        come faster than the limit of presses a minute, it waits.
        """
        self._state.require("press")
        if pin != self._bus.pin:
            raise BenchError(f"press of {pin}: the pin on the bus is {self._bus.pin}")
        if pin in self._holder.pins:
            raise BenchError(f"press of {pin}: its hold relay keeps it at the rail, so that it could not be released")
        self._rail.check_powered(f"press of {pin} by {path}")
        self._presser.check(pin, path, level_v, hold_s)
        self._presser.pace()
        with self._state.moving("press"):
            self._path, self._level_v = path, level_v
            self._presser.make(pin, path, level_v, hold_s)
        with undoing(self._end_press):
            yield

    def _end_press(self) -> None:
        with self._state.moving("release", whatever=True):
            self._presser.end()

    def force(self, level_v: float) -> None:
        """Force the pin, which the source presses, to another level, without letting go in between.

        `limits.press_time` counts from here anew, and so does the lease. Raises LimitError beyond a limit and
        BenchError where it is not the source that presses: nothing is sent then, and the pin stays at the level
        before.
        """
        self._state.require("force")
        self._presser.check_force(level_v)
        with self._state.moving("force"):
            self._presser.force(level_v)
            self._level_v = level_v

    def release(self) -> float:
        """Let go now, inside `pressed`: a contact opens. Returns the bench's clock at the command.

        A second call sends nothing and returns the same. Raises BenchError outside of `pressed`.
        """
        with self._state.moving("release", whatever=True):
            # Those held with it first: at the edge of the tested pin nothing is pressed any more.
            try:
                self._holder.open_with_press()
            finally:
                let_go_s = self._presser.open()
            return let_go_s

    @contextmanager
    def grounded(self) -> Iterator[None]:
        """Join the released pin to ground through the discharge resistor, as a changeover contact at rest does; part it
        on the way out, whatever happened inside.

        Also while the meter logs. Break before make: a pin that is pressed is not grounded, nor a grounded one pressed.
        Raises WiringError where the bench has no discharge relay: nothing is sent then.
        """
        self._state.require("ground")
        self._bus.check_ground()
        # Parted even where closing fails half-way: the relay may have closed all the same.
        with undoing(self._part):
            with self._state.moving("ground"):
                self._bus.ground()
            yield

    def _part(self) -> None:
        with self._state.moving("part", whatever=True):
            self._bus.part()

    def press_level(self) -> tuple[float | None, float | None, float | None]:
        """Of the last press: open-circuit volts behind the press resistor, its ohms, their standard uncertainty.

        None where not known: the rail where it was not measured, everything of a press by hand.
        """
        if self._path == "source":
            return self._level_v, self.wiring.source_ohm, self.wiring.source_u_ohm
        if self._path == "relay":
            behind_v = self._rail_v if self.wiring.press_to == "rail" else 0.0
            return behind_v, self.wiring.press_ohm, self.wiring.press_u_ohm
        return None, None, None

    def start_log(self, interval_s: float, samples: int, aperture_s: float | None = None) -> float:
        """Start the meter's log; returns the sample interval in seconds as the meter read it back.

        `aperture_s` None: half the interval.
        """
        self._presser.check_time()
        self._holder.check_time()
        with self._state.moving("start log"):
            return self.meter.start_log(interval_s, samples, aperture_s)

    def read_log(self) -> Readings:
        """The log, once it is complete; may be read again until the next one."""
        with self._state.moving("read log"):
            return self.meter.read_log()

    # Inside

    def _instruments(self) -> dict[str, Instrument]:
        """By role; what can energise the unit comes first."""
        found: dict[str, Instrument] = {role: device.instrument for role, device in self._relays.devices.items()}
        if self.source is not None:
            found["source"] = self.source.instrument
        if self._rail.supply is not None:
            found["supply"] = self._rail.supply.instrument
        if self.chamber is not None:
            found["chamber"] = self.chamber.instrument
        found["meter"] = self.meter.instrument
        if self.board is not None:
            found["board"] = self.board.instrument
        return found

    def _safe_steps(self) -> Iterator[tuple[str, Callable[[], None]]]:
        """In order, each with what is not proven where it fails. Relays first: a release is a relay that opens."""
        press, operator = self._presser.press, self.operator
        if press is not None and press.path == "hand" and press.let_go_s is None and operator is not None:
            yield f"operator: not told to let go of {press.pin}", partial(operator.let_go, press.pin)
        pressing = {channel.device for channel in (self.wiring.press, self.wiring.source) if channel is not None}
        # What can press comes first: a deaf one before it would keep the pin energised until its deadlines are over.
        for role, device in sorted(self._relays.devices.items(), key=lambda item: item[0] not in pressing):
            yield f"{role}: relays not proven open", partial(_tried_twice, device.instrument, device.open_all)
        if self.source is not None:
            yield "source: output not proven off", partial(_tried_twice, self.source.instrument, self.source.output_off)
        if self._rail.supply is not None:
            # Last: nothing presses any more, so that no pin of an unpowered board is driven.
            for what, step in self._rail.safe_steps():
                yield what, partial(_tried_twice, self._rail.supply.instrument, step)

        if self.chamber is not None:
            yield "chamber: not proven off", partial(_tried_twice, self.chamber.instrument, self.chamber.off)

    def _all_opened(self) -> None:
        """All relays are open: nothing is pressed, and nothing on the bus but what a person has put there."""
        self._bus.all_opened()
        self._presser.ended_elsewhere()
        self._holder.ended_elsewhere()


def _awake(instrument: Instrument) -> None:
    if instrument.link.state != "ok":
        instrument.link.reopen()


def _tried_twice(instrument: Instrument, step: Callable[[], None]) -> None:
    """Carry a safe step out; where a link that seemed sound fails, once more on a fresh one.

    A link that had failed before gets one fresh try only: each costs a deadline, and a guard tries on for longer.
    """
    if instrument.link.state != "ok":
        instrument.link.reopen()
        step()
        return
    try:
        step()
    except LinkError:
        instrument.link.reopen()
        step()
