"""run.json: the contract between running and analysing. All that analysis needs, in SI; it never parses a plan."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Literal

from results.record.check import CheckRecord
from results.record.contact_count import ContactCount
from results.record.coupon import Coupons
from results.record.trial import NO_CAPACITOR, Capacitor, Condition, Pin, Resistor, Trial

FORMAT = 1
"""Raised when an older stuckpin could no longer read the file."""


@dataclass(frozen=True)
class Unit:
    """The board or chip under test."""

    name: str
    serial: str
    revision: str = ""
    lot: str = ""


@dataclass(frozen=True)
class Levels:
    """Logic levels in volt, and the name of the standard they come from (empty: the plan states them)."""

    v_il: float
    v_ih: float
    standard: str = ""


@dataclass(frozen=True)
class RailLevels:
    """The logic levels at one of the nominal rails (volt) that the plan steps through."""

    rail_v: float
    levels: Levels


@dataclass(frozen=True)
class SupplyModel:
    """Limits (half-widths) of the current that the board's supply reads: relative, and in ampere."""

    accuracy_reading: float
    accuracy_a: float


@dataclass(frozen=True)
class MeterModel:
    """What the meter does to the node and to the number.

    Accuracy limits are half-widths: `accuracy_reading` relative to the reading, `accuracy_v` in volt (of range, and
    all else that is constant). `input_ohm` is None where unknown (then its load cannot be corrected, and is said).
    `aperture_s` and `step_s` (10–90 % of a step) bound the time constants that can be resolved. `line_hz` is None where
    unknown: then both 50 Hz and 60 Hz are looked for. `input_tolerance`: relative half-width of `input_ohm`; 0: taken
    as exact.
    """

    accuracy_reading: float
    accuracy_v: float
    input_ohm: float | None = 10e6
    aperture_s: float = 0.0
    step_s: float = 0.0
    range_v: float | None = None
    line_hz: float | None = None
    input_tolerance: float = 0.0


@dataclass(frozen=True)
class SourceModel:
    """Limits (half-widths) of the current that the source-measure unit reads: relative, and in ampere."""

    accuracy_reading: float
    accuracy_a: float


@dataclass(frozen=True)
class SweepRules:
    """How pins were swept.

    `steps`: equal steps from the rail to 0 V in the first pass; `refine`: levels put in around each place where
    V/I_net is near its minimum in a later pass. `settled_a`: successive currents that differ by no more have settled;
    `longest_s`: the wait for that at one level. `leak_setups`: the pin setups with the input buffer on and off, pull-
    down on in both, whose difference is the leak alone; None where the plan names none.
    """

    steps: int
    refine: int
    settled_a: float
    longest_s: float
    leak_setups: tuple[str, str] | None = None

    def reach_v(self, top_v: float, sweep_pass: int) -> float:
        """How far a refined pass reaches to either side of such a place: one step of the pass before, in volt."""
        return top_v / self.steps * (2.0 / (self.refine + 1)) ** (sweep_pass - 2)


@dataclass(frozen=True)
class PressLevelRules:
    """How the lowest press level that latches was looked for: to `resolution_v`, `repeats` presses at each level."""

    resolution_v: float
    repeats: int


Remedy = Literal["external pull-down", "driven low", "changeover contact", "polled buffer"]
"""What may clear a pin that latches: a resistor to ground; a source that drives low as well; a contact that grounds the
pin at rest; firmware that opens the input buffer only while it reads."""


@dataclass(frozen=True)
class RemedyRules:
    """Which remedies were tried, and with what.

    `driver_current_a`: what the real source can sink, None where the plan does not say. `polled_setup`: the pin setup
    in which the firmware polls, every `poll_period_s` for `open_time_s`, as the plan states them; `polls` were read
    pressed, and as many released. `pin_setup`: that of the pins that are to be cleared.
    """

    tried: tuple[Remedy, ...]
    driver_current_a: float | None
    polled_setup: str
    poll_period_s: float
    open_time_s: float
    polls: int
    pin_setup: str = "reset default"


@dataclass(frozen=True)
class Fixture:
    """Leakage conductance (siemens) and capacitance (farad) of relays and cables at the node; 0 where unknown.

    `capacitance_tolerance` is relative, None where it is not stated.
    `conductance_tolerance`: relative half-width of the leakage; 0: taken as exact.
    """

    conductance_s: float = 0.0
    capacitance_f: float = 0.0
    capacitance_tolerance: float | None = None
    conductance_tolerance: float = 0.0


@dataclass(frozen=True)
class Rules:
    """How to decide: all values SI.

    `pull_down_low_ohm` to `pull_down_high_ohm`: the range in which the unit's own pull-down is expected.
    `allowed_s`: time from the release edge until below V_IL that still counts as released.
    `coverage`: factor k of expanded uncertainties. `series`, `advised_tolerance`, `margin`: what to recommend from
    (IEC 60063), its tolerance (relative), the margin in conductance that a recommended resistor keeps.
    `log_s`: how long a trace goes on after the release, as planned. `guard_rule`: the decision rule by name, with its
    guard band w = `guard_factor` · U. `pull_down_setup`: the pin setup with the input buffer off and the pull-down on,
    in which the pull-down is alone on the node; None where the plan names none.
    """

    pull_down_low_ohm: float
    pull_down_high_ohm: float
    allowed_s: float
    log_s: float
    coverage: float = 2.0
    series: str = "E12"
    advised_tolerance: float = 0.01
    margin: float = 0.2
    guard_rule: str = "w = U"
    guard_factor: float = 1.0
    pull_down_setup: str | None = None

    def guard_band(self, u: float) -> float:
        """How far a quantity with standard uncertainty `u` must keep from a level, in the unit of u: w = r · k · u."""
        return self.guard_factor * self.coverage * u


@dataclass(frozen=True)
class DwellRules:
    """How long pins are held and logged on a long dwell: `before_s` logged before the release, `log_s` after it and
    `slack_s` more for one that comes late, a sample each `interval_s` through `aperture_s`. All in bench seconds."""

    hold_s: float
    log_s: float
    interval_s: float
    aperture_s: float
    before_s: float
    slack_s: float

    @property
    def samples(self) -> int:
        """Of one log."""
        return math.ceil((self.before_s + self.log_s + self.slack_s) / self.interval_s) + 1


@dataclass(frozen=True)
class RetestRules:
    """What became of a fault of the bench: each trial was made `tries` times at most, and the run ended at the fault
    after `failures` recoveries. Waits before a lost instrument was tried again doubled between the two, in seconds."""

    tries: int
    failures: int
    first_wait_s: float
    longest_wait_s: float


@dataclass(frozen=True)
class RateAsked:
    """A stuck rate (0 to 1) that the plan wants shown to lie below `below` with `confidence`, and how many presses of
    each pin with no resistor were planned for it."""

    below: float
    confidence: float
    presses: int

    @property
    def text(self) -> str:
        """ "rate below 5 % with 95 % confidence"."""
        return f"rate below {100.0 * self.below:.6g} % with {100.0 * self.confidence:.6g} % confidence"


@dataclass(frozen=True)
class InstrumentRecord:
    """One instrument as it answered: role, resource, identity, calibration due date (ISO 8601, empty: not stated)."""

    role: str
    resource: str
    identity: str
    calibration_due: str = ""


CheckState = Literal["none", "changed", "expired", "failed", "valid"]
"""Of the bench's check when a run began. `changed`: there is one, but of another text of the bench file. Only what a
`valid` one measured was used."""


@dataclass(frozen=True)
class RunRecord:
    """The whole of run.json.

    `origin` is `bench` for a run on instruments and `recorded` for traces that another instrument saved. `press_path`
    says how pins were pressed. `rail_v` is nominal; `rail_tolerance` relative; what was measured stands in each
    observation. `planned` lists every planned trial in order, so that what is missing can be said.
    `press_to`: where a press leads; with "ground" the inputs have pull-ups, trial resistors and discharge go to the
    rail, and what `rules` call the pull-down is the pull-up. Voltages are those of the node all the same.
    `source` is None where the bench has none, `sweep` where the plan asks for no sweep, `rate_asked` where it asks for
    no stuck rate. `rail_levels` are those of each rail that the plan steps through (empty: `levels` hold for all).
    `supply` is None where none measures its current. `capacitors`: those that trials add to the node. `press_level` and
    `remedies` are None where the plan does not ask for them.
    `damage_limit_a`: by how much a pin's leakage may change over the run, None where nobody watches it.
    `coupons`: the check coupons that were tried before and after.
    `dwell`: how long dwells are made; None where the plan asks for none.
    `check`: the newest check of the bench, whatever its `check_state`; None where there was none of this bench file.
    `plan_file`, `bench_file`: where the files came from, as absolute paths. `procedure_sha256`: of the procedure file
    of one's own, empty where there is none. `finished_utc`: when the last trial was made and the bus found in order.
    `contacts`: how often each relay of the bench has closed, as counted up to where the run ended.
    """

    run: str
    started_utc: str
    version: str
    origin: Literal["bench", "recorded"]
    unit: Unit
    rail_v: float
    levels: Levels
    rules: Rules
    meter: MeterModel
    pins: tuple[Pin, ...]
    resistors: tuple[Resistor, ...]
    planned: tuple[Trial, ...]
    press_path: Literal["relay", "source", "hand", "recorded"]
    rail_tolerance: float = 0.05
    press_to: Literal["rail", "ground"] = "rail"
    fixture: Fixture = field(default_factory=Fixture)
    instruments: tuple[InstrumentRecord, ...] = ()
    operator: str = ""
    bench_name: str = ""
    bench_checked: str = ""
    software: dict[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    source: SourceModel | None = None
    sweep: SweepRules | None = None
    rail_levels: tuple[RailLevels, ...] = ()
    supply: SupplyModel | None = None
    capacitors: tuple[Capacitor, ...] = ()
    press_level: PressLevelRules | None = None
    remedies: RemedyRules | None = None
    rate_asked: RateAsked | None = None
    check: CheckRecord | None = None
    check_state: CheckState = "none"
    coupons: Coupons = field(default_factory=Coupons)
    dwell: DwellRules | None = None
    retest: RetestRules | None = None
    damage_limit_a: float | None = None
    plan_file: str = ""
    bench_file: str = ""
    procedure_sha256: str = ""
    finished_utc: str = ""
    contacts: tuple[ContactCount, ...] = ()
    format: int = FORMAT

    def levels_at(self, rail_v: float) -> Levels:
        """The logic levels at a nominal rail of the plan."""
        return next((one.levels for one in self.rail_levels if one.rail_v == rail_v), self.levels)

    def under(self, condition: Condition) -> RunRecord:
        """The record as it holds under one condition: with the rail and the levels of that."""
        levels = self.levels_at(condition.rail_v)
        if (condition.rail_v, levels) == (self.rail_v, self.levels):
            return self
        return replace(self, rail_v=condition.rail_v, levels=levels)

    def pin(self, name: str) -> Pin:
        """The pin of that name; of one that the plan does not describe nothing else is known."""
        return {p.name: p for p in self.pins}.get(name, Pin(name))

    def resistor(self, name: str) -> Resistor:
        """The resistor of that name. Raises KeyError."""
        return {r.name: r for r in self.resistors}[name]

    def capacitor(self, name: str) -> Capacitor:
        """The added capacitor of that name; `none` is always there. Raises KeyError."""
        return {NO_CAPACITOR: Capacitor(NO_CAPACITOR, None), **{c.name: c for c in self.capacitors}}[name]


__all__ = [
    "FORMAT",
    "Capacitor",
    "CheckState",
    "Condition",
    "DwellRules",
    "Fixture",
    "InstrumentRecord",
    "Levels",
    "MeterModel",
    "Pin",
    "PressLevelRules",
    "RailLevels",
    "RateAsked",
    "Remedy",
    "RemedyRules",
    "Resistor",
    "Rules",
    "RunRecord",
    "SourceModel",
    "SupplyModel",
    "SweepRules",
    "Trial",
    "Unit",
]
