"""The tables of bench.toml: one frozen dataclass each, SI values."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Annotated, ClassVar, Literal

from pydantic import BeforeValidator, ConfigDict

from drivers.wiring import Channel
from harness.user_file import TABLE
from harness.values import Channels, Count, Day, Number, Quantity, Text, Wire

SOCKET = r"socket://\S+:\d+"
PORT = r"/\S+|\\\\\.\\COM\d+|COM\d+|(?:socket|rfc2217)://\S+:\d+"
SCPI = r"(?i:(?:TCPIP|GPIB|USB|ASRL|VXI|PXI|FIREWIRE)[^\s:]*::\S+)"
Scpi = Annotated[str, Text(1, 200, SCPI, 'must be a VISA resource, such as "TCPIP::192.168.0.5::5025::SOCKET"')]
Port = Annotated[str, Text(1, 200, PORT, 'must be a port, such as "/dev/ttyACM0", "COM3" or "socket://127.0.0.1:7001"')]
Command = Annotated[str, Text(0, 200)]
AnyChannel = Annotated[Channel, Wire()]
OwnChannels = Annotated[tuple[str, ...], Channels()]
WireResistor = Annotated[float, Quantity("Ω", 100.0, 1e6)]
Tolerance = Annotated[float, Quantity("%", 0.0, 0.2)]
MeasuredOhm = Annotated[float | None, Quantity("Ω", 1.0, 100e6)]
Watched = Annotated[float | None, Quantity("s", 2.0, 3600.0)]
MeasuredUOhm = Annotated[float | None, Quantity("Ω", 1e-6, 10e6)]


@dataclass(frozen=True, kw_only=True)
class BenchTable:
    """[bench]: its name, the mains frequency (None: not known) and the VISA library."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    name: Annotated[str, Text(1, 80)] = "bench"
    line_frequency_hz: Annotated[float | None, Quantity("Hz", 10.0, 1000.0)] = None
    visa: Annotated[str, Text(1, 200)] = "@py"


@dataclass(frozen=True, kw_only=True)
class ClockTable:
    """[clock]: bench seconds a real second. Anything but 1 is right only where the bench itself runs that fast.

    `resource`: a line that serves the bench's own time (see drivers.served_clock), None: the computer's is taken.
    """

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    resource: Annotated[str | None, Text(1, 200, SOCKET, 'must be a line, such as "socket://127.0.0.1:7001"')] = None
    speed: Annotated[float, Number(0.01, 1000.0)] = 1.0


@dataclass(frozen=True, kw_only=True)
class LimitsTable:
    """[limits]: what no plan exceeds; see drivers.limits."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    voltage_v: Annotated[float, Quantity("V", 0.5, 60.0)] = 5.5
    current_a: Annotated[float, Quantity("A", 1e-9, 0.1)] = 1e-3
    press_time_s: Annotated[float, Quantity("s", 1e-3, 3600.0)] = 10.0
    presses_per_minute: Annotated[float | None, Number(0.1, 60000.0)] = None
    press_current_a: Annotated[float, Quantity("A", 1e-6, 1.0)] = 20e-3
    above_rail_v: Annotated[float, Quantity("V", 0.0, 1.0)] = 0.3
    powered_share: Annotated[float, Quantity("%", 0.5, 0.99)] = 0.9
    rail_age_s: Annotated[float, Quantity("s", 0.1, 3600.0)] = 60.0
    relay_cycles_per_minute: Annotated[float | None, Number(0.1, 60000.0)] = None
    contact_life: Annotated[int | None, Count(1, 10**12)] = None
    contact_lives: dict[str, Annotated[int, Count(1, 10**12)]] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class InstrumentTable:
    """What every instrument's table may say. `identity` must occur in what it answers when asked who it is."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    resource: str
    calibration_due: Annotated[date | None, Day()] = None
    identity: Annotated[str, Text()] = ""
    commands: dict[str, Command] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class MeterTable(InstrumentTable):
    """[meter]. Accuracy limits as in results.record.run_record.MeterModel.

    `input_resistance_ohm` None: not known, its load cannot be corrected; a tolerance of 0: exact. `memory`:
    readings that it stores, None where not known.
    """

    resource: Scpi
    accuracy_reading: Annotated[float, Quantity("%", 0.0, 0.1)]
    accuracy_v: Annotated[float, Quantity("V", 0.0, 1.0)]
    range_v: Annotated[float, Quantity("V", 0.01, 1000.0)] = 10.0
    input_resistance_ohm: Annotated[float | None, Quantity("Ω", 1e4, 1e15)] = None
    input_resistance_tolerance: Tolerance = 0.0
    step_response_s: Annotated[float, Quantity("s", 0.0, 10.0)] = 0.0
    memory: Annotated[int | None, Count(2, 10**9)] = None


@dataclass(frozen=True, kw_only=True)
class SourceTable(InstrumentTable):
    """[source]: accuracy limits of the current that it measures, relative and in ampere. `watchdog_s`: the time of its
    output watchdog, None: it has none."""

    resource: Scpi
    watchdog_s: Watched = None
    accuracy_reading: Annotated[float, Quantity("%", 0.0, 0.1)]
    accuracy_a: Annotated[float, Quantity("A", 0.0, 0.1)]


@dataclass(frozen=True, kw_only=True)
class SupplyTable(InstrumentTable):
    """[supply]: the board's power supply.

    `voltage_max_v`: what the board bears, None: limits.voltage alone counts. `current_limit_a`: what the supply is set
    to. `settle_s` passes after a change of the rail, `power_up_s` after switching on. Accuracy limits of the current
    that it measures, relative and in ampere; 0 where they are not stated. `watchdog_s` as for a source.
    """

    resource: Scpi
    watchdog_s: Watched = None
    current_limit_a: Annotated[float, Quantity("A", 1e-3, 10.0)]
    voltage_max_v: Annotated[float | None, Quantity("V", 0.5, 60.0)] = None
    settle_s: Annotated[float, Quantity("s", 0.0, 60.0)] = 0.05
    power_up_s: Annotated[float, Quantity("s", 0.0, 60.0)] = 0.5
    accuracy_reading: Annotated[float, Quantity("%", 0.0, 0.1)] = 0.0
    accuracy_a: Annotated[float, Quantity("A", 0.0, 0.1)] = 0.0


@dataclass(frozen=True, kw_only=True)
class ChamberTable(InstrumentTable):
    """[chamber]: the temperature chamber, and between which temperatures (°C) no plan may set it."""

    resource: Scpi
    lowest_c: Annotated[float, Quantity("°C", -70.0, 250.0)]
    highest_c: Annotated[float, Quantity("°C", -70.0, 250.0)]


@dataclass(frozen=True, kw_only=True)
class SwitchTable(InstrumentTable):
    """[switch]. `channels` empty: not stated, so a wire to one that does not exist is found by the switch only."""

    resource: Scpi
    channels: OwnChannels = ()


@dataclass(frozen=True, kw_only=True)
class RelayBoardTable(InstrumentTable):
    """[relay_board]. `channels` as for a switch."""

    resource: Port
    channels: OwnChannels = ()


@dataclass(frozen=True, kw_only=True)
class BoardTable(InstrumentTable):
    """[board]: the console of the board under test."""

    resource: Port


@dataclass(frozen=True, kw_only=True)
class FixtureTable:
    """[fixture]: what relays and cables put on the node; None where not known (the tolerance is the capacitance's)."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    capacitance_f: Annotated[float, Quantity("F", 0.0, 1e-6)] = 0.0
    capacitance_tolerance: Annotated[float | None, Quantity("%", 0.0, 1.0)] = None
    leakage_resistance_ohm: Annotated[float | None, Quantity("Ω", 1e5, 1e16)] = None
    leakage_tolerance: Annotated[float, Quantity("%", 0.0, 1.0)] = 0.0


@dataclass(frozen=True, kw_only=True)
class WireTable:
    """A wire through a relay and a resistor, nominal with relative tolerance, or measured with standard uncertainty."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    channel: AnyChannel
    resistor_ohm: WireResistor = 1e3
    tolerance: Tolerance = 0.01
    measured_ohm: MeasuredOhm = None
    measured_u_ohm: MeasuredUOhm = None


@dataclass(frozen=True, kw_only=True)
class RailWireTable(WireTable):
    """The wire that senses the rail; 10 kΩ unless stated, which keeps a slip from shorting the rail."""

    resistor_ohm: WireResistor = 1e4


@dataclass(frozen=True, kw_only=True)
class SourceWireTable(WireTable):
    """The series relay of the source, by which it lets go; 0 Ω where no resistor is in series."""

    resistor_ohm: Annotated[float, Quantity("Ω", 0.0, 1e6)] = 0.0


@dataclass(frozen=True, kw_only=True)
class FitTable:
    """A trial resistor: its relay (None: fitted by hand) and what was measured of it in place."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    channel: Annotated[Channel | None, Wire()] = None
    measured_ohm: MeasuredOhm = None
    measured_u_ohm: MeasuredUOhm = None


@dataclass(frozen=True, kw_only=True)
class AddTable:
    """A known capacitor that trials add to the node: its relay, and what was measured of it."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    channel: AnyChannel
    measured_f: Annotated[float | None, Quantity("F", 1e-12, 20e-6)] = None
    measured_u_f: Annotated[float | None, Quantity("F", 1e-15, 2e-6)] = None


def _as_table(written: object) -> object:
    """`press = "switch 201"` is short for `press = { channel = "switch 201" }`."""
    return {"channel": written} if isinstance(written, str) else written


_SHORT = BeforeValidator(_as_table)


@dataclass(frozen=True, kw_only=True)
class WiringTable:
    """[wiring]: the relays. `settle_s` passes between a relay's command and a reading."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    press: Annotated[WireTable | None, _SHORT] = None
    discharge: Annotated[WireTable | None, _SHORT] = None
    rail: Annotated[RailWireTable | None, _SHORT] = None
    source: Annotated[SourceWireTable | None, _SHORT] = None
    select: dict[str, AnyChannel] = field(default_factory=dict)
    fit: dict[str, Annotated[FitTable, _SHORT]] = field(default_factory=dict)
    hold: dict[str, Annotated[WireTable, _SHORT]] = field(default_factory=dict)
    add: dict[str, Annotated[AddTable, _SHORT]] = field(default_factory=dict)
    press_to: Literal["rail", "ground"] = "rail"
    resistors_to: Literal["ground", "rail"] = "ground"
    settle_s: Annotated[float, Quantity("s", 0.0, 10.0)] = 0.01
    discharge_time_s: Annotated[float, Quantity("s", 0.0, 60.0)] = 0.02


@dataclass(frozen=True, kw_only=True)
class ReleasedTable:
    """[coupons.released]: a resistor and a capacitor to ground on a select relay of their own."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    channel: AnyChannel
    resistor_ohm: Annotated[float, Quantity("Ω", 100.0, 10e6)]
    capacitor_f: Annotated[float, Quantity("F", 1e-10, 1e-3)]
    tolerance: Tolerance = 0.01
    capacitor_tolerance: Tolerance = 0.05


@dataclass(frozen=True, kw_only=True)
class StuckTable:
    """[coupons.stuck]: a network that latches at the plan's rail, is let go with a trial resistor of `safe_low_ohm` or
    less, and stays high with one of `safe_high_ohm` or more."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    channel: AnyChannel
    safe_low_ohm: Annotated[float, Quantity("Ω", 10.0, 100e6)]
    safe_high_ohm: Annotated[float, Quantity("Ω", 10.0, 100e6)]


@dataclass(frozen=True, kw_only=True)
class CouponsTable:
    """[coupons]: known networks by which a bench shows, before and after, that it sees both ends of a verdict."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    released: ReleasedTable | None = None
    stuck: StuckTable | None = None


@dataclass(frozen=True, kw_only=True)
class CheckTable:
    """[check]: how many days a check of the bench holds, and the largest noise of one sample that passes (None: twice
    the meter's accuracy at the rail)."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    valid_days: Annotated[float, Number(0.01, 3650.0)] = 1.0
    noise_v: Annotated[float | None, Quantity("V", 1e-9, 10.0)] = None


@dataclass(frozen=True, kw_only=True)
class BenchTables:
    """All tables of bench.toml."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    meter: MeterTable
    bench: BenchTable = field(default_factory=BenchTable)
    clock: ClockTable = field(default_factory=ClockTable)
    limits: LimitsTable = field(default_factory=LimitsTable)
    source: SourceTable | None = None
    supply: SupplyTable | None = None
    chamber: ChamberTable | None = None
    switch: SwitchTable | None = None
    relay_board: RelayBoardTable | None = None
    board: BoardTable | None = None
    fixture: FixtureTable = field(default_factory=FixtureTable)
    check: CheckTable = field(default_factory=CheckTable)
    coupons: CouponsTable = field(default_factory=CouponsTable)
    wiring: WiringTable = field(default_factory=WiringTable)

    def instruments(self) -> dict[str, InstrumentTable]:
        """The instruments that the bench has, by role."""
        roles = {
            "meter": self.meter,
            "source": self.source,
            "supply": self.supply,
            "chamber": self.chamber,
            "switch": self.switch,
            "relay_board": self.relay_board,
            "board": self.board,
        }
        return {role: table for role, table in roles.items() if table is not None}
