"""What must be said in words beside the numbers of a trial and of a pin: each note once, all in one line."""

from __future__ import annotations

from collections.abc import Sequence

from results.analysis.findings import LeakLine, TraceFinding, TrialFinding, Value, Verdict
from results.analysis.looking_glass import as_seen
from results.analysis.verdict import NO_EVIDENCE
from results.quantity import show
from results.record.observation import Observation
from results.record.trial import NO_RESISTOR, Trial

_HIGH_BEFORE = "high before the press"
_LOAD_UNKNOWN = "the meter's input resistance is not stated: its load is not corrected, net pin current not determined"

TAKEN_AS_LINEAR = "leakage takes the pull-down as linear"
_HEAVY_LOAD = 0.05
"""Of the weakest pull-down expected: a meter of 10 MΩ is 1 % of 90 kΩ and no matter, one of 1 MΩ is 9 %."""


def trial_notes(
    trial: Trial,
    observation: Observation,
    trace: TraceFinding | None,
    verdict: Verdict,
    reason: str,
    *,
    v_il: float,
    rail_tolerance: float,
    load_known: bool,
) -> str:
    """The note of one trial: the reason of its verdict first, then what procedure and trace say, then the rest."""
    notes = [reason, *observation.notes, *(trace.notes if trace is not None else ())]
    if was_high_before(observation, v_il) and not any(_HIGH_BEFORE in note for note in observation.notes):
        seen = "" if observation.before_v is None else f": {show(as_seen(observation.before_v), 'V')}"
        notes.append(f"{_HIGH_BEFORE}{seen}")
    nominal_v = trial.condition.rail_v
    if observation.rail_v is not None and abs(observation.rail_v - nominal_v) > rail_tolerance * nominal_v:
        allowed = f"{show(nominal_v, 'V')} ± {show(rail_tolerance, '%')}"
        notes.append(f"rail {show(observation.rail_v, 'V')} is outside {allowed}")
    if verdict not in NO_EVIDENCE and observation.contact == "not proven":
        notes.append("contact not proven")
    notes.append(_decay_note(trace))
    if trial.as_found:
        notes.append("as found: before the first reset, pin setup not known")
    if not load_known and verdict not in NO_EVIDENCE:
        notes.append(_LOAD_UNKNOWN)
    return joined(notes)


def _decay_note(trace: TraceFinding | None) -> str:
    """What the time constant does not say by itself."""
    decay = None if trace is None else trace.decay
    if decay is None or decay.is_upper_bound:
        return ""
    if decay.time_constant_s is None:
        return f"time constant not determined: {decay.reason}" if decay.reason else ""
    return "" if decay.one_exponential else "the decay is more than one exponential: its time constant is a mean"


def was_high_before(observation: Observation, v_il: float) -> bool:
    """Whether the node was high with nothing pressed: a finding of its own."""
    return observation.reads_before == "high" or (observation.before_v is not None and observation.before_v > v_il)


def pin_notes(rows: Sequence[TrialFinding], *, v_il: float, load_known: bool) -> list[str]:
    """What must be said of all trials of a pin together."""
    seen = [(row, row.observation) for row in rows if row.observation is not None]
    contacts = [observation.contact for row, observation in seen if row.verdict not in NO_EVIDENCE]
    bare = [row.verdict for row in rows if row.trial.resistor == NO_RESISTOR]
    notes = [] if bare else ["no trial without a resistor"]
    unproven = contacts.count("not proven")
    if unproven:
        notes.append(
            "contact not proven"
            if unproven == len(contacts)
            else f"contact not proven in {unproven} of {len(contacts)} trials"
        )
    before = sum(was_high_before(observation, v_il) for _, observation in seen)
    if before:
        notes.append(f"{_HIGH_BEFORE} in {before} of {len(seen)} trials")
    open_count = bare.count("undecided") + bare.count("held at press level")
    if open_count:
        notes.append(f"open trials taken as stuck in the upper limit of the stuck rate: {open_count}")
    if any(row.trial.as_found for row, _ in seen):
        notes.append("as-found trials are counted: their pin setup is not known")
    lost = len(rows) - len(contacts)
    if lost and contacts:
        notes.append(f"{lost} of {len(rows)} trials are no evidence")
    if contacts and not load_known:
        notes.append(_LOAD_UNKNOWN)
    return notes


def bare_release_note(rows: Sequence[TrialFinding], load_s: float | None, weakest_pull_down_ohm: float) -> str:
    """What a release with nothing fitted does not prove where the bench itself is a resistor of some weight."""
    bare = [row.verdict for row in rows if row.trial.resistor == NO_RESISTOR]
    if not load_s or "released" not in bare or load_s * weakest_pull_down_ohm <= _HEAVY_LOAD:
        return ""
    return f"released with {show(1.0 / load_s, 'Ω', 3)} of the bench on the node: a leak which that clears is not seen"


def leakage_note(leakage: Value | None, line: LeakLine | None, coverage: float) -> str:
    """On what a leakage rests beside its uncertainty: a transistor draws more at mid level than a straight line says.

    A plain-leak line that passed has shown the pull-down to be straight.
    """
    if leakage is None or leakage.value <= coverage * leakage.u or (line is not None and line.passes):
        return ""
    return TAKEN_AS_LINEAR


def safe_resistance_note(required: Value | None, safe: Value | None, series_ohm: float, coverage: float) -> str:
    """What a line says where it gives no number with an uncertainty, or where part of the number is on the board."""
    if required is None:
        return ""
    if safe is not None:
        if series_ohm <= 0.0:
            return ""
        external_ohm = safe.value - series_ohm
        left = f"{show(external_ohm, 'Ω')} of it outside" if external_ohm > 0.0 else "none of it outside"
        return f"largest safe resistance is that of the pin itself: {left}, {show(series_ohm, 'Ω')} on the board"
    upper_s = required.value + coverage * required.u
    if upper_s <= 0.0:
        return "plain-leak line: no resistor needed"
    return f"plain-leak line: largest safe resistance at least {show(1.0 / upper_s, 'Ω')}, no upper limit"


def joined(notes: Sequence[str]) -> str:
    """Each note once, in order, in one line."""
    return "; ".join(dict.fromkeys(" ".join(note.split()) for note in notes if note.strip()))
