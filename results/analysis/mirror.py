"""Pull-up inputs that are pressed to ground: analysed in their mirror image by the same code, reported as they are.

With V' = V_rail − V and every current reversed, a pull-up is a pull-down, a press to ground a press to the rail, and
V_IL' = V_rail − V_IH. Only what ends at ground in both cases is not mirrored: meter, fixture and source (ends.py). One
rail serves for all trials at a nominal one, the mean of what was measured: as it is taken off node and levels alike, a
verdict does not depend on it. Where the rail itself counts, as what a trial resistor ends at, each trial has its own.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any, TypeVar

from results.analysis.ends import MirroredMeter
from results.analysis.findings import (
    Edge,
    LeakAlone,
    PinFinding,
    RestsAt,
    RunFinding,
    Settled,
    SweepBranch,
    SweepFinding,
    SweepPoint,
    TraceFinding,
    TrialFinding,
    Value,
    Verdict,
)
from results.analysis.found.coupon_item import CouponItem
from results.analysis.found.dwell_finding import DwellFinding
from results.analysis.found.fold import Passage
from results.analysis.found.latch import LevelTried, OverdriveFinding, PressLevelFinding
from results.analysis.found.origin import ChecklistStep
from results.analysis.found.pull_down_ways import PullDownWay, PullDownWays
from results.analysis.found.remedy import RemedyFinding
from results.analysis.load_line import RestVoltage
from results.analysis.uncertainty.budget import Budget
from results.analysis.uncertainty.monte_carlo import Comparison, Stated
from results.errors import RecordError
from results.quantity import show
from results.record.check import CheckItem
from results.record.observation import Branch, Observation, Probe, Reading, SweepStep
from results.record.run_record import Levels, MeterModel, RunRecord
from results.record.trace import Trace
from results.record.trial import Condition, Trial
from results.words import mirrored_words

Observed = Sequence[tuple[Trial, Observation]]
Finding = TypeVar("Finding")

_OTHER_READING: Mapping[Reading, Reading] = {"high": "low", "low": "high", "": ""}
_OTHER_BRANCH: Mapping[Branch, Branch] = {"down": "up", "up": "down"}
_OTHER_VERDICT: Mapping[Verdict, Verdict] = {"stuck high": "stuck low", "stuck low": "stuck high"}

LEVELS: Mapping[type, tuple[str, ...]] = {
    Edge: ("held_v",),
    Settled: ("voltage_v",),
    TraceFinding: ("last_v",),
    TrialFinding: ("settled", "at_pin"),
    RestVoltage: ("voltage_v",),
    SweepPoint: ("voltage", "at_pin_v"),
    SweepBranch: ("at_v",),
    LeakAlone: ("at_v",),
    SweepFinding: ("hysteresis_at_v", "trip_down", "trip_up"),
    SweepStep: ("level_v",),
    ChecklistStep: ("settled",),
    DwellFinding: ("early", "late"),
    Passage: ("at_v", "from_v"),
    PullDownWay: ("at_v",),
    PullDownWays: ("at_rail_v",),
    OverdriveFinding: ("latched_v", "swept_at_v"),
    LevelTried: ("level",),
    PressLevelFinding: ("never", "always", "swept"),
    RemedyFinding: ("rest",),
}
"""What in a finding is the voltage of a node, by its field."""

REVERSED: Mapping[type, tuple[str, ...]] = {
    Settled: ("drift_v",),
    SweepPoint: ("source",),
    SweepFinding: ("hysteresis",),
    DwellFinding: ("drift", "rate_v_per_min"),
    Passage: ("per_volt",),
}
"""What changes its sign. Net pin currents do not: they are counted as the leak drives them, here into the pin."""

SWAPPED: Mapping[type, tuple[tuple[str, str], ...]] = {SweepFinding: (("down", "up"), ("trip_down", "trip_up"))}
"""Pairs of fields that stand for each other."""

TEXTS = ("note", "notes", "bend_note", "reason", "problem", "agreement_text", "release_from", "released_level", "about")


@dataclass(frozen=True, kw_only=True)
class MirroredRecord(RunRecord):
    """The record of a run in its mirror image: by nominal rail, the rail that the mirror stands at, in volt, and its
    standard uncertainty."""

    run_levels: Levels
    rail_at: Mapping[float, Value]

    def levels_at(self, rail_v: float) -> Levels:
        """The mirrored levels at a nominal rail. Raises RecordError where V_IH is not below the rail as measured."""
        real = next((one.levels for one in self.rail_levels if one.rail_v == rail_v), self.run_levels)
        return _mirrored_levels(real, self.rail_at.get(rail_v, Value(rail_v, 0.0)).value)

    def under(self, condition: Condition) -> RunRecord:
        """The record under one condition: with the rail, levels and ground of that."""
        at = self.rail_at.get(condition.rail_v, Value(condition.rail_v, 0.0))
        return replace(
            self,
            rail_v=condition.rail_v,
            levels=self.levels_at(condition.rail_v),
            meter=_mirrored_meter(self.meter, at),
        )


def analysed_in_mirror(
    record: RunRecord, observations: Observed, analyse: Callable[[RunRecord, Observed], RunFinding]
) -> RunFinding:
    """What `analyse` finds of a run that presses to ground, made on its mirror image.

    Raises RecordError where V_IH is not below the rail as measured.
    """
    image = record_image(record, observations)
    images = [
        (trial, observation_image(made, image.rail_at[trial.condition.rail_v].value)) for trial, made in observations
    ]
    found = analyse(image, images)
    originals = {id(seen): made for (_, seen), (_, made) in zip(images, observations, strict=True)}
    rails = {nominal_v: at.value for nominal_v, at in image.rail_at.items()}
    return replace(finding_image(found, rails, originals), record=record)


def record_image(record: RunRecord, observations: Observed) -> MirroredRecord:
    """The record with mirrored levels, and a meter whose zero lies at the rail's image. Raises RecordError."""
    nominal = (record.rail_v, *(one.condition.rail_v for one in (*record.planned, *(one for one, _ in observations))))
    rail_at = {nominal_v: _rail_at(record, observations, nominal_v) for nominal_v in dict.fromkeys(nominal)}
    at = rail_at[record.rail_v]
    return MirroredRecord(
        **{
            **vars(record),
            "levels": _mirrored_levels(record.levels, at.value),
            "meter": _mirrored_meter(record.meter, at),
        },
        run_levels=record.levels,
        rail_at=rail_at,
    )


def _rail_at(record: RunRecord, observations: Observed, nominal_v: float) -> Value:
    """The mean of what was measured of a rail, with the accuracy of the meter; else nominal, with its tolerance."""
    read = [
        made.rail_v for trial, made in observations if trial.condition.rail_v == nominal_v and made.rail_v is not None
    ]
    if not read:
        return Value(nominal_v, record.rail_tolerance * nominal_v / math.sqrt(3.0))
    rail_v = sum(read) / len(read)
    return Value(rail_v, (rail_v * record.meter.accuracy_reading + record.meter.accuracy_v) / math.sqrt(3.0))


def _mirrored_meter(meter: MeterModel, rail: Value) -> MirroredMeter:
    return MirroredMeter(**{**vars(meter), "ground_v": rail.value, "ground_u_v": rail.u})


def _mirrored_levels(levels: Levels, rail_v: float) -> Levels:
    if levels.v_ih >= rail_v:
        raise RecordError(
            f"run.json: levels.v_ih: must be below the rail of {show(rail_v, 'V')} where pins are pressed to ground: "
            f"{show(levels.v_ih, 'V')}"
        )
    return Levels(rail_v - levels.v_ih, rail_v - levels.v_il, levels.standard)


def observation_image(seen: Observation, rail_v: float) -> Observation:
    """What was observed, seen in the mirror at `rail_v`. The image of an image is the observation again."""
    trace = seen.trace
    return replace(
        seen,
        trace=Trace(trace.time_s, rail_v - trace.voltage_v, None if trace.current_a is None else -trace.current_a),
        before_v=_level(seen.before_v, rail_v),
        hold_v=_level(seen.hold_v, rail_v),
        press_v=_level(seen.press_v, rail_v),
        press_current_a=None if seen.press_current_a is None else -seen.press_current_a,
        reads_before=_OTHER_READING[seen.reads_before],
        reads_held=_OTHER_READING[seen.reads_held],
        reads_settled=_OTHER_READING[seen.reads_settled],
        notes=tuple(mirrored_words(note) for note in seen.notes),
        steps=tuple(_step(step, rail_v) for step in seen.steps),
        probes=tuple(_probe(probe, rail_v) for probe in seen.probes),
    )


def _level(volts: float | None, rail_v: float) -> float | None:
    return None if volts is None else rail_v - volts


def _step(step: SweepStep, rail_v: float) -> SweepStep:
    return replace(
        step, branch=_OTHER_BRANCH[step.branch], level_v=rail_v - step.level_v, reads=_OTHER_READING[step.reads]
    )


def _probe(probe: Probe, rail_v: float) -> Probe:
    return replace(probe, level_v=_level(probe.level_v, rail_v), reads=_OTHER_READING[probe.reads])


def finding_image(found: Finding, rails: Mapping[float, float], originals: Mapping[int, Any] | None = None) -> Finding:
    """A finding about the image as one about the run, or the other way round: levels, signs, branches and words.

    `rails`: by nominal rail, the one that the mirror stands at (volt). `originals`: by id, what is put in place of an
    observation of the image; without it those stay.
    """
    image: Finding = _Image(rails, originals or {}).of(found)
    return image


class _Image:
    """One walk through a finding."""

    def __init__(self, rails: Mapping[float, float], originals: Mapping[int, Any]) -> None:
        self._rails = rails
        self._rail_v = next(iter(rails.values()))
        self._originals = originals
        self._made: dict[int, Any] = {}

    def of(self, found: Any) -> Any:
        if isinstance(found, tuple):
            return tuple(self.of(one) for one in found)
        if isinstance(found, (Observation, RunRecord, Trial)):
            return self._originals.get(id(found), found)
        if not is_dataclass(found) or isinstance(found, type):
            return found
        if isinstance(found, CouponItem):
            self._rail_v = next(iter(self._rails.values()))
        if isinstance(found, (PinFinding, TrialFinding, SweepFinding)):
            condition = found.condition if isinstance(found, PinFinding) else found.trial.condition
            self._rail_v = self._rails[condition.rail_v]
        # A row stands with its pin and in the run: it is the same one afterwards, too.
        if id(found) not in self._made:
            self._made[id(found)] = self._mirrored(found)
        return self._made[id(found)]

    def _mirrored(self, found: Any) -> Any:
        if isinstance(found, SweepStep):
            return _step(found, self._rail_v)
        kind = type(found)
        changed = {field.name: self.of(getattr(found, field.name)) for field in fields(found)}
        for name in TEXTS:
            if name in changed:
                changed[name] = _in_other_words(changed[name])
        for name in LEVELS.get(kind, ()):
            changed[name] = self._at_node(changed[name])
        for name in REVERSED.get(kind, ()):
            changed[name] = _negative(changed[name])
        for one, other in SWAPPED.get(kind, ()):
            changed[one], changed[other] = changed[other], changed[one]
        if kind is CheckItem and found.unit == "V":
            value, low, high = (self._at_node(changed[name]) for name in ("value", "high", "low"))
            changed |= {"value": value, "low": low, "high": high}
        if kind is Budget and found.unit == "V":
            changed["value"] = self._at_node(found.value)
        if kind is Stated and found.budget.unit == "V" and found.comparison is not None:
            changed["comparison"] = self._compared(found.comparison)
        if kind is RestsAt:
            changed["rests"] = changed["rests"][::-1]
        if kind is SweepBranch:
            changed["branch"] = _OTHER_BRANCH[changed["branch"]]
        if kind is Edge:
            changed["rising"] = not changed["rising"]
        if kind is DwellFinding:
            for name in ("early_word", "late_word", "ordinary_word"):
                changed[name] = _OTHER_VERDICT.get(changed[name], changed[name])
        if kind in (TrialFinding, PinFinding):
            changed["verdict"] = _OTHER_VERDICT.get(changed["verdict"], changed["verdict"])
        return replace(found, **changed)

    def _compared(self, found: Comparison) -> Comparison:
        """Of a voltage: its drawn interval turned round at the rail, the lower end out of the upper one."""
        drawn = found.simulation
        mean, low, high = (self._rail_v - volts for volts in (drawn.mean, drawn.high, drawn.low))
        return replace(
            found,
            simulation=replace(drawn, mean=mean, low=low, high=high),
            low_apart=found.high_apart,
            high_apart=found.low_apart,
        )

    def _at_node(self, volts: Any) -> Any:
        if isinstance(volts, Value):
            return Value(self._rail_v - volts.value, volts.u)
        return None if volts is None else self._rail_v - volts


def _negative(number: Any) -> Any:
    if isinstance(number, Value):
        return Value(-number.value, number.u)
    return None if number is None else -number


def _in_other_words(text: Any) -> Any:
    if isinstance(text, tuple):
        return tuple(mirrored_words(one) for one in text)
    return mirrored_words(text)
