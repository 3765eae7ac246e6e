"""All words and numbers of the report, as one dictionary of plain data made from a RunFinding.

No layout, no markup, no figures: texts, and numbers as cells (results/report/numbers.py). What stands in the PDF can
be tested here, and any other form of the report can be made from the same dictionary.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from string import ascii_lowercase
from typing import Any

from results.analysis.findings import PinFinding, RunFinding, TrialFinding, Value
from results.analysis.resistor.board_advice import condition_text
from results.guard_band import false_acceptance_risk
from results.quantity import show
from results.record.observation import Observation
from results.record.run_record import RunRecord
from results.record.trial import NO_RESISTOR, Condition
from results.report.by_condition import counts_by_condition, has_trace, left_out, short_texts, suspects_of
from results.report.confidence import WORTHLESS, calibration, limits, names, started_on
from results.report.headline import NONCONFORMING, VERDICTS, headline, legend, tiles, worst_of
from results.report.more_sections import more_sections
from results.report.numbers import NOT_DETERMINED, Cell, bare_cell, bracket_text, cell, moment, percent, plain
from results.report.section import as_data
from results.report.suspect import suspect, worst_settled
from results.report.swept import swept, swept_of
from results.report.wording import SYMBOLS, cautions, meaning, method, risk_text
from results.words import words_for

MOST_ON_PAGE_ONE = 14
MOST_BESIDE_A_LARGE_MAP = 7
"""Rows of the table of nonconforming pins on page one; the others stand in the table of all pins."""

HEADINGS = ("Pins that stay high", "to ground", "Pull-down", "highest", "Below V_IL", "above V_IL")
"""Words of the layout that speak of the level."""

LARGE_MAP = 72
"""A map of more pins than this leaves less room on page one."""

SHARED_BY = 3
"""A note of this many pins is said once below the table of all pins."""


def report_content(finding: RunFinding, *, written_utc: datetime) -> dict[str, Any]:
    """The report as a dictionary of strings, lists and dictionaries (JSON as it stands).

    `written_utc` is the instant that the report says it was written at; it must carry a time zone. Raises ValueError
    where it does not.
    """
    if written_utc.tzinfo is None:
        raise ValueError(f"written_utc: needs a time zone: {written_utc.isoformat()}")
    record = finding.record
    written = written_utc.astimezone(UTC).strftime("%Y-%m-%d %H:%M UTC")
    notes = {note: number for number, note in enumerate(_in_order(finding), start=1)}
    marks = shared_notes(finding.pins)
    under = short_texts(pin.condition for pin in finding.pins)
    shown = suspects_of(finding)
    return {
        "words": words_of(record),
        "title": "Release test of digital inputs",
        "run": record.run,
        "version": record.version,
        "manifest": "evidence and its checksums: manifest.sha256 in the run folder",
        "facts": _facts(record, finding, written),
        "headline": headline(finding),
        "tiles": tiles(finding),
        "legend": legend(finding),
        "stuck": _stuck(finding),
        "limits": limits(finding),
        "conditions": [_fact(label, text) for label, text in counts_by_condition(finding)],
        "several_conditions": len({pin.condition for pin in finding.pins}) > 1,
        "pins": [{**_pin_row(pin, record, marks), "condition": under[pin.condition]} for pin in finding.pins],
        "pin_notes": [{"mark": mark, "text": text} for text, mark in marks.items()],
        "suspects": [suspect(pin, record) for pin in shown],
        "left_out": left_out(finding.pins, shown),
        "sweeps": [swept(pin, record) for pin in swept_of(finding)],
        "untraced": _untraced(finding.pins),
        "more": as_data(more_sections(finding)),
        "meanings": [
            {"symbol": SYMBOLS[word], "word": word, "text": meaning(word, record.press_to)} for word in VERDICTS
        ],
        "bench": _bench(finding),
        "instruments": _instruments(record),
        "resistors": _resistors(record),
        "method": method(record),
        "cautions": cautions(record),
        "trials": [_trial_row(row, record, notes, under) for row in finding.trials],
        "trial_notes": list(notes),
    }


def _in_order(finding: RunFinding) -> list[str]:
    """The notes of the trials, each once."""
    return list(dict.fromkeys(row.note for row in finding.trials if row.note))


def words_of(record: RunRecord) -> dict[str, str]:
    """The words of fixed headings, by what they are in a run that presses to the rail."""
    return {words: words_for(record.press_to, words) for words in HEADINGS}


def _untraced(pins: Sequence[PinFinding]) -> str:
    bare = [pin.pin for pin in pins if pin.verdict != "released" and not has_trace(pin)]
    return f"Without a trace, hence not shown here: {names(bare, 40)}." if bare else ""


def _facts(record: RunRecord, finding: RunFinding, written: str) -> list[dict[str, str]]:
    measured = [seen.rail_v for seen in _observations(finding) if seen.rail_v is not None]
    rail = f"{plain(record.rail_v, 'V')} nominal"
    if measured:
        low, high = min(measured), max(measured)
        between = f"{low:.3f}\u00a0V" if high - low < 5e-4 else f"{low:.3f} to {high:.3f}\u00a0V"
        rail += f", measured {between}"
    levels = f"V_IL {_volts(record.levels.v_il)}, V_IH {_volts(record.levels.v_ih)}"
    return [
        _fact("Unit", record.unit.name + (f", revision {record.unit.revision}" if record.unit.revision else "")),
        _fact("Serial", record.unit.serial),
        _fact("Lot", record.unit.lot or "not stated"),
        _fact("Tested", moment(record.started_utc)),
        _fact("Rail", rail),
        _fact("Levels", levels + (f" ({record.levels.standard})" if record.levels.standard else " (from the plan)")),
        _fact("Decision rule", _decision(record)),
        _fact("Operator", record.operator or "not stated"),
        _fact("Bench", _checked(record)),
        _fact("Report written", written),
    ]


def _checked(record: RunRecord) -> str:
    """Whether the bench had verified itself before it was used."""
    if record.origin == "recorded":
        return "another instrument's traces"
    if record.check is None:
        return "checked" if record.bench_checked else "not checked"
    when = moment(record.check.checked_utc)
    return f"checked {when}" if record.check_state == "valid" else f"check of {when} {record.check_state}"


def _decision(record: RunRecord) -> str:
    rules = record.rules
    risk = false_acceptance_risk(rules.guard_factor, rules.coverage)
    return f"guard band {rules.guard_rule}: risk {risk_text(risk)} at the limit"


def _observations(finding: RunFinding) -> list[Observation]:
    return [row.observation for row in finding.trials if row.observation is not None]


def _temperature(finding: RunFinding) -> str:
    measured = [seen.temperature_c for seen in _observations(finding) if seen.temperature_c is not None]
    if not measured:
        return "not measured"
    low, high = min(measured), max(measured)
    return show(low, "°C") if low == high else f"{low:.1f} to {high:.1f} °C"


def _fact(label: str, text: str) -> dict[str, str]:
    return {"label": label, "text": text}


def _volts(value: float) -> str:
    return f"{value:g}\u00a0V"


def _stuck(finding: RunFinding) -> dict[str, Any]:
    """The nonconforming pins of page one, each under its worst condition, and a word on the rows left out."""
    bad = [pin for pin in worst_of(finding.pins).values() if pin.verdict in NONCONFORMING]
    most = MOST_BESIDE_A_LARGE_MAP if len(worst_of(finding.pins)) > LARGE_MAP else MOST_ON_PAGE_ONE
    rows = [{**_pin_row(pin, finding.record, {}), "fit": _fit_over_conditions(finding, pin)} for pin in bad[:most]]
    left = len(bad) - len(rows)
    return {"rows": rows, "more": f"{left} more stand in section 1." if left else ""}


def shared_notes(pins: Sequence[PinFinding]) -> dict[str, str]:
    """What is said of three pins or more, and the letter that stands for it in the table of all pins."""
    counts = Counter(part for pin in pins for part in _parts(pin.note))
    shared = [text for text, count in counts.items() if count >= SHARED_BY]
    return dict(zip(shared, ascii_lowercase, strict=False))


def _parts(note: str) -> list[str]:
    return [part for part in note.split("; ") if part]


def _pin_row(pin: PinFinding, record: RunRecord, marks: Mapping[str, str]) -> dict[str, Any]:
    """One row of a table of pins; what has a mark is said once, below the table."""
    k = record.rules.coverage
    own = [part for part in _parts(pin.note) if part not in marks]
    return {
        "pin": pin.pin,
        "condition": condition_text(pin.condition),
        "symbol": SYMBOLS[pin.verdict],
        "verdict": pin.verdict,
        "stuck": "–" if pin.verdict in WORTHLESS else f"{pin.stuck_trials} of {pin.trials}",
        "upper": percent(pin.stuck_rate_upper95) if pin.stuck_rate_upper95 is not None else "–",
        "settled": cell(worst_settled(pin, record.press_to), "V", k, prefixed=False),
        "leakage": _leakage(pin, k),
        "pull_down": cell(pin.pull_down, "Ω", k),
        "safe": cell(pin.safe_ohm, "Ω", k) if pin.safe_ohm is not None else {"text": "–"},
        "safe_from": pin.safe_from if pin.safe_ohm is not None else "",
        "bracket": bracket_text(pin.bracket),
        "fit": fit_cell(pin),
        "marks": "".join(marks[part] for part in _parts(pin.note) if part in marks),
        "note": "; ".join(filter(None, (*own, record.pin(pin.pin).note))),
    }


def _leakage(pin: PinFinding, coverage: float) -> Cell:
    if pin.leakage is None and pin.verdict == "released":
        return {"text": "none seen"}
    return cell(pin.leakage, "A", coverage)


def fit_cell(pin: PinFinding) -> Cell:
    """The resistor to fit, "none needed", or that none can be named."""
    if pin.advice.ohm is not None:
        return bare_cell(pin.advice.ohm, "Ω")
    return {"text": "none needed" if pin.advice.needed is False else NOT_DETERMINED}


def _fit_over_conditions(finding: RunFinding, pin: PinFinding) -> Cell:
    """What the pin needs under every condition that counts, which may be less than under that of its worst verdict."""
    fits = () if finding.board_advice is None else finding.board_advice.pins
    fit = next((one for one in fits if one.pin == pin.pin), None)
    if fit is None:
        return fit_cell(pin)
    return bare_cell(fit.ohm, "Ω") if fit.ohm is not None else {"text": NOT_DETERMINED}


def _bench(finding: RunFinding) -> list[dict[str, str]]:
    record, meter, fixture = finding.record, finding.record.meter, finding.record.fixture
    accuracy = f"{plain(meter.accuracy_reading, '%')} of reading + {plain(meter.accuracy_v, 'V')}"
    if meter.accuracy_reading == 0.0 and meter.accuracy_v == 0.0:
        accuracy = "not stated"
    return [
        _fact("Bench", record.bench_name or "not named"),
        _fact("Bench check", _check_text(record)),
        _fact("Origin of the traces", "this bench" if record.origin == "bench" else "recorded by another instrument"),
        _fact("Meter accuracy (limits)", accuracy),
        *_source(record),
        _fact("Meter input resistance", _known_to(meter.input_ohm, meter.input_tolerance)),
        _fact("Meter range", _stated(meter.range_v, "V")),
        _fact("Mains frequency", f"{meter.line_hz:g}\u00a0Hz" if meter.line_hz else "not stated"),
        _fact("Fixture", f"{plain(fixture.capacitance_f, 'F')}, leakage {plain(fixture.conductance_s, 'S')}"),
        _fact("Temperature", _temperature(finding)),
        _fact("Software", ", ".join([f"stuckpin {record.version}", *(f"{n} {v}" for n, v in record.software.items())])),
    ]


def _check_text(record: RunRecord) -> str:
    text = record.bench_checked or "not checked before this run"
    return text if record.check is None else text.replace(record.check.checked_utc, moment(record.check.checked_utc))


def _source(record: RunRecord) -> list[dict[str, str]]:
    """The accuracy of the source's current, where a sweep rests on it."""
    if record.source is None or record.sweep is None:
        return []
    source = record.source
    limits_text = f"{plain(source.accuracy_reading, '%')} of reading + {plain(source.accuracy_a, 'A')}"
    return [_fact("Source current accuracy (limits)", limits_text)]


def _known_to(ohm: float | None, tolerance: float) -> str:
    """A resistance with its tolerance, or that it is taken as exact."""
    if ohm is None:
        return "not stated"
    return f"{plain(ohm, 'Ω')} " + (f"± {plain(tolerance, '%', 2)}" if tolerance else "(taken as exact)")


def _stated(value: float | None, unit: Any) -> str:
    return "not stated" if value is None else plain(value, unit)


def _instruments(record: RunRecord) -> list[dict[str, str]]:
    day = started_on(record)
    return [
        {
            "role": instrument.role.replace("_", " "),
            "identity": instrument.identity or "did not say",
            "resource": instrument.resource,
            "calibration": calibration(instrument, day)[0],
            "alarming": "yes" if calibration(instrument, day)[0].startswith(("overdue", "not readable")) else "",
        }
        for instrument in record.instruments
    ]


def _resistors(record: RunRecord) -> list[dict[str, Any]]:
    k = record.rules.coverage
    return [
        {
            "name": resistor.name,
            "tolerance": show(resistor.tolerance, "%") if resistor.tolerance else "not stated",
            "measured": "not measured in place"
            if resistor.measured_ohm is None
            else " ".join(cell(Value(resistor.measured_ohm, resistor.measured_u_ohm or 0.0), "Ω", k).values()),
        }
        for resistor in record.resistors
        if resistor.name != NO_RESISTOR
    ]


def _trial_row(
    row: TrialFinding, record: RunRecord, notes: Mapping[str, int], under: Mapping[Condition, str]
) -> dict[str, Any]:
    k, trial = record.rules.coverage, row.trial
    blank: Cell = {"text": "–"}
    release = row.trace.release_time_s if row.trace is not None else None
    return {
        "sequence": str(trial.sequence),
        "pin": trial.pin,
        "condition": under.get(trial.condition, condition_text(trial.condition))
        + (", as found" if trial.as_found else ""),
        "as_found": "as found" if trial.as_found else "",
        "resistor": trial.resistor,
        "repeat": str(trial.repeat),
        "symbol": SYMBOLS[row.verdict],
        "verdict": row.verdict,
        "settled": cell(row.settled, "V", k, prefixed=False) if row.settled else blank,
        "release": bare_cell(release, "s", 3) if release is not None else blank,
        "tau": _tau(row, k) or blank,
        "net": cell(row.net_current, "A", k) if row.net_current else blank,
        "note": str(notes[row.note]) if row.note else "",
    }


def _tau(row: TrialFinding, coverage: float) -> Cell | None:
    """The time constant: with U where fitted, marked ≤ where only an upper bound is known."""
    decay = row.trace.decay if row.trace is not None else None
    if decay is None or decay.time_constant_s is None:
        return None
    if not decay.is_upper_bound and decay.u_s is not None:
        return cell(Value(decay.time_constant_s, decay.u_s), "s", coverage)
    bare = bare_cell(decay.time_constant_s, "s", 3)
    return {**bare, "n": f"≤ {bare['n']}"} if decay.is_upper_bound and "n" in bare else bare
