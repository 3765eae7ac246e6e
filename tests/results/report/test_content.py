"""The dictionary of the report says which pins, how bad, what to fit and how sure, in the numbers of the findings."""

import json
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import pytest

from results.analysis.findings import Advice, RunFinding
from results.record.trial import Condition
from results.report.content import report_content
from tests.results.report.made_findings import fernhill
from tests.results.report.made_sweeps import swept_run

WRITTEN = datetime(2026, 9, 14, 9, 0, tzinfo=UTC)


def _content(finding: RunFinding | None = None):
    return json.loads(
        json.dumps(report_content(finding or fernhill(), written_utc=WRITTEN), allow_nan=False).replace("\\u00a0", " ")
    )


def _pin(content, name):
    return next(row for row in content["pins"] if row["pin"] == name)


def _suspect(content, name):
    found = next(entry for entry in content["suspects"] if entry["pin"] == name)
    return {entry["label"]: entry["text"] for entry in found["numbers"]}


def _with(finding, name, **changes):
    return replace(finding, pins=tuple(replace(p, **changes) if p.pin == name else p for p in finding.pins))


def test_the_headline_counts_the_pins_and_names_what_to_fit():
    headline = _content()["headline"]
    assert headline["text"] == (
        "5 of 24 pins stay high; fit 5.6 kΩ to ground on D3, D7, D12, D20; no value can be named for D15."
    )
    assert headline["tone"] == "nonconforming"
    assert headline["details"][0] == "Stuck high: D3, D7, D12, D15, D20."
    assert headline["details"][-1] == "No contact: D22."


def test_the_smallest_recommended_value_is_the_one_for_each():
    two = fernhill((("D3", "mid"), ("D12", "plain")))
    assert _content(two)["headline"]["text"] == "2 of 24 pins stay high; fit 5.6 kΩ to ground on each."
    one = fernhill((("D12", "plain"),))
    assert _content(one)["headline"]["text"] == "1 of 24 pins stays high; fit 18 kΩ to ground on it."


def test_a_pin_held_at_the_press_level_counts_as_staying_high():
    held = _with(fernhill(()), "D4", verdict="held at press level", advice=Advice(None, None, None, "cause open"))
    assert _content(held)["headline"]["text"] == "1 of 24 pins stays high; no resistor to fit can be named."


def test_a_clear_run_says_so_and_an_unclear_one_does_not():
    clear = _content(fernhill(()))["headline"]
    assert (clear["text"], clear["tone"]) == ("All 24 pins released as required.", "clear")
    unclear = _content(_with(fernhill(()), "D4", verdict="undecided"))["headline"]
    assert (unclear["text"], unclear["tone"]) == (
        "No pin is shown to stay high; 23 of 24 pins released as required.",
        "open",
    )
    none = _content(fernhill((("D1", "no contact"),), pins=1))["headline"]
    assert (none["text"], none["tone"]) == ("No pin could be judged.", "open")


def test_the_worst_condition_of_a_pin_makes_its_verdict_and_each_condition_is_counted():
    finding = fernhill((("D3", "mid"),))
    off = Condition("buffer off", 3.3)
    cured = tuple(
        replace(pin, condition=off, verdict="released", advice=Advice(None, False, None, "")) for pin in finding.pins
    )
    content = _content(replace(finding, pins=cured + finding.pins))
    assert content["headline"]["text"].startswith("1 of 24 pins stays high under at least one condition; fit 5.6 kΩ")
    assert content["conditions"] == [
        {"label": "buffer off", "text": "0 of 24 stay high"},
        {"label": "reset default", "text": "1 of 24 stay high"},
    ]
    assert len(content["tiles"]) == 24
    assert len(content["pins"]) == 48


def test_the_facts_of_page_one_are_those_of_the_record():
    facts = {entry["label"]: entry["text"] for entry in _content()["facts"]}
    assert facts == {
        "Unit": "Fernhill irrigation controller, revision C",
        "Serial": "FH-2417-001",
        "Lot": "FH-2417",
        "Tested": "2026-09-14 08:15 UTC",
        "Rail": "3.3 V nominal, measured 3.301 V",
        "Levels": "V_IL 0.8 V, V_IH 2 V (JESD8C.01 3.3 V)",
        "Decision rule": "guard band w = U: risk 2.28 % at the limit",
        "Operator": "R. Operator",
        "Bench": "checked",
        "Report written": "2026-09-14 09:00 UTC",
    }


def test_every_tile_has_a_symbol_and_a_word_and_no_two_verdicts_share_one():
    content = _content()
    assert [tile["name"] for tile in content["tiles"]] == [f"D{n}" for n in range(1, 25)]
    symbols = [entry["symbol"] for entry in content["meanings"]]
    assert len(set(symbols)) == len(symbols) == 10
    assert content["legend"] == [
        {"symbol": "▲", "word": "stuck high", "count": "5"},
        {"symbol": "○", "word": "released", "count": "18"},
        {"symbol": "×", "word": "no contact", "count": "1"},
    ]


def test_a_stuck_pin_stands_on_page_one_with_voltage_leakage_bracket_and_fit():
    row = next(row for row in _content()["stuck"]["rows"] if row["pin"] == "D3")
    # 2.03 V; u of 0.1 mV noise and 0.703 mV limits / sqrt 3, k = 2: U = 0.84 mV.
    assert row["settled"] == {"n": "2.03000 ± 0.00084", "unit": "V"}
    # The 10 kΩ trial: 1.02 V / 10 kΩ + 1.02 V / 10 MΩ + 1.02 V / 60 kΩ = 119.1 µA.
    assert row["leakage"] == {"n": "119 ± 10", "unit": "µA"}
    assert (row["bracket"], row["stuck"], row["upper"]) == ("8.2 kΩ to 10 kΩ", "3 of 3", "100 %")
    assert row["fit"] == {"n": "5.6", "unit": "kΩ"}


def test_the_highest_of_the_settled_voltages_is_shown():
    # D15 came to rest at 2.03 V once and at 0 V twice.
    assert _pin(_content(), "D15")["settled"] == {"n": "2.03000 ± 0.00084", "unit": "V"}


def test_released_and_unjudged_pins_show_no_numbers_that_they_have_not():
    released = _pin(_content(), "D1")
    assert (released["stuck"], released["upper"], released["fit"]["text"]) == ("0 of 3", "63.2 %", "none needed")
    assert released["leakage"] == {"text": "none seen"}
    unjudged = _pin(_content(), "D22")
    assert (unjudged["stuck"], unjudged["upper"]) == ("–", "–")
    assert unjudged["settled"] == unjudged["leakage"] == unjudged["fit"] == {"text": "not determined"}
    assert unjudged["note"] == "needle open in every trial"


def test_every_pin_that_did_not_simply_release_has_its_numbers():
    content = _content()
    assert [entry["pin"] for entry in content["suspects"]] == ["D3", "D7", "D12", "D15", "D20", "D22"]
    plain_leak = _suspect(content, "D12")
    assert plain_leak["Largest safe resistance"] == "(30.00 ± 0.60) kΩ from the line; from trials: 22 kΩ to 47 kΩ"
    assert plain_leak["Plain leak"] == "yes, (40.00 ± 0.40) µA at 0 V; χ² 1.9 with 2 degrees of freedom"
    assert _suspect(content, "D3")["Plain leak"] == "no: lack of fit: p < 0.001"
    assert _suspect(content, "D15")["Recommended"].startswith("not determined: the pin sticks only sometimes")
    assert _suspect(content, "D20")["Largest leakage"] == "not determined"
    assert _suspect(content, "D22")["Stuck with no resistor"] == "not determined"


def test_a_suspect_pin_shows_the_net_current_of_each_resistor():
    rows = next(entry for entry in _content()["suspects"] if entry["pin"] == "D3")["resistors"]
    assert [row["verdicts"] for row in rows] == ["3 stuck high"] + ["3 stuck between"] * 3 + ["3 released"] * 2
    # 1.82 V × (1/22 kΩ + 1/10 MΩ) = 82.91 µA; U of 1 % tolerance as rectangular: 0.96 µA.
    assert rows[2]["net"] == {"n": "82.91 ± 0.96", "unit": "µA"}


def test_a_trial_row_marks_bounds_and_numbers_its_note():
    content = _content()
    assert len(content["trials"]) == 432
    first = content["trials"][0]
    assert first["tau"] == {"n": "≤ 100", "unit": "µs"}
    assert first["settled"] == {"n": "0.00000 ± 0.00061", "unit": "V"}
    open_needle = next(row for row in content["trials"] if row["pin"] == "D22")
    assert open_needle["settled"] == {"text": "–"}
    assert (
        content["trial_notes"][int(open_needle["note"]) - 1]
        == "hold level 3.300 V is the open-circuit level: needle open"
    )


def test_instruments_carry_identity_and_calibration():
    calibration = {row["role"]: row["calibration"] for row in _content()["instruments"]}
    assert calibration == {
        "meter": "due 2027-03-01",
        "switch": "not stated",
        "relay board": "overdue since 2026-05-01",
    }


@pytest.mark.parametrize(
    "words",
    [
        "Local rules",
        "qualified persons",
        "absolute maximum",
        "press resistor",
        "high impedance",
        "Static discharge",
        "powered backwards",
        "mains",
    ],
)
def test_the_cautions_are_there(words):
    assert any(words in caution for caution in _content()["cautions"])


@pytest.mark.parametrize(
    "words",
    [
        "k = 2",
        "Clopper-Pearson",
        "ILAC-G8:09/2019",
        "one point of a curve",
        "10 MΩ",
        "upper bound",
        "smallest that stuck",
    ],
)
def test_the_method_says_what_the_numbers_mean(words):
    assert any(words in part["text"] for part in _content()["method"])


def test_the_risk_of_another_guard_band_is_stated():
    """ILAC-G8:09/2019: simple acceptance, w = 0, leaves 50 % at the limit; 6 sigma, w = 3 U, about 1e-9."""
    finding = fernhill(())
    for rule, factor, risk in (("w = 0", 0.0, "50 %"), ("w = 3 U", 3.0, "1e-09")):
        rules = replace(finding.record.rules, guard_rule=rule, guard_factor=factor)
        content = _content(replace(finding, record=replace(finding.record, rules=rules)))
        facts = {entry["label"]: entry["text"] for entry in content["facts"]}
        assert facts["Decision rule"] == f"guard band {rule}: risk {risk} at the limit"
        method = {part["title"]: part["text"] for part in content["method"]}
        assert f"Guard band: {rule} (" in method["Verdict and guard band"]
        assert f"probability of {risk} " in method["Verdict and guard band"]


def test_the_method_follows_the_record():
    finding = fernhill(())
    changed = replace(finding.record, meter=replace(finding.record.meter, input_ohm=None))
    text = " ".join(part["text"] for part in _content(replace(finding, record=changed))["method"])
    assert "The input resistance of the meter is not stated" in text


def test_the_report_never_says_nan_or_none():
    words = re.findall(r"\b(nan|inf|None)\b", json.dumps(report_content(fernhill(), written_utc=WRITTEN)))
    assert words == []


def test_the_time_of_writing_is_shown_in_utc_and_needs_a_zone():
    east = WRITTEN.astimezone(timezone(timedelta(hours=5)))
    assert report_content(fernhill(), written_utc=east) == report_content(fernhill(), written_utc=WRITTEN)
    with pytest.raises(ValueError, match="written_utc: needs a time zone: 2026-09-14T09:00:00"):
        report_content(fernhill(), written_utc=WRITTEN.replace(tzinfo=None))


def test_a_board_that_released_with_contact_unproven_is_not_called_clear():
    finding = fernhill((), pins=3)
    one = replace(finding.pins[0], contact_proven=False)
    some = replace(finding, pins=(one, *finding.pins[1:]))
    none = replace(finding, pins=tuple(replace(pin, contact_proven=False) for pin in finding.pins))
    for found, text, tone in (
        (finding, "All 3 pins released as required.", "clear"),
        (some, "All 3 pins released as required, but contact was not proven on 1 of them.", "open"),
        (none, "All 3 pins released as required, but contact was not proven on any.", "open"),
        (replace(none, pins=(one,)), "The one pin released as required, but contact was not proven on it.", "open"),
    ):
        headline = _content(found)["headline"]
        assert (headline["text"], headline["tone"]) == (text, tone)


def test_a_note_of_three_pins_is_said_once_below_the_table():
    finding = fernhill((), pins=4)
    notes = ("the same; its own", "the same", "other; the same", "other")
    pins = tuple(replace(pin, note=note) for pin, note in zip(finding.pins, notes, strict=True))
    content = _content(replace(finding, pins=pins))
    assert content["pin_notes"] == [{"mark": "a", "text": "the same"}]
    assert [row["marks"] for row in content["pins"]] == ["a", "a", "a", ""]
    assert [row["note"].split("; ")[0] for row in content["pins"]] == ["its own", "", "other", "other"]


def test_remarks_that_differ_in_a_number_only_are_one_with_its_range():
    finding = fernhill((("D1", "mid"),), pins=1)
    notes = ("reads high at 1.953 V; bounced 1 time", "reads high at 1.826 V", "reads high at 1.9 V", "D1 is D1")
    rows = tuple(replace(row, note=note) for row, note in zip(finding.pins[0].rows, (*notes, *[""] * 14), strict=True))
    content = _content(_with(finding, "D1", rows=rows, note="", advice=Advice(None, True, None, "")))
    assert content["suspects"][0]["remarks"] == [
        "reads high at 1.826 to 1.953 V (3 of 18 trials)",
        "bounced 1 time (1 of 18 trials)",
        "D1 is D1 (1 of 18 trials)",
    ]


def test_a_pin_that_the_record_does_not_describe_is_reported_by_its_name() -> None:
    finding = swept_run()
    unknown = replace(finding, record=replace(finding.record, pins=()))
    content = report_content(unknown, written_utc=WRITTEN)
    assert [row["pin"] for row in content["pins"]] == ["D1", "D2", "D3", "D4"]
