"""Force a pin from the rail down to 0 V and up again, and read at each step what it draws or drives."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from drivers.bench import Bench
from drivers.errors import WiringError
from procedures.contact import HoldLevel, prove_contact
from procedures.errors import ProcedureError
from procedures.press_release import (
    high_before_press,
    level_while_held,
    prepare_board,
    press_voltage,
    put_on_bus,
    read_pin,
)
from procedures.settings import PressSettings
from procedures.sweep_levels import Seen, Target, first_targets, level_for, refined_targets
from results.record.observation import Branch, ContactProof, Observation, Reading, SweepStep
from results.record.run_record import SweepRules
from results.record.trace import Trace
from results.record.trial import Trial

PASSES = 3
"""The first one with equal steps, then two that look closer: the last steps are some millivolts apart."""

FIRST_READINGS = 20
"""Readings at the rail that tell the noise of the two instruments, before anything else is judged by it."""

AGREEING = 3
"""Successive readings that must agree before a step counts as settled."""

LEAST_READINGS = 12
"""Readings at a step before it may count as not settled."""

NOISE_RANGE = 5.0
"""Three normal readings lie within 5 standard deviations in 99.9 % of cases (range of three)."""


_OTHER: dict[Branch, Branch] = {"down": "up", "up": "down"}


def forced_sweep(bench: Bench, trial: Trial, settings: PressSettings) -> Observation:
    """One sweep: discharge, reset, set up, read, force to the rail, step down to 0 V and up again, let go.

    Where pins are pressed to ground: from 0 V up to the rail and down again.

    Voltages are the meter's, at the node; the source's set value is never taken for one. A step that does not settle
    in time, or at which the source's current limit decides, is kept and marked: it is no point of the curve. At the
    end the series relay opens first, then the output goes off.

    Raises
    ------
    BenchError
        An instrument, its wire or its wiring failed.
    NotReachedError
        The node did not come near the rail.
    """
    rules = settings.sweep
    if rules is None:
        raise ProcedureError(f"{trial.label}: the plan has no [sweep]")
    if bench.source is None:
        raise WiringError(f"{trial.label}: this bench has no source to force a voltage with")
    settings = replace(settings, path="source")
    rail_v = put_on_bus(bench, trial, settings, 0.0)
    prepare_board(bench, trial, settings)
    before_v = bench.voltage()
    reads_before = read_pin(bench, trial.pin)
    notes = high_before_press(bench, before_v, settings, rail_v)
    press_v = press_voltage(rail_v, settings)
    top_v = settings.mirrored(press_v, rail_v)

    with bench.pressed(trial.pin, "source", press_v, settings.hold_s):
        bench.clock.wait(settings.hold_s)
        held = level_while_held(bench, trial, settings, rail_v)
        reads_held = read_pin(bench, trial.pin)
        sweep = _Sweep(bench, trial, settings, rules, top_v, rail_v)
        sweep.read_noise()
        targets = first_targets(top_v, sweep.levels, rules)
        sweep.walk(1, "down", targets)
        sweep.walk(1, "up", targets[::-1])
        for number in range(2, PASSES + 1):
            sweep.look_closer(number, "down", top_v)
            sweep.look_closer(number, "up", 0.0)

    to_rail = settings.press_to == "rail"
    alone_is_low = bench.has_second_path and to_rail and before_v > settings.v_il
    contact = sweep.contact(held, reads_before, reads_held, before_v if alone_is_low else None)
    return Observation(
        trace=sweep.trace(),
        outcome="no contact" if contact == "disproven" else "measured",
        rail_v=rail_v,
        before_v=before_v,
        hold_v=held.hold_v,
        press_v=held.press_v,
        press_ohm=held.press_ohm,
        press_u_ohm=held.press_u_ohm,
        press_current_a=held.source_a,
        reads_before=reads_before,
        reads_held=reads_held,
        contact=contact,
        notes=tuple(notes),
        steps=tuple(sweep.steps),
    )


@dataclass
class _Sweep:
    """A sweep under way: all readings so far, the steps that they belong to, and the curve that they make.

    Levels, and what is seen of the curve, are counted from the level that pins rest at; where that is the rail
    (`rail_v`), all currents are reversed. Readings and steps are kept as they were made.
    """

    bench: Bench
    trial: Trial
    settings: PressSettings
    rules: SweepRules
    top_v: float
    rail_v: float | None = None
    time_s: list[float] = field(default_factory=list)
    voltage_v: list[float] = field(default_factory=list)
    current_a: list[float] = field(default_factory=list)
    steps: list[SweepStep] = field(default_factory=list)
    seen: dict[Branch, list[Seen]] = field(default_factory=lambda: {"down": [], "up": []})
    agree_v: float = 0.0
    agree_a: float = 0.0

    @property
    def levels(self) -> PressSettings:
        """The settings with V_IL and V_IH counted from the level that pins rest at."""
        if self.settings.press_to == "rail":
            return self.settings
        v_il, v_ih = (self.settings.mirrored(v, self.rail_v) for v in (self.settings.v_ih, self.settings.v_il))
        return replace(self.settings, v_il=v_il, v_ih=v_ih)

    def read_noise(self) -> None:
        """Read some times at the first level; how far successive readings may differ follows from their noise.

        Second differences leave a node out that still drifts: their standard deviation is √6 that of the noise.
        """
        for _ in range(FIRST_READINGS):
            self._read()
        noise_v, noise_a = (
            float(np.sqrt(np.mean(np.diff(values, 2) ** 2) / 6.0)) for values in (self.voltage_v, self.current_a)
        )
        self.agree_v = max(0.05 * self.settings.accuracy_v, NOISE_RANGE * noise_v)
        self.agree_a = max(self.rules.settled_a, NOISE_RANGE * noise_a)

    def walk(self, number: int, branch: Branch, targets: Sequence[Target]) -> None:
        """Force one level after the other, each read once it has settled."""
        for target in targets:
            level_v = level_for(target.voltage_v, self.seen[branch]) if number > 1 else target.voltage_v
            seen = self._step(number, branch, level_v)
            if target.exact and seen is not None:
                corrected_v = level_v + target.voltage_v - seen.pin_v
                self._step(number, branch, min(max(0.0, corrected_v), self.top_v))

    def look_closer(self, number: int, branch: Branch, start_v: float) -> None:
        """Walk a branch again from its start, in finer steps where it matters; not where there is hardly a curve."""
        if len(self.seen[branch]) < AGREEING:
            return
        self.bench.force(self.settings.mirrored(start_v, self.rail_v))
        targets = refined_targets(self.seen[branch], self.top_v, number, self.levels, self.rules)
        self.walk(number, branch, targets if branch == "down" else targets[::-1])

    def contact(
        self, held: HoldLevel, reads_before: Reading, reads_held: Reading, before_v: float | None
    ) -> ContactProof:
        """By what contact is proven: as while holding, by a node that the pin held high before, else by the largest
        conductance of the pin anywhere on the curve: a leak may cancel the pull-down at the rail, but not everywhere.

        `before_v` is the node before the press where it is known that the bus alone would not hold it.
        """
        proof = prove_contact(
            held,
            self.trial.resistor,
            self.settings,
            reads_before=reads_before,
            reads_held=reads_held,
            rest_v=before_v,
        )
        curve = [one for branch in self.seen.values() for one in branch if one.pin_v >= self.levels.v_il]
        if proof not in ("not proven", "disproven") or not curve:
            return proof
        most = max(curve, key=lambda one: abs(one.net_a) / one.pin_v)
        node_v = self.settings.mirrored(most.pin_v, self.rail_v)
        source_a = node_v * self._load_s() - self._out_of_pin(most.net_a)
        limit_a = self.settings.source_accuracy_a + abs(source_a) * self.settings.source_accuracy_reading
        strongest = HoldLevel(node_v, None, None, None, source_a, limit_a / math.sqrt(3.0), self.rail_v)
        elsewhere = prove_contact(strongest, self.trial.resistor, self.settings)
        return proof if elsewhere == "disproven" else elsewhere

    def trace(self) -> Trace:
        """Every reading: host's clock from the first one, node voltage by the meter, current out of the source."""
        time_s = np.array(self.time_s) - self.time_s[0]
        return Trace(time_s, np.array(self.voltage_v), np.array(self.current_a))

    def _step(self, number: int, branch: Branch, level_v: float) -> Seen | None:
        """Force a level and read until it has settled. None where the step is no point of the curve."""
        first = len(self.time_s)
        real_v = self.settings.mirrored(level_v, self.rail_v)
        self.bench.force(real_v)
        until_s = self.bench.clock.now() + self.rules.longest_s
        self._read()
        while not (settled := self._agree(first)) and self._may_go_on(first, until_s):
            self._read()
        assert self.bench.source is not None
        limited = self.bench.source.in_compliance()
        self.steps.append(
            SweepStep(
                sweep_pass=number,
                branch=branch if self.settings.press_to == "rail" else _OTHER[branch],
                level_v=real_v,
                first=first,
                count=len(self.time_s) - first,
                agreeing=AGREEING if settled else 0,
                in_compliance=limited,
                reads=read_pin(self.bench, self.trial.pin),
            )
        )
        if limited or not settled:
            return None
        node_v = float(np.mean(self.voltage_v[-AGREEING:]))
        net_a = self._out_of_pin(node_v * self._load_s() - float(np.mean(self.current_a[-AGREEING:])))
        series_ohm = self.settings.series_ohm.get(self.trial.pin, 0.0)
        seen = Seen(level_v, self.settings.mirrored(node_v, self.rail_v) + net_a * series_ohm, net_a)
        self.seen[branch].append(seen)
        return seen

    def _out_of_pin(self, ampere: float) -> float:
        """A net pin current as the curve counts it, and back: away from the level that pins rest at."""
        return ampere if self.settings.press_to == "rail" else -ampere

    def _read(self) -> None:
        assert self.bench.source is not None
        self.bench.clock.wait(0.0)  # looks at the stop request, which reading alone does not
        node_v = self.bench.voltage()
        _, source_a = self.bench.source.read()
        self.time_s.append(self.bench.clock.now())
        self.voltage_v.append(node_v)
        self.current_a.append(source_a)

    def _may_go_on(self, first: int, until_s: float) -> bool:
        """A slow computer or wire must not use up the time before there are readings to judge by."""
        return self.bench.clock.now() < until_s or len(self.time_s) - first < LEAST_READINGS

    def _agree(self, first: int) -> bool:
        """Whether the last readings at this step agree in voltage and in current."""
        if len(self.time_s) - first < AGREEING:
            return False
        last_v, last_a = self.voltage_v[-AGREEING:], self.current_a[-AGREEING:]
        return max(last_v) - min(last_v) <= self.agree_v and max(last_a) - min(last_a) <= self.agree_a

    def _load_s(self) -> float:
        """What the meter takes; the rest of the bench's load is left to the analysis."""
        return 1.0 / self.settings.meter_ohm if self.settings.meter_ohm else 0.0
