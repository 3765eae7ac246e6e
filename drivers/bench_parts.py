"""What a bench is made of: its instruments by role, the bus, the press, the hold and the rail, and its state."""

from __future__ import annotations

from collections.abc import Mapping

from drivers.bare_bus import BareBus
from drivers.board import Board
from drivers.bus import Bus
from drivers.chamber import Chamber
from drivers.clock import Clock
from drivers.contact_wear import ContactWear
from drivers.hold import Holder
from drivers.instrument import Instrument
from drivers.interlock import Interlock
from drivers.lease import Lease, Leases, no_lease
from drivers.limits import Limits
from drivers.meter import Meter
from drivers.operator import Operator
from drivers.press import Presser, PressPath
from drivers.rail import Rail
from drivers.relay_board import RelayBoard
from drivers.relays import RelayDevice, Relays
from drivers.source import Source
from drivers.states import BenchState, State
from drivers.switch import Switch
from drivers.upkeep import KEEP_S, Upkeep
from drivers.watchdog import Watchdog
from drivers.wiring import Device, Wiring

SETTLE_S = 0.005
"""Bench seconds until a relay has operated and stopped bouncing; reed and signal relays take 0.2 to 3 ms."""


class BenchParts:
    """Everything handed in is opened already; constructing does no I/O."""

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
        interlock: Interlock | None = None,
        watchdogs: Mapping[str, Watchdog] | None = None,
        upkeep: Upkeep | None = None,
    ) -> None:
        """`meter_input_ohm` None: unknown, and not corrected for. `expected`: role to the text its identity must hold.
        `rail` None: nothing sets it. `chamber_limits_c`: the lowest and the highest temperature that it may be set to.
        `interlock`: the one that the links go through; None: none does. `watchdogs`: by the role of their instrument.
        `upkeep`: what `clock` does while it waits; None: nothing is.

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
        self.proof = ""
        """What the bus told when all was made safe last; empty before."""
        self._meter_range_v = meter_range_v
        self._line_hz = line_hz
        self._settle_s = settle_s
        self._expected = dict(expected or {})
        self._interlock = interlock or Interlock(limits, wiring, ContactWear(limits, clock))
        self._relays = Relays(devices, self._interlock)
        self.chamber = chamber
        self._chamber_limits_c = chamber_limits_c
        self._rail = Rail(limits, operator=operator) if rail is None else rail
        self._leases = Leases(lease)
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
            clock=clock,
            limits=limits,
            wiring=wiring,
            relays=self._relays,
            settle_s=settle_s,
            lease=self._leases.of("hold"),
        )
        self._presser = Presser(
            clock=clock,
            limits=limits,
            wiring=wiring,
            relays=self._relays,
            source=source,
            operator=operator,
            settle_s=settle_s,
            lease=self._leases.of("press"),
        )
        self._watchdogs = dict(watchdogs or {})
        self._upkeep = upkeep or Upkeep(clock.now)
        self._register_upkeep()
        self._bare: BareBus | None = None
        self._path: PressPath = "relay"
        self._level_v: float | None = None
        self._rail_v: float | None = None
        self._rail_at_s = 0.0

    def _register_upkeep(self) -> None:
        """A watchdog is fed; any other instrument is asked something now and then. Serial lines are never dropped."""
        for role, instrument in self._instruments().items():
            if role in self._watchdogs:
                self._upkeep.add(self._watchdogs[role].feed_every_s, self._watchdogs[role].feed)
            elif role == "meter":
                self._upkeep.add(KEEP_S, self.meter.keep)
            elif role not in ("relay_board", "board"):
                self._upkeep.add(KEEP_S, instrument.keep)

    @property
    def state(self) -> State:
        return self._state.current

    @property
    def under_way(self) -> str | None:
        """What has been begun and not ended, the check of the bare bus say; None where there is nothing."""
        return self._state.during

    @property
    def pin(self) -> str | None:
        """The pin on the bus, None where there is none."""
        return self._bus.pin

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

    def _all_opened(self) -> None:
        """All relays are open: nothing is pressed, and nothing on the bus but what a person has put there."""
        self._bus.all_opened()
        self._presser.ended_elsewhere()
        self._holder.ended_elsewhere()
        if self._bare is not None:
            self._bare.end()
