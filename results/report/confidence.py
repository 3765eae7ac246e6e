"""What limits the confidence in the run, in plain words, gravest first. Page one carries it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from results.analysis.findings import PinFinding, RunFinding
from results.record.run_record import InstrumentRecord, RunRecord
from results.report.interruptions import interruptions, times_resumed, times_text
from results.report.numbers import percent, plain
from results.report.recoveries import recoveries
from results.words import words_for

NEVER_TOLD = "link watch"
"""The item of a bench check that no computer can prove: it limits every run alike."""

WORTHLESS = ("no contact", "failed", "not tested")
"""Verdicts that are no evidence either way."""


def limits(finding: RunFinding) -> list[dict[str, str]]:
    """Title and text of each limit; empty only where nothing limits the confidence but the stated uncertainties."""
    record = finding.record
    found = [
        _altered(finding),
        _void(finding),
        _damage(finding),
        _missing(finding),
        _contact(finding.pins),
        _presses(finding.pins),
        _undecided(finding.pins, record.press_to),
        _accuracy(record),
        _bench(record),
        _calibration(record),
        _pull_down(finding.pins, record.press_to),
        _fitted(finding),
        _origin(record),
        _resumed(finding),
        _recovered(finding),
        *(("Note", note) for note in _notes(finding) if note.strip() and not _said_already(note)),
    ]
    return [{"title": title, "text": text} for title, text in filter(None, found)]


def calibration(instrument: InstrumentRecord, started: date | None) -> tuple[str, bool]:
    """What to say about an instrument's calibration on the day of the run, and whether it limits the confidence."""
    if not instrument.calibration_due:
        return "not stated", True
    try:
        due = date.fromisoformat(instrument.calibration_due[:10])
    except ValueError:
        return f"not readable: {instrument.calibration_due}", True
    if started is None:
        return f"due {due.isoformat()}; day of the run not known", True
    return (f"overdue since {due.isoformat()}", True) if due < started else (f"due {due.isoformat()}", False)


def started_on(record: RunRecord) -> date | None:
    """The UTC day of the run, None where run.json does not say it readably."""
    try:
        return datetime.fromisoformat(record.started_utc).date()
    except ValueError:
        return None


def names(pins: Sequence[str], most: int = 8) -> str:
    """Pin names in a row, each once: "D1, D2 and 6 more"."""
    each = list(dict.fromkeys(pins))
    shown = ", ".join(each[:most])
    return shown if len(each) <= most else f"{shown} and {len(each) - most} more"


def _said_already(note: str) -> bool:
    """What analysis says of the whole run, where it stands here with the pins named."""
    return "planned trials were not made" in note or note.startswith("contact not proven in")


_Limit = tuple[str, str] | None


def _missing(finding: RunFinding) -> _Limit:
    counts = {word: sum(row.verdict == word for row in finding.trials) for word in WORTHLESS}
    missing = sum(counts.values())
    if not missing:
        return None
    parts = ", ".join(f"{count} {word}" for word, count in counts.items() if count)
    pins = names([row.trial.pin for row in finding.trials if row.verdict in WORTHLESS])
    return "Trials missing", f"{missing} of {len(finding.trials)} planned trials are no evidence ({parts}): {pins}."


def _contact(pins: Sequence[PinFinding]) -> _Limit:
    open_ = [pin.pin for pin in pins if not pin.contact_proven and pin.verdict not in WORTHLESS]
    if not open_:
        return None
    return (
        "Contact not proven",
        f"On {names(open_)} nothing proved in every trial that the needle touched the pin; an open needle falls to "
        "zero as well.",
    )


def _presses(pins: Sequence[PinFinding]) -> _Limit:
    judged = [pin for pin in pins if pin.verdict == "released" and pin.trials and not pin.stuck_trials]
    some = [pin for pin in pins if 0 < pin.stuck_trials < pin.trials]
    said = []
    if judged:
        worst = max(judged, key=lambda pin: pin.stuck_rate_upper95 or 0.0)
        said.append(
            f"A pin that released in {worst.trials} of {worst.trials} presses with no resistor may still stick in up "
            f"to {percent(worst.stuck_rate_upper95)} of presses (one-sided 95 %)."
        )
    if some:
        said.append(f"Sticks only sometimes: {names([pin.pin for pin in some])}.")
    return ("Number of presses", " ".join(said)) if said else None


def _undecided(pins: Sequence[PinFinding], press_to: str) -> _Limit:
    undecided = [pin for pin in pins if pin.verdict == "undecided"]
    floating = [pin.pin for pin in undecided if pin.pull_down_from == "not found"]
    open_ = [pin for pin in undecided if pin.pin not in floating]
    moving = [pin.pin for pin in open_ if all(row.settled is None for row in pin.rows if row.verdict == "undecided")]
    straddles = [pin.pin for pin in open_ if pin.pin not in moving]
    said = [f"On {names(straddles)} V ± w straddles {words_for(press_to, 'V_IL')}."] if straddles else []
    said += [f"On {names(moving)} no settled voltage could be determined."] if moving else []
    if floating:
        why = "no pull-down was found: only the meter pulled low what floats without it."
        if press_to == "ground":
            why = "no pull-up was found: what brought it to the rail is not known."
        said.append(f"On {names(floating)} {why}")
    return ("Undecided", " ".join(said)) if said else None


def _accuracy(record: RunRecord) -> _Limit:
    said = []
    if record.meter.accuracy_reading == 0.0 and record.meter.accuracy_v == 0.0:
        said.append("The accuracy of the meter is not stated: U contains the scatter of the samples only.")
    if record.meter.input_ohm is None:
        said.append("The input resistance of the meter is not stated: its load is not corrected.")
    fitted = [resistor for resistor in record.resistors if resistor.nominal_ohm is not None]
    vague = [resistor.name for resistor in fitted if resistor.tolerance == 0.0 and resistor.measured_u_ohm is None]
    if vague:
        said.append(f"No tolerance is stated for {names(vague)}: currents carry none of it.")
    return ("Accuracies not stated", " ".join(said)) if said else None


def _altered(finding: RunFinding) -> _Limit:
    """Evidence that was changed after the run was closed, by whom and why ever: gravest of all."""
    if not finding.altered:
        return None
    files = names([line.partition(": ")[0] for line in finding.altered])
    return (
        "Evidence changed",
        f"Not as it was when the run was sealed: {files}. What this report says rests on the files as they are now; "
        "stuckpin verify tells more.",
    )


def _resumed(finding: RunFinding) -> _Limit:
    """Trials from before and after lie apart in time, and somebody may have touched the fixture in between."""
    times = times_resumed(finding)
    if not times:
        return None
    return "Resumed", f"The run ended early and was resumed {times_text(times)}; see Interruptions."


def _recovered(finding: RunFinding) -> _Limit:
    """Faults that the rule bears: no number rests on them, but the bench may need a look."""
    count = len(recoveries(finding))
    if not count:
        return None
    text = f"The bench was at fault {times_text(count)} during the run; see Recoveries."
    return "Faults of the bench", text


def _notes(finding: RunFinding) -> list[str]:
    """Notes on the whole run, less what the section on interruptions says of a run that was resumed."""
    told = [one.text for one in interruptions(finding) if one.text] if times_resumed(finding) else []
    return [note for note in (*finding.record.notes, *finding.notes) if not note.endswith(tuple(told))]


def _void(finding: RunFinding) -> _Limit:
    """A coupon that was read wrong, or not at all: what lies between rests on nothing, or on one end only."""
    wrong = [f"{one.item.name} ({one.when}): {one.item.note}" for one in finding.coupons if one.item.verdict == "fail"]
    if wrong:
        return (
            "Run void",
            f"A check coupon was read wrong: {'. '.join(wrong)}. Rely on nothing in this run.",
        )
    untold = [f"{one.item.name} ({one.when})" for one in finding.coupons if one.item.verdict == "not determined"]
    if untold:
        return "Check coupons", f"Not determined: {names(untold)}."
    return None


def _damage(finding: RunFinding) -> _Limit:
    """Pins that leak more, or less, than before: what was measured of them in between is of a pin that was changing."""
    harmed = [item.name for item in finding.damage if item.verdict == "fail"]
    if harmed:
        return "Possible damage", f"The leakage changed over the run by more than U and its limit: {names(harmed)}."
    untold = [item.name for item in finding.damage if item.verdict == "not determined"]
    return ("Damage watch", f"Not determined: {names(untold)}.") if untold else None


def _bench(record: RunRecord) -> _Limit:
    """What a check of the bench did not prove before this run. One that was made by other means is taken as stated."""
    check = record.check
    if record.origin == "recorded" or (record.bench_checked and check is None):
        return None
    if check is not None and record.check_state == "valid":
        open_names = [item.name for item in check.items if item.verdict == "not determined" and item.name != NEVER_TOLD]
        untold = [name for name in open_names if not name.startswith("calibration ")]  # which is said by itself
        return ("Bench check", f"Passed, but not determined: {names(untold)}.") if untold else None
    if check is None:
        why = " The bench file was changed since its last check." if record.check_state == "changed" else ""
        text = f"Wiring, resistors and zero of the bench were not verified before this run.{why}"
        return "Bench not checked", text
    if record.check_state == "expired":
        text = f"The check of {check.checked_utc} held until {check.valid_until_utc}; what it measured is not used."
        return "Bench check expired", text
    failed = names([item.name for item in check.failed], 6)
    return "Bench check failed", f"Failed on {check.checked_utc}: {failed}. What it measured is not used."


def _calibration(record: RunRecord) -> _Limit:
    day = started_on(record)
    said = [
        f"{instrument.role} {text}"
        for instrument in record.instruments
        for text, limiting in (calibration(instrument, day),)
        if limiting and instrument.role in ("meter", "source")
    ]
    if not record.instruments and record.origin == "bench":
        return "Instruments", "No instrument is named in the record."
    return ("Calibration", f"{'; '.join(said)}.") if said else None


def _pull_down(pins: Sequence[PinFinding], press_to: str) -> _Limit:
    vague = [
        pin.pin for pin in pins if pin.leakage is None and pin.verdict in ("stuck high", "stuck low", "stuck between")
    ]
    if not vague:
        return None
    return (
        "Leakage not determined",
        f"{names(vague)}: the pin's own {words_for(press_to, 'pull-down')} is not known well enough.",
    )


def _fitted(finding: RunFinding) -> _Limit:
    """A recommended value that was not tried has been worked out, not seen."""
    tried = [resistor.nominal_ohm for resistor in finding.record.resistors if resistor.nominal_ohm is not None]
    untried = sorted(
        {pin.advice.ohm for pin in finding.pins if pin.advice.ohm is not None}
        - {value for value in tried if value is not None}
    )
    if not untried:
        return None
    shown = ", ".join(plain(ohm, "Ω") for ohm in untried)
    source = "neighbouring trials" if finding.record.sweep is None else "sweeps or neighbouring trials"
    return "Recommended values not tried", f"{shown}: worked out from {source}; press again once fitted."


def _origin(record: RunRecord) -> _Limit:
    if record.origin != "recorded":
        return None
    return (
        "Recorded elsewhere",
        "The traces come from another instrument; its settings are as its user stated them.",
    )
