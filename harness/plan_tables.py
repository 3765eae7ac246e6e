"""The tables and keys of plan.toml, as frozen dataclasses in SI; the rules between them stand in plan_rules."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, ClassVar, Literal, get_args

from pydantic import ConfigDict, Field

from harness.procedure_file import BUILT_IN
from harness.user_file import TABLE
from harness.values import (
    PIN_NAME,
    AddedCapacitor,
    Count,
    Flag,
    GuardRule,
    Interval,
    OneOf,
    Quantity,
    Text,
    TrialResistor,
)
from results.record.run_record import Remedy
from results.record.trial import NO_CAPACITOR, NO_RESISTOR
from results.series import SERIES

Name = Annotated[str, Text(1, 80)]
PinName = Annotated[str, PIN_NAME]
PinSetup = Annotated[str, Text(1, 40, r"[\x21-\x7e]+( [\x21-\x7e]+)*", "must be words of ASCII, one blank between")]
Resistance = Annotated[float, Quantity("Ω", 0.0, 10e6)]
Tolerance = Annotated[float, Quantity("%", 0.0, 0.2)]


@dataclass(frozen=True, kw_only=True)
class UnitTable:
    """[unit]: the board or chip under test."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    name: Name
    serial: Name
    revision: Annotated[str, Text()] = ""
    lot: Annotated[str, Text()] = ""


@dataclass(frozen=True, kw_only=True)
class RailTable:
    """[rail]: nominal voltage, relative tolerance, and how far above the rail as measured a pin may ever be.

    `steps_v`: the rails under which every pin is tried; empty: the nominal one alone. `at_end`: what becomes of the
    board's supply.
    """

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    voltage_v: Annotated[float, Quantity("V", 0.5, 60.0)]
    tolerance: Tolerance = 0.05
    above_rail_max_v: Annotated[float, Quantity("V", 0.0, 5.0)] = 0.3
    steps_v: tuple[Annotated[float, Quantity("V", 0.5, 60.0)], ...] = ()
    at_end: Literal["off", "on"] = "off"

    @property
    def all_v(self) -> tuple[float, ...]:
        """The nominal rails of the trials, in order."""
        return self.steps_v or (self.voltage_v,)


@dataclass(frozen=True, kw_only=True)
class TemperatureTable:
    """[temperature]: the temperatures (°C) under which every pin is tried; empty: as it is.

    `soak_s` passes between two readings, which may differ by `stable_c`, and from the step by `within_c`. A chamber is
    given `longest_s` for a step.
    """

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    steps_c: tuple[Annotated[float, Quantity("°C", -70.0, 250.0)], ...] = ()
    soak_s: Annotated[float, Quantity("s", 0.0, 86400.0)] = 600.0
    stable_c: Annotated[float, Quantity("°C", 0.01, 20.0)] = 1.0
    within_c: Annotated[float, Quantity("°C", 0.1, 50.0)] = 3.0
    longest_s: Annotated[float, Quantity("s", 1.0, 604800.0)] = 7200.0


@dataclass(frozen=True, kw_only=True)
class NeighboursTable:
    """[neighbours]: what is done to the pins beside the tested one, each state in turn."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    states: Annotated[tuple[Literal["floating", "pressed", "released together"], ...], Field(min_length=1)]


@dataclass(frozen=True, kw_only=True)
class LevelsTable:
    """[levels]: a standard by name, or V_IL and V_IH."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    standard: Annotated[str, Text()] = ""
    v_il: Annotated[float | None, Quantity("V", 0.01, 60.0)] = None
    v_ih: Annotated[float | None, Quantity("V", 0.01, 60.0)] = None


@dataclass(frozen=True, kw_only=True)
class PullDownTable:
    """[pull_down]: the range in which the unit's own pull-down is expected, in ohm, and the pin setup in which it is
    alone on the node (input buffer off, pull-down on; None: in none that the plan knows of)."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    range_ohm: Annotated[tuple[float, float], Interval("Ω", 100.0, 100e6)]
    setup: PinSetup | None = None


@dataclass(frozen=True, kw_only=True)
class PressTable:
    """[press]: through what, for how long, and (a source only) to which voltage; None is the rail as measured.

    `to`: inputs with a pull-up are pressed to ground, and rest at the rail.

    `reaction_s` is what a person is given to follow a prompt, where pins are pressed by hand.
    """

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    path: Literal["relay", "source", "hand"] = "relay"
    to: Literal["rail", "ground"] = "rail"
    hold_s: Annotated[float, Quantity("s", 1e-3, 60.0)] = 0.02
    voltage_v: Annotated[float | None, Quantity("V", 0.0, 60.0)] = None
    reaction_s: Annotated[float, Quantity("s", 0.1, 60.0)] = 2.0


@dataclass(frozen=True, kw_only=True)
class LogTable:
    """[log]: what is logged before the release and after it (`time_s`), and how often.

    `slack_s` more is logged for a release that comes late. `aperture_s` None: half an interval.
    """

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    before_s: Annotated[float, Quantity("s", 1e-4, 10.0)] = 0.02
    time_s: Annotated[float, Quantity("s", 1e-3, 3600.0)] = 0.12
    interval_s: Annotated[float, Quantity("s", 1e-6, 10.0)] = 1e-4
    slack_s: Annotated[float, Quantity("s", 0.0, 10.0)] = 0.1
    aperture_s: Annotated[float | None, Quantity("s", 0.0, 10.0)] = None


@dataclass(frozen=True, kw_only=True)
class ReleaseTable:
    """[release]: the time from the release edge until below V_IL that still counts as released."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    allowed_s: Annotated[float, Quantity("s", 1e-6, 3600.0)] = 0.05


@dataclass(frozen=True, kw_only=True)
class TrialsTable:
    """[trials]: what is combined with what, how often and in which order.

    `resistors` are names (`none`, "8.2 kΩ") of which one is fitted at a time, all of relative `tolerance`. `capacitors`
    likewise ("100 nF"), of `capacitor_tolerance`: every trial is made with each of them added to the node. `as_found`:
    one trial of each pin before the first reset of the board. `stuck_rate_below` with `confidence` (0 to 1): as many
    trials with no resistor as show it where none sticks, and no fewer than `repeats`.
    """

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    resistors: Annotated[tuple[Annotated[str, TrialResistor()], ...], Field(min_length=1)]
    repeats: Annotated[int, Count(1, 1000)] = 3
    stuck_rate_below: Annotated[float | None, Quantity("%", 1e-3, 0.9)] = None
    confidence: Annotated[float, Quantity("%", 0.5, 0.9999)] = 0.95
    tolerance: Tolerance = 0.01
    capacitors: Annotated[tuple[Annotated[str, AddedCapacitor()], ...], Field(min_length=1)] = (NO_CAPACITOR,)
    capacitor_tolerance: Tolerance = 0.05
    fitted: Literal["switched", "hand"] = "switched"
    pin_setups: Annotated[tuple[PinSetup, ...], Field(min_length=1)] = ("reset default",)
    order: Literal["random", "as listed"] = "random"
    seed: Annotated[int, Count(0, 2**63 - 1)] = 1
    as_found: Annotated[bool, Flag()] = False
    procedure: Annotated[str, Text(1, 200)] = BUILT_IN[0]


@dataclass(frozen=True, kw_only=True)
class SweepTable:
    """[sweep]: each pin is swept by the source in each pin setup, after its trials; see results.record.SweepRules."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    steps: Annotated[int, Count(10, 1000)] = 33
    refine: Annotated[int, Count(4, 100)] = 8
    settled_a: Annotated[float, Quantity("A", 0.0, 1e-3)] = 20e-9
    longest_s: Annotated[float, Quantity("s", 0.01, 60.0)] = 1.0
    leak_setups: tuple[PinSetup, PinSetup] | None = None


@dataclass(frozen=True, kw_only=True)
class UnlatchTable:
    """[unlatch]: each pin is latched in each pin setup and cleared with the trial resistors, the largest first."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    repeats: Annotated[int, Count(1, 100)] = 1


@dataclass(frozen=True, kw_only=True)
class PressLevelTable:
    """[press_level]: the lowest level that latches, in each pin setup; see results.record.PressLevelRules."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    resolution_v: Annotated[float, Quantity("V", 1e-4, 1.0)] = 0.02
    repeats: Annotated[int, Count(1, 100)] = 3


@dataclass(frozen=True, kw_only=True)
class DwellTable:
    """[dwell]: pins held and logged for minutes, after all else that is done to them; see results.record.DwellRules.

    `pins` and `setups` empty: all of the plan.
    """

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    hold_s: Annotated[float, Quantity("s", 0.1, 3600.0)] = 120.0
    log_s: Annotated[float, Quantity("s", 1.0, 36000.0)] = 300.0
    interval_s: Annotated[float, Quantity("s", 1e-3, 10.0)] = 0.05
    pins: tuple[PinName, ...] = ()
    resistor: Annotated[str, TrialResistor()] = NO_RESISTOR
    setups: tuple[PinSetup, ...] = ()


@dataclass(frozen=True, kw_only=True)
class BoardOrChipTable:
    """[board_or_chip]: the pins that go through the checklist, and its steps after `as it stands`.

    `buffer_off` is the pin setup with the input buffer off. `resistor` is fitted at each step but at the pad, where
    `pad_resistor` stands in for the pull-down that the lifted pin took away.
    """

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    pins: Annotated[tuple[PinName, ...], Field(min_length=1)]
    pad_resistor: Annotated[str, TrialResistor()]
    steps: tuple[Literal["buffer off", "cleaned", "pad", "lifted pin"], ...] = (
        "buffer off",
        "cleaned",
        "pad",
        "lifted pin",
    )
    buffer_off: PinSetup = "buffer off"
    resistor: Annotated[str, TrialResistor()] = "none"
    repeats: Annotated[int, Count(1, 100)] = 3


@dataclass(frozen=True, kw_only=True)
class RemediesTable:
    """[remedies]: what is tried on each pin, in the first of the pin setups; see results.record.RemedyRules."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    tried: Annotated[tuple[Annotated[Remedy, OneOf(lambda: get_args(Remedy), "remedy")], ...], Field(min_length=1)]
    repeats: Annotated[int, Count(1, 100)] = 3
    driver_current_a: Annotated[float | None, Quantity("A", 1e-6, 10.0)] = None
    polled_setup: PinSetup = "polled buffer"
    poll_period_s: Annotated[float, Quantity("s", 1e-3, 10.0)] = 50e-3
    open_time_s: Annotated[float, Quantity("s", 1e-9, 1.0)] = 20e-6
    polls: Annotated[int, Count(1, 1000)] = 20


@dataclass(frozen=True, kw_only=True)
class AdviceTable:
    """[advice]: from which series (IEC 60063) and of which tolerance a resistor is recommended, and its margin."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    series: Annotated[str, OneOf(lambda: SERIES, "series of preferred values")] = "E12"
    tolerance: Tolerance = 0.01
    margin: Annotated[float, Quantity("%", 0.0, 5.0)] = 0.2


@dataclass(frozen=True, kw_only=True)
class DecisionTable:
    """[decision]: the rule by which a voltage counts as below or above a level; see results.guard_band."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    rule: Annotated[str, GuardRule()] = "w = U"


@dataclass(frozen=True, kw_only=True)
class RecordedTable:
    """[recorded]: what logged the traces that are imported. None: not known, and said so in the report."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    meter_resistance_ohm: Annotated[float | None, Quantity("Ω", 1e4, 1e15)] = None
    meter_resistance_tolerance: Tolerance = 0.0
    accuracy_reading: Annotated[float | None, Quantity("%", 0.0, 0.1)] = None
    accuracy_v: Annotated[float | None, Quantity("V", 0.0, 1.0)] = None
    aperture_s: Annotated[float | None, Quantity("s", 0.0, 10.0)] = None
    step_response_s: Annotated[float | None, Quantity("s", 0.0, 10.0)] = None
    line_frequency_hz: Annotated[float | None, Quantity("Hz", 10.0, 1000.0)] = None


@dataclass(frozen=True, kw_only=True)
class PinTable:
    """One of [[pins]]. `node_capacitance_f` and its tolerance are None where they are not known.

    `neighbours`: the pins beside it; empty: those before and after it in the list.
    """

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    name: PinName
    node_capacitance_f: Annotated[float | None, Quantity("F", 0.0, 0.01)] = None
    node_capacitance_tolerance: Annotated[float | None, Quantity("%", 0.0, 1.0)] = None
    series_resistance_ohm: Resistance = 0.0
    note: Annotated[str, Text(0, 200)] = ""
    neighbours: tuple[PinName, ...] = ()


@dataclass(frozen=True, kw_only=True)
class DamageWatchTable:
    """[damage_watch]: by how much the leakage of a pin, at 0 V and at the rail, may change from before to after."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    limit_a: Annotated[float, Quantity("A", 1e-12, 1e-3)] = 100e-9


@dataclass(frozen=True, kw_only=True)
class RetestTable:
    """[retest]: what becomes of a fault of the bench (never of what a trial showed).

    `tries`: how often one trial is made at most. `failures`: how many recoveries a run makes before it stops. A lost
    instrument is tried at once, then after `first_wait_s` (real seconds), doubling up to `longest_wait_s`.
    """

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    tries: Annotated[int, Count(1, 100)] = 5
    failures: Annotated[int, Count(0, 10000)] = 10
    first_wait_s: Annotated[float, Quantity("s", 1e-3, 3600.0)] = 1.0
    longest_wait_s: Annotated[float, Quantity("s", 1e-3, 3600.0)] = 60.0


@dataclass(frozen=True, kw_only=True)
class PlanTables:
    """All tables of plan.toml."""

    __pydantic_config__: ClassVar[ConfigDict] = TABLE
    unit: UnitTable
    rail: RailTable
    levels: LevelsTable
    pull_down: PullDownTable
    trials: TrialsTable
    pins: Annotated[tuple[PinTable, ...], Field(min_length=1)]
    press: PressTable = field(default_factory=PressTable)
    log: LogTable = field(default_factory=LogTable)
    release: ReleaseTable = field(default_factory=ReleaseTable)
    advice: AdviceTable = field(default_factory=AdviceTable)
    decision: DecisionTable = field(default_factory=DecisionTable)
    temperature: TemperatureTable = field(default_factory=TemperatureTable)
    retest: RetestTable = field(default_factory=RetestTable)
    neighbours: NeighboursTable | None = None
    sweep: SweepTable | None = None
    unlatch: UnlatchTable | None = None
    dwell: DwellTable | None = None
    press_level: PressLevelTable | None = None
    board_or_chip: BoardOrChipTable | None = None
    remedies: RemediesTable | None = None
    damage_watch: DamageWatchTable | None = None
    recorded: RecordedTable | None = None
