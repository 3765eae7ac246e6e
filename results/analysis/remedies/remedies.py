"""What clears a pin that latches: each remedy of the plan against what was seen of it. One finding a remedy and pin."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from results.analysis.findings import PinFinding
from results.analysis.found.remedy import RemedyFinding, RemedyVerdict
from results.analysis.pin_bench import PinBench
from results.analysis.remedies.remedy_polled import polled_step
from results.analysis.remedies.remedy_resistor import external_pull_down
from results.analysis.remedies.remedy_steps import Step, changed_over_step, driven_low_step
from results.analysis.resistor.advice import UNSTATED_LOAD_S
from results.analysis.value import Value
from results.analysis.verdict import STUCK
from results.quantity import resistor_name, show
from results.record.observation import Observation
from results.record.run_record import Remedy, RunRecord
from results.record.trial import NO_RESISTOR, Pin, Trial

Made = Sequence[tuple[Trial, Observation | None]]

PROCEDURES: Mapping[str, Remedy] = {
    "driven_low": "driven low",
    "changeover": "changeover contact",
    "polled_buffer": "polled buffer",
}
READERS = {"driven low": driven_low_step, "changeover contact": changed_over_step, "polled buffer": polled_step}


def with_remedies(record: RunRecord, pins: tuple[PinFinding, ...], made: Made) -> tuple[PinFinding, ...]:
    """The pins in the setup that remedies were tried in, each with a finding a remedy, in the plan's order. Pure."""
    rules = record.remedies
    if rules is None:
        return pins
    known = {pin.name: pin for pin in record.pins}
    found = []
    for pin in pins:
        if pin.condition.pin_setup == rules.pin_setup:
            bench = PinBench(record.under(pin.condition), known.get(pin.pin, Pin(pin.pin)))
            mine = [
                (PROCEDURES.get(trial.procedure), seen)
                for trial, seen in made
                if trial.kind == "remedy" and (trial.pin, trial.condition) == (pin.pin, pin.condition)
            ]
            pin = replace(pin, remedies=tuple(_finding(bench, pin, remedy, mine) for remedy in rules.tried))
        found.append(pin)
    return tuple(found)


def latches(pin: PinFinding) -> bool:
    """Whether the bare pin stuck, or was held at the press level, in any of its trials, or latched to be unlatched."""
    return (pin.overdrive is not None and pin.overdrive.latched > 0) or any(
        row.verdict in STUCK or row.verdict == "held at press level"
        for row in pin.rows
        if row.trial.resistor == NO_RESISTOR
    )


def only_sometimes(pin: PinFinding) -> bool:
    """Whether a pin that latches did not in some of its bare trials or unlatch steps."""
    bare = [row.verdict for row in pin.rows if row.trial.resistor == NO_RESISTOR]
    unlatched = pin.overdrive is not None and pin.overdrive.latched < pin.overdrive.presses
    return latches(pin) and (unlatched or "released" in bare)


def _by_luck(pin: PinFinding, finding: RemedyFinding) -> RemedyFinding:
    """A pin that latches only sometimes is low by luck, too: only what was seen to be latched before, and a resistor
    that the advice has weighed, has cleared it."""
    advised = finding.resistor and pin.advice.ohm is not None and finding.resistor == resistor_name(pin.advice.ohm)
    if finding.verdict != "clears" or finding.remedy == "driven low" or advised or not only_sometimes(pin):
        return finding
    why = "the pin latches only sometimes, and whether it would have in these tries cannot be told"
    return replace(finding, verdict="undecided", margin=None, note="; ".join(filter(None, (finding.note, why))))


def _finding(
    bench: PinBench, pin: PinFinding, remedy: Remedy, mine: Sequence[tuple[Remedy | None, Observation | None]]
) -> RemedyFinding:
    if remedy == "external pull-down":
        return short_of_what_is_needed(_by_luck(pin, external_pull_down(bench, pin, latches(pin))))
    seen = [observation for which, observation in mine if which == remedy]
    steps = [_step(bench, remedy, one) for one in seen if one is not None and _is_evidence(one)]
    if not steps:
        return _without_evidence(remedy, [one for one in seen if one is not None])
    finding = _without_load(bench, pin, _by_luck(pin, _together(pin, remedy, steps)))
    return short_of_what_is_needed(_with_margin(bench, pin, finding))


def short_of_what_is_needed(finding: RemedyFinding) -> RemedyFinding:
    """A remedy with less than what is needed may have cleared the pin in these tries, and need not in the next."""
    if finding.verdict != "clears" or finding.margin is None or finding.margin >= 0.0:
        return finding
    why = f"it cleared the pin in these tries, but may be short of the {finding.margin_of} that is needed"
    return replace(finding, verdict="undecided", note="; ".join(filter(None, (finding.note, why))))


def _without_load(bench: PinBench, pin: PinFinding, finding: RemedyFinding) -> RemedyFinding:
    """What a polled buffer rests on is the pin's own pull-down; meter and fixture, which help it, are no part of it.

    Without them a time constant C/(G_pd + G_load) is C/G_pd, wherever they end.
    """
    if finding.remedy != "polled buffer":
        return finding
    if pin.pull_down_from == "not found":
        if finding.verdict not in ("clears", "nothing to clear") or bench.helping_s == 0.0:
            return finding
        why = "no pull-down was found: the meter may be what pulled the node low"
        return replace(finding, verdict="undecided", safe_gap=None, note="; ".join(filter(None, (finding.note, why))))
    measured = pin.pull_down is not None and pin.pull_down_from != "plan range"
    weakest_ohm = bench.record.rules.pull_down_high_ohm
    inside_ohm = pin.pull_down.value if measured and pin.pull_down is not None else weakest_ohm
    load_s = UNSTATED_LOAD_S if bench.load_s is None else bench.load_s
    longer = 1.0 + load_s * inside_ohm
    gap = finding.safe_gap
    return finding if gap is None else replace(finding, safe_gap=Value(gap.value * longer, gap.u * longer))


def _step(bench: PinBench, remedy: Remedy, observation: Observation) -> Step | None:
    """One try; a pin that came below V_IL later than allowed is not cleared, as far as that is the pin's doing."""
    step = READERS[remedy](bench, observation)
    if step is None:
        return None
    # What stood there before the press is said of the trials already.
    seen = [note for note in observation.notes if not note.startswith("high before the press")]
    step = replace(step, notes=(*seen, *step.notes))
    allowed_s = bench.record.rules.allowed_s
    if step.low is not True or step.release_time_s is None or step.release_time_s <= allowed_s:
        return step
    late = f"below V_IL later than release.allowed of {show(allowed_s, 's')}"
    if remedy == "changeover contact":
        return replace(step, low=None, notes=(*step.notes, f"{late}, the time that two relays take included"))
    return replace(step, low=False, notes=(*step.notes, late))


def _is_evidence(observation: Observation) -> bool:
    return (
        observation.outcome == "measured"
        and observation.contact != "disproven"
        and observation.holder not in ("press path", "open")
    )


def _without_evidence(remedy: Remedy, seen: Sequence[Observation]) -> RemedyFinding:
    if not seen:
        return RemedyFinding(remedy, "not tried", note="not made")
    why = dict.fromkeys(note for one in seen for note in (*one.notes, one.outcome) if note != "measured")
    return RemedyFinding(remedy, "failed", note="; ".join(why))


def _together(pin: PinFinding, remedy: Remedy, steps: Sequence[Step | None]) -> RemedyFinding:
    """All steps of one remedy on one pin: the worst of each number."""
    read = [step for step in steps if step is not None]
    tried = [step for step in read if step.latched is not False or not latches(pin)]
    cleared = sum(step.low is True for step in tried)
    notes = dict.fromkeys(note for step in read for note in step.notes)
    if len(tried) < len(read):
        notes[f"the pin did not latch in {len(read) - len(tried)} of {len(read)} tries, which say nothing"] = None
    times = [step.release_time_s for step in tried]
    return RemedyFinding(
        remedy,
        _verdict(pin, tried, cleared),
        tries=len(tried),
        cleared=cleared,
        extra_current_a=0.0,
        power_w=0.0,
        release_time_s=None if not times or None in times else max(t for t in times if t is not None),
        rest=_largest([step.rest for step in tried]),
        first=_largest([step.first for step in tried]),
        settled=_largest([step.settled for step in tried]),
        polls=sum(step.polls for step in tried),
        polls_right=sum(step.polls_right for step in tried),
        followed_s=max((step.followed_s for step in tried if step.followed_s is not None), default=None),
        period_at_least_s=max((step.period_at_least_s for step in tried if step.period_at_least_s), default=None),
        safe_gap=_largest([step.safe_gap for step in tried]),
        safe_gap_is_bound=any(step.safe_gap_is_bound for step in tried),
        note="; ".join(notes),
    )


def _verdict(pin: PinFinding, tried: Sequence[Step], cleared: int) -> RemedyVerdict:
    if any(step.low is False for step in tried):
        return "does not clear"
    if not tried or cleared < len(tried):
        return "undecided"
    return "clears" if latches(pin) or any(step.latched for step in tried) else "nothing to clear"


def _largest(values: Sequence[Value | None]) -> Value | None:
    return max((value for value in values if value is not None), key=lambda value: value.value, default=None)


def _with_margin(bench: PinBench, pin: PinFinding, finding: RemedyFinding) -> RemedyFinding:
    """How much more than needed: current of the driver, or time."""
    rules = bench.record.remedies
    assert rules is not None
    if finding.verdict not in ("clears", "nothing to clear"):
        return finding
    if finding.remedy == "driven low":
        needed, why = _needed(bench, pin)
        if rules.driver_current_a is None:
            why = "the plan does not say what the driver can sink (remedies.driver_current)"
        margin = None
        if needed is not None and rules.driver_current_a is not None:
            margin = rules.driver_current_a / (needed.value + bench.record.rules.coverage * needed.u) - 1.0
        note = "; ".join(filter(None, (finding.note, f"no margin: {why}" if why else "")))
        return replace(finding, needed=needed, margin=margin, margin_of="current", note=note)
    taken_s, allowed_s = finding.release_time_s, bench.record.rules.allowed_s
    if finding.remedy == "polled buffer":
        k, gap = bench.record.rules.coverage, finding.safe_gap
        taken_s = None if gap is None else gap.value + k * gap.u
        allowed_s = rules.poll_period_s - rules.open_time_s
    margin = None if not taken_s else allowed_s / taken_s - 1.0
    return replace(finding, margin=margin, margin_of="time")


def _needed(bench: PinBench, pin: PinFinding) -> tuple[Value | None, str]:
    """The current to sink, with a standard uncertainty: by sweep, else what resistors show to be enough; or why not."""
    drive = pin.overdrive
    if drive is not None and drive.agreement == "disagrees":
        return None, "sweep and resistors disagree on the overdrive current"
    if drive is not None and drive.swept is not None and drive.swept_half_width_a is not None:
        return Value(drive.swept.value, drive.swept_half_width_a / bench.record.rules.coverage), ""
    if drive is not None and drive.at_most is not None:
        return drive.at_most, ""
    if not latches(pin):
        return None, ""
    if drive is not None and drive.at_least is not None:
        return None, "no resistor took the pin low, so that the overdrive current has no upper limit"
    return None, "the overdrive current is not known ([sweep] or [unlatch])"
