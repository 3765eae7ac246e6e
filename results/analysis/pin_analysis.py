"""One pin under one condition: a row a trial, then what all of them say together.

The order matters: rest points first (they need nothing else), then line and pull-down from all of them, then each
trial's verdict and leakage, then bracket, rate and advice from the verdicts.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from results.analysis.budgets.budgets import budgets_of, leakage_of, trial_budgets
from results.analysis.budgets.error_model import Term, resistor_source
from results.analysis.ends import ground_of
from results.analysis.findings import LeakLine, PinFinding, SweepFinding, TrialFinding, Value, Verdict
from results.analysis.leak_line import average, fit_line
from results.analysis.leakage import RestPoint, local_slopes, without_load
from results.analysis.pin_bench import PinBench, ReadTrial
from results.analysis.pin_notes import (
    bare_release_note,
    joined,
    leakage_note,
    pin_notes,
    safe_resistance_note,
    trial_notes,
)
from results.analysis.pull_down.pull_down import PullDown, find_pull_down
from results.analysis.pull_down.pull_down_model import pull_down_term
from results.analysis.resistor.advice import Case, advise
from results.analysis.resistor.safe_resistance import (
    bracket,
    disagreement,
    largest_safe,
    required_conductance,
    with_limits,
)
from results.analysis.resistor.sweep_advice import advise_with_sweep
from results.analysis.sweep.sweep_agreement import compared
from results.analysis.uncertainty.stuck_rate import stuck_rate
from results.analysis.verdict import NO_EVIDENCE, STUCK, judge, worst
from results.record.run_record import RunRecord
from results.record.trial import NO_RESISTOR, Condition, Pin, Resistor

_MAY_HAVE_STUCK: frozenset[Verdict] = STUCK | {"undecided", "held at press level"}


def analyse_pin(
    record: RunRecord,
    condition: Condition,
    pin: Pin,
    trials: Sequence[ReadTrial],
    sweep: SweepFinding | None = None,
    *,
    budgets: bool = True,
) -> PinFinding:
    """All that the trials of one pin under one condition say, and its sweep where one was planned. Pure.

    `budgets` False: without its uncertainty budgets.

    Raises RecordError where a trial names a resistor that the record does not hold.
    """
    bench = PinBench(record, pin)
    rests = {read.trial.sequence: bench.rest_of(read) for read in trials}
    line = _line(bench, trials, rests)
    stuck_somewhere = any(rest is not None and rest.pin.value > record.levels.v_il for rest in rests.values())
    held = [read for read in trials if not read.trial.as_found]
    holds = [hold for read in held if (hold := bench.hold_of(read)) is not None]
    sure_v = [rest.pin.value - record.rules.coverage * rest.pin.u for rest in rests.values() if rest is not None]
    pull_down = find_pull_down(
        holds, line, record.rules, _rail(trials, condition), stuck_somewhere, max(sure_v, default=0.0)
    )
    inside = pull_down_term(bench, pull_down, held, line)
    pull_down = pull_down.known_as(inside.value())
    slopes = _slopes(bench, trials, rests, line)
    rail_v, quick = _rail(trials, condition), inside.linearised()
    rows = tuple(_row(bench, read, rests[read.trial.sequence], slopes, pull_down, rail_v, quick) for read in trials)
    finding = _pin(bench, condition, rows, line, pull_down)
    if sweep is not None:
        finding = _with_sweep(bench, finding, sweep)
    return replace(finding, budgets=budgets_of(bench, finding, inside, slopes)) if budgets else finding


def _with_sweep(bench: PinBench, finding: PinFinding, sweep: SweepFinding) -> PinFinding:
    """The pin with its sweep compared with the trials, and with what follows from both."""
    rules, series_ohm = bench.record.rules, bench.pin.series_ohm
    sweep = compared(
        sweep,
        _tried(bench, finding.rows),
        load_s=bench.helping_s or 0.0,
        series_ohm=series_ohm,
        coverage=rules.coverage,
        hindering_s=bench.hindering_s,
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


def _tried(bench: PinBench, rows: Sequence[TrialFinding]) -> dict[Resistor, list[Verdict]]:
    """Every verdict of every resistor."""
    tried: dict[Resistor, list[Verdict]] = {}
    for row in rows:
        tried.setdefault(bench.resistor(row.trial.resistor), []).append(row.verdict)
    return tried


def _rail(trials: Sequence[ReadTrial], condition: Condition) -> float:
    """Mean of the rail as measured in these trials, in volt; nominal where nobody measured it."""
    measured = [r.observation.rail_v for r in trials if r.observation is not None and r.observation.rail_v is not None]
    return sum(measured) / len(measured) if measured else condition.rail_v


def _line(bench: PinBench, trials: Sequence[ReadTrial], rests: Mapping[int, RestPoint | None]) -> LeakLine | None:
    """The line through the settled points above V_IL/2; as-found trials stay out, as their setup is not known."""
    if bench.load_s is None:
        return None
    floor_v = 0.5 * bench.record.levels.v_il
    by_resistor: dict[str, list[tuple[RestPoint, float]]] = {}
    below: dict[str, RestPoint] = {}
    for read in trials:
        rest = rests[read.trial.sequence]
        if rest is None or read.trial.as_found or read.trace is None or read.trace.at_press_level:
            continue
        if rest.pin.value > floor_v and read.trace.settled is not None:
            by_resistor.setdefault(rest.resistor, []).append((rest, read.trace.settled.u_noise_v))
        elif rest.pin.value <= floor_v:
            below[rest.resistor] = rest
    points = [
        average(repeats, bench.gain_u, resistor_source(bench.resistor(name))) for name, repeats in by_resistor.items()
    ]
    if not points:
        return None
    never_above = [rest for name, rest in below.items() if name not in by_resistor]
    return fit_line(points, bench.gain_u, bench.record.rules, never_above, floor_v)


def _slopes(
    bench: PinBench, trials: Sequence[ReadTrial], rests: Mapping[int, RestPoint | None], line: LeakLine | None
) -> Mapping[str, Value]:
    """dI_net/dV by resistor (S): the line's where it passed, else chords between points of the upper branch."""
    points = [rest for read in trials if not read.trial.as_found and (rest := rests[read.trial.sequence]) is not None]
    if line is None or not line.passes or line.pull_down_s is None:
        return local_slopes(points, bench.record.levels.v_il)
    slope = Value(-line.pull_down_s.value, line.pull_down_s.u)
    return {rest.resistor: slope for rest in points if rest.pin.value > 0.5 * bench.record.levels.v_il}


def _row(
    bench: PinBench,
    read: ReadTrial,
    rest: RestPoint | None,
    slopes: Mapping[str, Value],
    pull_down: PullDown,
    rail_v: float,
    inside: Term,
) -> TrialFinding:
    if read.observation is None:
        return TrialFinding(read.trial, "not tested", None, None, None, None, None, None, "")
    record = bench.record
    judged = _judged(bench, read, rest, slopes, pull_down, rail_v)
    verdict, reason = judge(read.observation, read.trace, judged, record.levels, record.rules)
    if (
        pull_down.source == "not found"
        and not pull_down.hidden
        and read.trial.resistor == NO_RESISTOR
        and verdict in ("released", "slow")
    ):
        by_what = "only the meter pulled it low" if bench.helping_s != 0.0 else "what brought it there is not known"
        verdict, reason = "undecided", f"{pull_down.note}: {by_what}"
    known = rest is not None and bench.load_s is not None
    return TrialFinding(
        trial=read.trial,
        verdict=verdict,
        observation=read.observation,
        trace=read.trace,
        settled=None if rest is None else rest.touch,
        at_pin=None if rest is None else judged,
        net_current=rest.net_current if rest is not None and known else None,
        leakage=None if rest is None else leakage_of(bench, read, rest, pull_down, inside),
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
        budgets=trial_budgets(bench, read, inside),
    )


def _judged(
    bench: PinBench,
    read: ReadTrial,
    rest: RestPoint | None,
    slopes: Mapping[str, Value],
    pull_down: PullDown,
    rail_v: float,
) -> Value | None:
    """What the verdict is about: the pin without the meter, at rest or as far as the log goes."""
    weakest_ohm = bench.record.rules.pull_down_high_ohm
    if rest is not None:
        # A leak that holds the node where no pull-down was found has nothing else to flow into than the bench.
        held = pull_down.source == "not found" and rest.pin.value > bench.record.levels.v_il
        weakest_ohm = math.inf if held else weakest_ohm
        return without_load(rest, bench.load_s, slopes.get(rest.resistor), weakest_ohm, rail_v)
    if read.trace is None or read.trace.last_v is None:
        return None
    point = bench.point(read.trace.last_v, read.trial.resistor, read.observation)
    return without_load(point, bench.load_s, None, weakest_ohm, rail_v)


def _pin(
    bench: PinBench, condition: Condition, rows: tuple[TrialFinding, ...], line: LeakLine | None, pull_down: PullDown
) -> PinFinding:
    levels, rules, series_ohm = bench.record.levels, bench.record.rules, bench.pin.series_ohm
    tried = _tried(bench, rows)
    bare = [row.verdict for row in rows if row.trial.resistor == NO_RESISTOR]
    counted = [verdict for verdict in bare if verdict not in NO_EVIDENCE]
    stuck = sum(verdict in STUCK for verdict in counted)
    # A press that may have stuck is taken as stuck: the upper limits must not be too low.
    rate = stuck_rate(
        stuck, sum(verdict in _MAY_HAVE_STUCK for verdict in counted), len(counted), bench.record.rate_asked
    )
    trials = with_limits(bracket(tried), tried, bench.helping_s, rules.coverage, bench.hindering_s)
    v_il_u = ground_of(bench.record.meter).u
    required = None if line is None else required_conductance(line, levels.v_il, v_il_u)
    safe = largest_safe(required, rules.coverage)
    contradiction = disagreement(trials, required, series_ohm, rules.coverage)
    proven = _contact_proven(rows)
    case = Case(
        verdict=worst(bare),
        tried=tried,
        bracket=trials,
        required=required,
        rules=rules,
        load_s=bench.helping_s,
        series_ohm=series_ohm,
        pull_down_missing=pull_down.source == "not found" and not pull_down.hidden,
        contact_proven=proven,
        contradicted=bool(contradiction),
    )
    measured = any(row.verdict not in NO_EVIDENCE for row in rows)
    said = pin_notes(rows, v_il=levels.v_il, load_known=bench.load_s is not None)
    said.append(bare_release_note(rows, bench.helping_s, rules.pull_down_high_ohm))
    leakage = max((row.leakage for row in rows if row.leakage is not None), key=lambda leak: leak.value, default=None)
    about_leakage = leakage_note(leakage, line, rules.coverage)
    about_safe = safe_resistance_note(required, safe, series_ohm, rules.coverage)
    return PinFinding(
        pin=bench.pin.name,
        condition=condition,
        verdict=worst(bare),
        trials=len(counted),
        stuck_trials=stuck,
        stuck_rate_upper95=None if rate is None else rate.upper95,
        pull_down=pull_down.resistance if measured else None,
        pull_down_from=pull_down.source if measured else "",
        leakage=leakage,
        line=line,
        plain_leak="untested" if line is None or line.p_value is None else "yes" if line.passes else "no",
        bracket=trials,
        safe_ohm=safe,
        safe_from="line" if safe is not None else "trials" if trials.low or trials.high else "",
        advice=advise(case),
        contact_proven=proven,
        note=joined([pull_down.note if measured else "", about_leakage, *said, contradiction, about_safe]),
        rows=rows,
        stuck_rate=rate,
    )


def _contact_proven(rows: Sequence[TrialFinding]) -> bool:
    """In every trial that counts as evidence; False where there is none."""
    proofs = [row.observation.contact for row in rows if row.observation is not None and row.verdict not in NO_EVIDENCE]
    return bool(proofs) and "not proven" not in proofs
