"""What analysis finds: one finding a trace, a trial, a pin and condition, and a run. Plain data, SI units.

None always means "not determined" (or "does not apply"), and the finding's note says why.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from results.analysis.found.coupon_item import CouponItem
from results.analysis.found.dwell_finding import DwellFinding
from results.analysis.found.fitting import BoardAdvice, SafeLimit, SeriesValue
from results.analysis.found.fold import FoldMargin
from results.analysis.found.latch import OverdriveFinding, PressLevelFinding
from results.analysis.found.origin import OriginFinding
from results.analysis.found.pin_spread import PinSpread
from results.analysis.found.pull_down_ways import PullDownWays
from results.analysis.found.remedy import RemedyFinding
from results.analysis.found.repeats import Repeats
from results.analysis.found.supply_draw import SupplyDraw
from results.analysis.load_line import RestVoltage
from results.analysis.uncertainty.budget import Budget, Contribution, Source
from results.analysis.uncertainty.monte_carlo import Stated
from results.analysis.uncertainty.stuck_rate import StuckRate
from results.analysis.value import Value as Value
from results.record.check import CheckItem
from results.record.happening import Happening
from results.record.observation import Branch, Observation, SweepStep
from results.record.run_record import RunRecord
from results.record.trial import Condition, Trial

Verdict = Literal[
    "stuck high",
    "stuck low",
    "stuck between",
    "held at press level",
    "undecided",
    "slow",
    "released",
    "no contact",
    "failed",
    "not tested",
]
"""Worst first; the last three are worth nothing as evidence either way. `stuck low` is the mirror image of `stuck
high`: of pull-up inputs, pressed to ground."""


@dataclass(frozen=True)
class Edge:
    """Where the contact let go, on the trace's own time axis.

    `index`: the last sample still at the press level; `after`: the first one that no bounce touches any more.
    `time_s` with standard uncertainty `u_s`: the release instant. `held_v`: the level before it. `rising`: the node
    went up. `bounces`: how often the contact closed again (they count as one release). `hidden_s`: how long after
    `index` the contact may have opened, where the samples do not show when (`u_s` covers it).
    """

    index: int
    after: int
    time_s: float
    u_s: float
    held_v: float
    rising: bool
    bounces: int
    hidden_s: float = 0.0


@dataclass(frozen=True)
class Settled:
    """The voltage at which the node came to rest.

    `voltage_v` with combined standard uncertainty `u_v`; its parts: `u_noise_v` (type A, noise correlation taken into
    account) and `u_accuracy_v` (type B, the meter). `start_s`, `end_s`: the window. `effective_samples`: the number of
    independent samples that the window is worth. `hum_v`, `hum_hz`: amplitude and frequency of mains hum that was
    taken out (0 and None: none seen). `drift_v`: how far the node still moved within the window (0: not significant).
    What of `u_noise_v` is no noise: the converter's step `u_step_v`, hum that the samples cannot show `u_hum_v`, and
    movement that was taken for rest `u_drift_v`.
    """

    voltage_v: float
    u_v: float
    u_noise_v: float
    u_accuracy_v: float
    start_s: float
    end_s: float
    effective_samples: float
    hum_v: float = 0.0
    hum_hz: float | None = None
    drift_v: float = 0.0
    u_step_v: float = 0.0
    u_hum_v: float = 0.0
    u_drift_v: float = 0.0


@dataclass(frozen=True)
class Decay:
    """An exponential fitted to what follows the edge.

    `time_constant_s` with standard error `u_s`; None where not determined (`reason` says why). `is_upper_bound`: the
    decay is faster than the samples, the aperture or the meter's step response can tell, and `time_constant_s` is that
    bound (`u_s` is None). `u_s` counts how far it changes on the way (`u_model_s`), too; the rest of it is noise with
    `dof` degrees of freedom (None: not known). `one_exponential` is False where the
    residuals show that one exponential is not enough; a misfit of 0.05 % of the step is let pass, and
    `reduced_chi_square` is against the noise alone.
    """

    time_constant_s: float | None
    u_s: float | None = None
    is_upper_bound: bool = False
    one_exponential: bool = True
    reduced_chi_square: float | None = None
    reason: str = ""
    u_model_s: float = 0.0
    dof: float | None = None


@dataclass(frozen=True)
class TraceFinding:
    """All that one trace says by itself. `problem` is one line where the trace cannot be judged at all.

    `release_time_s`: edge until below V_IL for good; None where it never was. `last_v`: Value of the node at the end of
    the log even where it is still moving. `moving`: it has not come to rest. `at_press_level`: no edge, the node stays.
    """

    edge: Edge | None
    settled: Settled | None
    decay: Decay | None
    release_time_s: float | None
    last_v: Value | None
    moving: bool = False
    at_press_level: bool = False
    problem: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class TrialFinding:
    """One row of trials.csv: a trial with its verdict.

    `settled` (V, meter on) as on the trace; `at_pin` the same at the pin itself without the meter (what the verdict
    judges, with its standard uncertainty). `net_current` and `leakage` in ampere. `budgets`: of its numbers.
    """

    trial: Trial
    verdict: Verdict
    observation: Observation | None
    trace: TraceFinding | None
    settled: Value | None
    at_pin: Value | None
    net_current: Value | None
    leakage: Value | None
    note: str
    budgets: tuple[Budget, ...] = ()


@dataclass(frozen=True)
class LinePart:
    """A source of error with the sensitivities of the line to it: of the leak (A) and of the pull-down (S)."""

    source: Source
    leak_a: float
    pull_down_s: float


@dataclass(frozen=True)
class LeakLine:
    """The straight line I_net = leak − V·G_pd through settled points, and its test (design §2).

    `leak_a`, `pull_down_s`: intercept and G_pd with standard uncertainties; `covariance`: of the two. `chi_square`
    with `dof` degrees of freedom and `p_value` of the lack of fit. `passes` only where the fit is not refused and the
    implied pull-down lies within the plan's range; else `reason` says which failed. `parts`: what its uncertainties are
    made of.
    """

    points: int
    leak_a: Value | None
    pull_down_s: Value | None
    covariance: float
    chi_square: float
    dof: int
    p_value: float | None
    passes: bool
    reason: str
    parts: tuple[LinePart, ...] = ()


@dataclass(frozen=True)
class Bracket:
    """The largest safe resistance between two trial resistors, by name.

    `low`: the largest that released every time with every smaller one releasing too (None: none did). `high`: the
    smallest that stuck (None: none did; the name may be `none`). `state` says which of the cases it is.
    `at_least_ohm` and `below_ohm`: what that proves about the pin alone, between which its largest safe resistance
    outside lies: the low one with the bench's load in parallel, both at the unfavourable end of the tolerance. None
    where nothing is proven.
    """

    low: str | None
    high: str | None
    low_ohm: float | None
    high_ohm: float | None
    state: Literal["bracketed", "none needed", "all released", "none released", "intermittent", "not determined"]
    at_least_ohm: float | None = None
    below_ohm: float | None = None


@dataclass(frozen=True)
class SweepPoint:
    """One step of a sweep. `voltage` at the node by the meter, `source` into the node, `net_current` out of the pin.

    All three are None where the step is no point of the curve; `note` then says why. `at_pin_v`: volts at the pin
    itself, behind the board's series resistance.
    """

    step: SweepStep
    voltage: Value | None
    source: Value | None
    net_current: Value | None
    at_pin_v: float | None
    note: str = ""


@dataclass(frozen=True)
class SweepBranch:
    """The conductance that one branch asks for: G_req (S) with its standard uncertainty, the half-width of its 95 %
    interval, the voltage (at the pin) where V/I_net is smallest, what of the uncertainty is noise, and all that it is
    made of."""

    branch: Branch
    required: Value
    half_width_s: float
    at_v: float
    noise_u_s: float = 0.0
    parts: tuple[Contribution, ...] = ()


@dataclass(frozen=True)
class RestsAt:
    """Where a pin rests with a trial resistor (and the bench's load), lowest first, within the swept range."""

    resistor: str
    rests: tuple[RestVoltage, ...]


@dataclass(frozen=True)
class LeakAlone:
    """The leak without the pull-down: the largest difference of two sweeps (ampere), and where (volt at the pin)."""

    largest: Value
    at_v: float


Agreement = Literal["agrees", "disagrees", "not compared"]


@dataclass(frozen=True)
class SweepFinding:
    """What a forced-voltage sweep of a pin says.

    `down`, `up`: each branch, None where not determined (`note` says why). `worse` is the one that asks for more.
    `safe` = 1/G_req of the worse branch; `safe_low_ohm` to `safe_high_ohm` holds 95 % (high is None where G_req may
    be zero: no upper limit; all are None where none is needed). `needed`: None where the interval of G_req straddles
    zero. `hysteresis`: largest difference of the net pin current between the branches, at `hysteresis_at_v`;
    `has_memory`: it is more than noise. `trip_down`, `trip_up`: where the board's own reading changes. `leak`: None
    unless the plan names two setups to compare and both have a curve.
    """

    trial: Trial
    observation: Observation | None
    points: tuple[SweepPoint, ...] = ()
    down: SweepBranch | None = None
    up: SweepBranch | None = None
    worse: SweepBranch | None = None
    needed: bool | None = None
    safe: Value | None = None
    safe_low_ohm: float | None = None
    safe_high_ohm: float | None = None
    hysteresis: Value | None = None
    hysteresis_at_v: float | None = None
    has_memory: bool | None = None
    rests: tuple[RestsAt, ...] = ()
    trip_down: Value | None = None
    trip_up: Value | None = None
    leak: LeakAlone | None = None
    agreement: Agreement = "not compared"
    agreement_text: str = ""
    note: str = ""


@dataclass(frozen=True)
class Advice:
    """The resistor to fit. `ohm` is None where none is needed or none can be named; `reason` says which and why.

    `limit`: what it rests on (None: nothing limits it, or nothing is known). `neighbours`: the next value of the
    series down, the recommended one, and the next up; empty where none is named.
    """

    ohm: float | None
    needed: bool | None
    margin: float | None
    reason: str
    limit: SafeLimit | None = None
    neighbours: tuple[SeriesValue, ...] = ()


@dataclass(frozen=True)
class PinFinding:
    """One row of pins.csv: a pin under one condition.

    `verdict` is the worst over the trials with no resistor. `trials`, `stuck_trials`, `stuck_rate_upper95` and
    `stuck_rate` (None without any) count the same trials. `pull_down` in ohm, with `pull_down_from`. `leakage` is the
    largest seen. `safe_ohm` is stated only from a sweep or where the line passes. `sweep` is None where none was
    planned. `contact_proven`: in every trial.
    `pull_down_ways`: in the setup with the buffer off, or where there is more than a hold level to tell. `overdrive`
    and `press_level` are None where neither was planned, `dwell` where no long dwell was.
    `supply`: what the unit drew while it stuck; None where it did not, or no supply measures. `origin`: board or chip,
    None where it did not go through the checklist.
    `budgets`: of every number with an uncertainty, of the trial that decides.
    `fold_margins`: one a release with a resistor, of pins that stuck somewhere or had a capacitor added.
    """

    pin: str
    condition: Condition
    verdict: Verdict
    trials: int
    stuck_trials: int
    stuck_rate_upper95: float | None
    pull_down: Value | None
    pull_down_from: str
    leakage: Value | None
    line: LeakLine | None
    plain_leak: Literal["yes", "no", "untested"]
    bracket: Bracket
    safe_ohm: Value | None
    safe_from: Literal["trials", "line", "sweep", ""]
    advice: Advice
    contact_proven: bool
    note: str
    rows: tuple[TrialFinding, ...]
    sweep: SweepFinding | None = None
    pull_down_ways: PullDownWays | None = None
    overdrive: OverdriveFinding | None = None
    press_level: PressLevelFinding | None = None
    remedies: tuple[RemedyFinding, ...] = ()
    stuck_rate: StuckRate | None = None
    supply: SupplyDraw | None = None
    origin: OriginFinding | None = None
    budgets: tuple[Stated, ...] = ()
    fold_margins: tuple[FoldMargin, ...] = ()
    dwell: DwellFinding | None = None


@dataclass(frozen=True)
class RunFinding:
    """All numbers of a run: every trial (planned order; what was never made is `not tested`) and every pin.

    `board_advice`: one resistor for the whole unit; None only in findings that were not made by analysis. `repeats`:
    one for each trial resistor and condition that was repeated. `spread`: of what ten pins or more have. `coupons`:
    what the check coupons showed, which belong to the bench and stand in none of the other lists. `damage`: how the
    leakage of each pin changed over the run, where the plan watches it. `altered`: which files of the evidence are not
    as they were when the run was sealed, one line each. `happenings`: what happened to the run between its trials.
    `tries`: how often each trial was tried, by its sequence number.
    """

    record: RunRecord
    trials: tuple[TrialFinding, ...]
    pins: tuple[PinFinding, ...]
    notes: tuple[str, ...] = ()
    board_advice: BoardAdvice | None = None
    repeats: tuple[Repeats, ...] = ()
    spread: tuple[PinSpread, ...] = ()
    coupons: tuple[CouponItem, ...] = ()
    damage: tuple[CheckItem, ...] = ()
    altered: tuple[str, ...] = ()
    happenings: tuple[Happening, ...] = ()
    tries: Mapping[int, int] = field(default_factory=dict)
