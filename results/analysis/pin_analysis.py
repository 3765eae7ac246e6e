"""One pin under one condition: a row a trial, then what all of them say together.

The order matters: rest points first (they need nothing else), then line and pull-down from all of them, then each
trial's verdict and leakage, then bracket, rate and advice from the verdicts.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from results.analysis.advice import Case, advise
from results.analysis.findings import (
    LeakLine,
    PinFinding,
    SweepFinding,
    TraceFinding,
    TrialFinding,
    Value,
    Verdict,
)
from results.analysis.leak_line import average, fit_line
from results.analysis.leakage import RestPoint, bench_load, local_slopes, rest_point, without_load
from results.analysis.pin_notes import joined, pin_notes, safe_resistance_note, trial_notes
from results.analysis.pull_down import HoldPoint, PullDown, find_pull_down, hold_point
from results.analysis.safe_resistance import bracket, disagreement, largest_safe, required_conductance
from results.analysis.stuck_rate import upper_limit
from results.analysis.sweep_advice import advise_with_sweep
from results.analysis.sweep_agreement import compared
from results.analysis.verdict import NO_EVIDENCE, STUCK, judge, worst
from results.errors import RecordError
from results.record.observation import Observation
from results.record.run_record import RunRecord
from results.record.trial import NO_RESISTOR, Condition, Pin, Resistor, Trial

_MAY_HAVE_STUCK: frozenset[Verdict] = STUCK | {"undecided", "held at press level"}


@dataclass(frozen=True)
class ReadTrial:
    """A planned trial with what was observed and what its trace says; both None where it was never made."""

    trial: Trial
    observation: Observation | None = None
    trace: TraceFinding | None = None

    @property
    def is_evidence(self) -> bool:
        """Measured, read without a problem, and contact not disproven."""
        return (
            self.observation is not None
            and self.observation.outcome == "measured"
            and self.observation.contact != "disproven"
            and self.trace is not None
            and not self.trace.problem
        )


def analyse_pin(
    record: RunRecord, condition: Condition, pin: Pin, trials: Sequence[ReadTrial], sweep: SweepFinding | None = None
) -> PinFinding:
    """All that the trials of one pin under one condition say, and its sweep where one was planned. Pure.

    Raises RecordError where a trial names a resistor that the record does not hold.
    """
    bench = _Bench(record, pin)
    rests = {read.trial.sequence: bench.rest_of(read) for read in trials}
    line = _line(bench, trials, rests)
    stuck_somewhere = any(rest is not None and rest.pin.value > record.levels.v_il for rest in rests.values())
    holds = [hold for read in trials if not read.trial.as_found and (hold := bench.hold_of(read)) is not None]
    pull_down = find_pull_down(holds, line, record.rules, _rail(trials, condition), stuck_somewhere)
    slopes = _slopes(bench, trials, rests, line)
    rows = tuple(_row(bench, read, rests[read.trial.sequence], slopes, pull_down) for read in trials)
    finding = _pin(bench, condition, rows, line, pull_down)
    return finding if sweep is None else _with_sweep(bench, finding, sweep)


def _with_sweep(bench: _Bench, finding: PinFinding, sweep: SweepFinding) -> PinFinding:
    """The pin with its sweep compared with the trials, and with what follows from both."""
    rules, series_ohm = bench.record.rules, bench.pin.series_ohm
    sweep = compared(
        sweep,
        _tried(bench, finding.rows),
        load_s=bench.load_s or 0.0,
        series_ohm=series_ohm,
        coverage=rules.coverage,
    )
    unproven = sweep.observation is not None and sweep.observation.contact == "not proven"
    said = [
        finding.note,
        sweep.agreement_text if sweep.agreement == "disagrees" else "",
        sweep.note,
        "sweep: contact not proven" if unproven else "",
    ]
    return replace(
        finding,
        safe_ohm=sweep.safe if sweep.safe is not None else finding.safe_ohm,
        safe_from="sweep" if sweep.safe is not None else finding.safe_from,
        advice=advise_with_sweep(finding.advice, sweep, rules, series_ohm),
        note=joined(said),
        sweep=sweep,
    )


def _tried(bench: _Bench, rows: Sequence[TrialFinding]) -> dict[Resistor, list[Verdict]]:
    """Every verdict of every resistor."""
    tried: dict[Resistor, list[Verdict]] = {}
    for row in rows:
        tried.setdefault(bench.resistor(row.trial.resistor), []).append(row.verdict)
    return tried


@dataclass(frozen=True)
class _Bench:
    """What turns the readings of one pin into currents."""

    record: RunRecord
    pin: Pin

    @property
    def load_s(self) -> float | None:
        return bench_load(self.record.meter, self.record.fixture)

    @property
    def gain_u(self) -> float:
        """Relative standard uncertainty that all readings share (rectangular limits)."""
        return self.record.meter.accuracy_reading / math.sqrt(3.0)

    def resistor(self, name: str) -> Resistor:
        try:
            return self.record.resistor(name)
        except KeyError:
            raise RecordError(f"run.json: resistors: no resistor named {name!r}") from None

    def point(self, touch: Value, resistor: str) -> RestPoint:
        return rest_point(touch, self.resistor(resistor), self.load_s, self.pin.series_ohm)

    def rest_of(self, read: ReadTrial) -> RestPoint | None:
        """The rest point of a trial; None where the node did not settle by itself."""
        if not read.is_evidence or read.trace is None or read.observation is None:
            return None
        settled = read.trace.settled
        if settled is None:
            return None
        if read.trace.at_press_level and read.observation.holder != "pin":
            return None
        return self.point(Value(settled.voltage_v, settled.u_v), read.trial.resistor)

    def hold_of(self, read: ReadTrial) -> HoldPoint | None:
        """Net pin current while held; None where the press path is not known or the meter's load is not."""
        if not read.is_evidence or read.observation is None or read.trace is None or self.load_s is None:
            return None
        # Held at the press level by a leak: what the pull-down draws there cannot be told from it.
        if read.trace.at_press_level:
            return None
        edge = read.trace.edge
        held_v = read.observation.hold_v
        if held_v is None and edge is not None:
            held_v = edge.held_v
        outside = self.point(Value(0.0, 0.0), read.trial.resistor).outside
        return hold_point(read.observation, held_v, outside, self.pin.series_ohm, self.record.meter)


def _rail(trials: Sequence[ReadTrial], condition: Condition) -> float:
    """Mean of the rail as measured in these trials, in volt; nominal where nobody measured it."""
    measured = [r.observation.rail_v for r in trials if r.observation is not None and r.observation.rail_v is not None]
    return sum(measured) / len(measured) if measured else condition.rail_v


def _line(bench: _Bench, trials: Sequence[ReadTrial], rests: Mapping[int, RestPoint | None]) -> LeakLine | None:
    """The line through the settled points above V_IL/2; as-found trials stay out, as their setup is not known."""
    if bench.load_s is None:
        return None
    by_resistor: dict[str, list[tuple[RestPoint, float]]] = {}
    for read in trials:
        rest = rests[read.trial.sequence]
        if rest is None or read.trial.as_found or read.trace is None or read.trace.at_press_level:
            continue
        if rest.pin.value > 0.5 * bench.record.levels.v_il and read.trace.settled is not None:
            by_resistor.setdefault(rest.resistor, []).append((rest, read.trace.settled.u_noise_v))
    points = [average(repeats, bench.gain_u) for repeats in by_resistor.values()]
    return fit_line(points, bench.gain_u, bench.record.rules) if points else None


def _slopes(
    bench: _Bench, trials: Sequence[ReadTrial], rests: Mapping[int, RestPoint | None], line: LeakLine | None
) -> Mapping[str, Value]:
    """dI_net/dV by resistor (S): the line's where it passed, else chords between points of the upper branch."""
    points = [rest for read in trials if not read.trial.as_found and (rest := rests[read.trial.sequence]) is not None]
    if line is None or not line.passes or line.pull_down_s is None:
        return local_slopes(points, bench.record.levels.v_il)
    slope = Value(-line.pull_down_s.value, line.pull_down_s.u)
    return {rest.resistor: slope for rest in points if rest.pin.value > 0.5 * bench.record.levels.v_il}


def _row(
    bench: _Bench, read: ReadTrial, rest: RestPoint | None, slopes: Mapping[str, Value], pull_down: PullDown
) -> TrialFinding:
    if read.observation is None:
        return TrialFinding(read.trial, "not tested", None, None, None, None, None, None, "")
    record = bench.record
    judged = _judged(bench, read, rest, slopes)
    verdict, reason = judge(read.observation, read.trace, judged, record.levels, record.rules)
    if pull_down.source == "not found" and read.trial.resistor == NO_RESISTOR and verdict in ("released", "slow"):
        verdict, reason = "undecided", f"{pull_down.note}: only the meter pulled it low"
    known = rest is not None and bench.load_s is not None
    return TrialFinding(
        trial=read.trial,
        verdict=verdict,
        observation=read.observation,
        trace=read.trace,
        settled=None if rest is None else rest.touch,
        at_pin=None if rest is None else judged,
        net_current=rest.net_current if rest is not None and known else None,
        leakage=rest.leakage(pull_down.conductance) if rest is not None and known else None,
        note=trial_notes(
            read.trial,
            read.observation,
            read.trace,
            verdict,
            reason,
            v_il=record.levels.v_il,
            rail_tolerance=record.rail_tolerance,
            load_known=bench.load_s is not None,
        ),
    )


def _judged(bench: _Bench, read: ReadTrial, rest: RestPoint | None, slopes: Mapping[str, Value]) -> Value | None:
    """What the verdict is about: the pin without the meter, at rest or as far as the log goes."""
    weakest_ohm = bench.record.rules.pull_down_high_ohm
    if rest is not None:
        return without_load(rest, bench.load_s, slopes.get(rest.resistor), weakest_ohm)
    if read.trace is None or read.trace.last_v is None:
        return None
    return without_load(bench.point(read.trace.last_v, read.trial.resistor), bench.load_s, None, weakest_ohm)


def _pin(
    bench: _Bench, condition: Condition, rows: tuple[TrialFinding, ...], line: LeakLine | None, pull_down: PullDown
) -> PinFinding:
    levels, rules, series_ohm = bench.record.levels, bench.record.rules, bench.pin.series_ohm
    tried = _tried(bench, rows)
    bare = [row.verdict for row in rows if row.trial.resistor == NO_RESISTOR]
    counted = [verdict for verdict in bare if verdict not in NO_EVIDENCE]
    trials = bracket(tried)
    required = None if line is None else required_conductance(line, levels.v_il)
    safe = largest_safe(required, rules.coverage)
    contradiction = disagreement(trials, required, series_ohm, rules.coverage)
    proven = _contact_proven(rows)
    case = Case(
        verdict=worst(bare),
        tried=tried,
        bracket=trials,
        required=required,
        rules=rules,
        load_s=bench.load_s or 0.0,
        series_ohm=series_ohm,
        pull_down_missing=pull_down.source == "not found",
        contact_proven=proven,
        contradicted=bool(contradiction),
    )
    measured = any(row.verdict not in NO_EVIDENCE for row in rows)
    said = pin_notes(rows, v_il=levels.v_il, load_known=bench.load_s is not None)
    about_safe = safe_resistance_note(required, safe, series_ohm, rules.coverage)
    return PinFinding(
        pin=bench.pin.name,
        condition=condition,
        verdict=worst(bare),
        trials=len(counted),
        stuck_trials=sum(verdict in STUCK for verdict in counted),
        # A press that may have stuck is taken as stuck: the limit must not be too low.
        stuck_rate_upper95=upper_limit(sum(verdict in _MAY_HAVE_STUCK for verdict in counted), len(counted)),
        pull_down=pull_down.resistance if measured else None,
        pull_down_from=pull_down.source if measured else "",
        leakage=max((r.leakage for r in rows if r.leakage is not None), key=lambda leak: leak.value, default=None),
        line=line,
        plain_leak="untested" if line is None or line.p_value is None else "yes" if line.passes else "no",
        bracket=trials,
        safe_ohm=safe,
        safe_from="line" if safe is not None else "trials" if trials.low or trials.high else "",
        advice=advise(case),
        contact_proven=proven,
        note=joined([pull_down.note if measured else "", *said, contradiction, about_safe]),
        rows=rows,
    )


def _contact_proven(rows: Sequence[TrialFinding]) -> bool:
    """In every trial that counts as evidence; False where there is none."""
    proofs = [row.observation.contact for row in rows if row.observation is not None and row.verdict not in NO_EVIDENCE]
    return bool(proofs) and "not proven" not in proofs
