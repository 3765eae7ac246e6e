"""A run folder in, all numbers out. Pure but for reading the folder, so it runs anywhere and changes nothing."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

from results.analysis.check.coupons import coupon_items
from results.analysis.check.damage import damage_items
from results.analysis.conditions.board_or_chip import has_home, with_origin
from results.analysis.conditions.dwell import with_dwells
from results.analysis.conditions.supply_current import with_supply_draw
from results.analysis.findings import PinFinding, RunFinding, SweepFinding, TraceFinding
from results.analysis.found.dwell_finding import DwellFinding
from results.analysis.looking_glass import seen_by
from results.analysis.mirror import analysed_in_mirror
from results.analysis.one_thread import one_thread
from results.analysis.pin_analysis import analyse_pin
from results.analysis.pin_bench import ReadTrial
from results.analysis.pull_down.four_ways import with_pull_down_ways
from results.analysis.pull_down.swept_pull_down import with_swept_pull_down
from results.analysis.remedies.overdrive import with_overdrive
from results.analysis.remedies.press_levels import with_press_level
from results.analysis.remedies.remedies import with_remedies
from results.analysis.repeats.repeatability import with_repeatability
from results.analysis.repeats.spread_over_pins import with_spread
from results.analysis.resistor.board_advice import board_advice
from results.analysis.resistor.fold_margin import with_fold_margins
from results.analysis.resistor.neighbours import with_neighbours
from results.analysis.sweep.leak_alone import with_leak_alone
from results.analysis.sweep.sweep import sweep_finding
from results.analysis.trace.reading import read_trace
from results.analysis.verdict import NO_EVIDENCE
from results.errors import RecordError
from results.record.observation import Observation
from results.record.run_record import RunRecord
from results.record.soundness import unknown_name
from results.record.trial import Condition, Kind, Pin, Trial

NO_PIN: tuple[Kind, ...] = ("coupon", "damage watch")
"""Steps that say nothing of how a pin behaves: they stand in no list of trials and of pins."""


def analyse_folder(path: Path | str) -> RunFinding:
    """Analyse a run folder; what is damaged in it stands in the notes.

    Raises RecordError where a file of it is not what it says it is.
    """
    from results.record.run_folder import RunFolder

    folder = RunFolder.open(Path(path))
    finding = analyse(folder.record, folder.observations())
    return replace(
        finding,
        notes=(*finding.notes, *folder.damage()),
        altered=tuple(folder.altered()),
        happenings=folder.happenings(),
        tries=folder.tries(),
    )


def analyse(
    record: RunRecord, observations: Sequence[tuple[Trial, Observation]], *, budgets: bool = True
) -> RunFinding:
    """Judge every trial of a run and every pin under every condition.

    Of a trial observed more than once the last one counts; a planned one never observed is `not tested`. Trials (not
    sweeps, which stand with their pins) come back in planned order, those beyond the plan behind them; pins in the
    order in which they first appear. Raises RecordError where an observation belongs to another trial than the one
    planned under its number. A run that presses to ground is analysed in its mirror image. `budgets` False leaves the
    pins' uncertainty budgets out, which cost more than all else and change no number.
    """
    straight = partial(_analysed, budgets=budgets)
    mirrored = record.press_to == "ground"
    found = analysed_in_mirror(record, observations, straight) if mirrored else straight(record, observations)
    return _with_what_is_no_pin(found, list(_in_order(record, observations)))


def _with_what_is_no_pin(found: RunFinding, every: Sequence[tuple[Trial, Observation | None]]) -> RunFinding:
    """Whether pins came out of the run as they went in: of that there is no mirror image."""
    record = found.record
    watched = [(trial, observation) for trial, observation in every if trial.kind == "damage watch"]
    read = [ReadTrial(row.trial, row.observation, row.trace) for row in found.trials]
    return replace(found, damage=damage_items(record, watched, read))


def _analysed(record: RunRecord, observations: Sequence[tuple[Trial, Observation]], *, budgets: bool) -> RunFinding:
    every = list(_in_order(record, observations))
    made = [(trial, observation) for trial, observation in every if trial.kind not in NO_PIN]
    read = [_read(record, trial, observation) for trial, observation in made if trial.kind == "trial"]
    grouped = _with_a_condition_of_their_own([trial for trial, _ in made])
    groups: dict[tuple[str, Condition], list[ReadTrial]] = {(trial.pin, trial.condition): [] for trial in grouped}
    for one in read:
        groups[one.trial.pin, one.trial.condition].append(one)
    known = {pin.name: pin for pin in record.pins}
    sweeps = {
        (trial.pin, trial.condition): _sweep(
            record.under(trial.condition), known.get(trial.pin, Pin(trial.pin)), trial, observation
        )
        for trial, observation in made
        if trial.kind == "sweep"
    }
    pins = tuple(
        _pin(
            record.under(condition),
            condition,
            known.get(name, Pin(name)),
            trials,
            sweeps.get((name, condition)),
            budgets=budgets,
        )
        for (name, condition), trials in groups.items()
    )
    pins = with_leak_alone(record, pins)
    pins = with_swept_pull_down(record, pins)
    pins = with_neighbours(record, pins)
    pins = with_pull_down_ways(record, pins)
    pins = with_overdrive(record, pins, made)
    pins = with_press_level(record, pins, made)
    pins = with_remedies(record, pins, made)
    pins = with_supply_draw(record, pins)
    checklist = [_read(record, trial, observation) for trial, observation in made if trial.kind == "board or chip"]
    pins = with_origin(record, pins, checklist)
    pins = with_fold_margins(record, pins)
    pins = with_dwells(record, pins, made)
    rows = {row.trial.sequence: row for pin in pins for row in pin.rows}
    trials = tuple(rows[one.trial.sequence] for one in read)
    coupons = [_read(record, trial, observation) for trial, observation in every if trial.kind == "coupon"]
    found = RunFinding(record, trials, pins, tuple(_notes(pins)), board_advice(record, pins))
    return replace(with_spread(with_repeatability(found)), coupons=coupon_items(record, coupons))


def _with_a_condition_of_their_own(trials: Sequence[Trial]) -> list[Trial]:
    """All but the checklist of a pin that was tried otherwise: it tells of the pin, and is no condition of its own."""
    return [trial for trial in trials if trial.kind != "board or chip" or not has_home(trial, trials)]


def _in_order(
    record: RunRecord, observations: Sequence[tuple[Trial, Observation]]
) -> Iterable[tuple[Trial, Observation | None]]:
    made = {trial.sequence: (trial, observation) for trial, observation in observations}
    planned = {trial.sequence: trial for trial in record.planned}
    for sequence, trial in planned.items():
        was, observation = made.pop(sequence, (trial, None))
        if was.label != trial.label:
            raise RecordError(
                f"journal.jsonl: trial {sequence}: made as {was.label[:120]!r}, planned as {trial.label[:120]!r}"
            )
        yield trial, observation
    resistors, capacitors = {one.name for one in record.resistors}, {one.name for one in record.capacitors}
    for trial, observation in made.values():
        problem = unknown_name(trial, resistors, capacitors)
        if problem:
            raise RecordError(f"journal.jsonl: trial {trial.sequence}: {problem}")
        yield trial, observation


def _read(record: RunRecord, trial: Trial, observation: Observation | None) -> ReadTrial:
    if observation is None or observation.outcome != "measured":
        return ReadTrial(trial, observation)
    return ReadTrial(trial, observation, _trace_finding(record, trial, observation))


def _pin(
    record: RunRecord,
    condition: Condition,
    pin: Pin,
    trials: Sequence[ReadTrial],
    sweep: SweepFinding | None,
    *,
    budgets: bool,
) -> PinFinding:
    with seen_by(record.meter):
        return analyse_pin(record, condition, pin, trials, sweep, budgets=budgets)


def _sweep(record: RunRecord, pin: Pin, trial: Trial, observation: Observation | None) -> SweepFinding:
    with one_thread(), seen_by(record.meter):
        return sweep_finding(record, pin, trial, observation)


def _trace_finding(record: RunRecord, trial: Trial, observation: Observation) -> TraceFinding:
    here = record.under(trial.condition)
    with seen_by(here.meter):
        return read_trace(
            observation.trace,
            rail_v=trial.condition.rail_v if observation.rail_v is None else observation.rail_v,
            levels=here.levels,
            meter=here.meter,
            allowed_s=here.rules.allowed_s,
            hold_v=observation.hold_v,
            released_after_s=observation.released_after_s,
        )


def _turns(dwell: DwellFinding) -> bool:
    """Whether minutes show another verdict than the beginning of the log, or than the ordinary trials."""
    return dwell.changes is True or (dwell.ordinary_word in ("released", "slow") and dwell.sticks)


def _notes(pins: Sequence[PinFinding]) -> list[str]:
    """What stands on page one: trials that are missing, and contact that nothing proved."""
    rows = [row for pin in pins for row in pin.rows]
    missing = sum(row.verdict == "not tested" for row in rows)
    evidence = [row for row in rows if row.verdict not in NO_EVIDENCE]
    unproven = sum(row.observation is not None and row.observation.contact == "not proven" for row in evidence)
    notes = []
    if missing:
        notes.append(f"{missing} of {len(rows)} planned trials were not made")
    sweeps = [pin.sweep for pin in pins if pin.sweep is not None]
    open_sweeps = sum(sweep.worse is None for sweep in sweeps)
    if open_sweeps:
        notes.append(f"{open_sweeps} of {len(sweeps)} planned sweeps do not tell the largest safe resistance")
    disagreeing = [pin.pin for pin in pins if pin.sweep is not None and pin.sweep.agreement == "disagrees"]
    if disagreeing:
        notes.append(f"sweep and trials disagree on {', '.join(dict.fromkeys(disagreeing))}")
    for what in ("overdrive", "press_level"):
        against = [pin.pin for pin in pins if getattr(getattr(pin, what), "agreement", "") == "disagrees"]
        if against:
            named = what.replace("_", " ")
            notes.append(f"{named}: sweep and presses disagree on {', '.join(dict.fromkeys(against))}")
    turned = [pin.pin for pin in pins if pin.dwell is not None and _turns(pin.dwell)]
    if turned:
        notes.append(f"on a long dwell the verdict changes on {', '.join(dict.fromkeys(turned))}")
    apart = [pin.pin for pin in pins if pin.pull_down_ways is not None and pin.pull_down_ways.disagreeing]
    if apart:
        notes.append(f"ways to the pull-down disagree on {', '.join(dict.fromkeys(apart))}")
    little = [f"{pin.pin} with {margin.trial.resistor}" for pin in pins for margin in pin.fold_margins if margin.little]
    if little:
        notes.append(f"little margin near the fold: {', '.join(dict.fromkeys(little))}")
    if unproven:
        notes.append(f"contact not proven in {unproven} of {len(evidence)} trials")
    return notes
