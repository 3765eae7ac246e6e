"""What limits the confidence is said on page one, and only what does."""

from dataclasses import replace
from datetime import date

import pytest

from results.record.run_record import InstrumentRecord, MeterModel
from results.report.confidence import calibration, limits, names
from tests.results.report.made_findings import fernhill


def _said(finding):
    return {entry["title"]: entry["text"].replace("\u00a0", " ") for entry in limits(finding)}


def test_a_run_without_fault_is_limited_only_by_its_number_of_presses():
    assert list(_said(fernhill(()))) == ["Number of presses"]
    assert "released in 3 of 3 presses" in _said(fernhill(()))["Number of presses"]
    assert "up to 63.2 % of presses" in _said(fernhill(()))["Number of presses"]


def test_the_made_run_names_its_missing_trials_and_sometimes_sticking_pin():
    said = _said(fernhill())
    assert said["Trials missing"] == "18 of 432 planned trials are no evidence (18 no contact): D22."
    assert "Sticks only sometimes: D15." in said["Number of presses"]
    assert said["Leakage not determined"].startswith("D20:")
    assert said["Recommended values not tried"].startswith("5.6 kΩ, 18 kΩ, 39 kΩ:")


def test_contact_that_nothing_proved_is_said():
    finding = fernhill(())
    pins = (replace(finding.pins[0], contact_proven=False), *finding.pins[1:])
    assert _said(replace(finding, pins=pins))["Contact not proven"].startswith("On D1 nothing proved")


@pytest.mark.parametrize(
    ("change", "title", "text"),
    [
        ({"bench_checked": ""}, "Bench not checked", "were not verified before this run"),
        ({"meter": MeterModel(0.0, 0.0)}, "Accuracies not stated", "accuracy of the meter is not stated"),
        ({"meter": MeterModel(1e-4, 1e-3, None)}, "Accuracies not stated", "its load is not corrected"),
        ({"origin": "recorded"}, "Recorded elsewhere", "another instrument"),
        ({"instruments": ()}, "Instruments", "No instrument is named"),
        ({"notes": ("window open",)}, "Note", "window open"),
    ],
)
def test_each_limit_is_said_where_it_holds(change, title, text):
    finding = fernhill(())
    assert title not in _said(finding)
    assert text in _said(replace(finding, record=replace(finding.record, **change)))[title]


def test_what_analysis_says_of_the_run_is_not_said_twice():
    finding = replace(fernhill(), notes=("18 of 432 planned trials were not made", "supply drooped"))
    titles = [(entry["title"], entry["text"]) for entry in limits(finding)]
    assert [text for title, text in titles if title == "Note"] == ["supply drooped"]


def test_an_undecided_pin_is_said():
    finding = fernhill(())
    rows = tuple(replace(row, verdict="undecided") for row in finding.pins[3].rows)
    straddles = replace(finding.pins[3], verdict="undecided", rows=rows)
    moving = replace(straddles, pin="D5", rows=tuple(replace(row, settled=None) for row in rows))
    floating = replace(straddles, pull_down_from="not found")
    assert _said(replace(finding, pins=(straddles,)))["Undecided"] == "On D4 V ± w straddles V_IL."
    assert _said(replace(finding, pins=(floating,)))["Undecided"] == (
        "On D4 no pull-down was found: only the meter pulled low what floats without it."
    )
    assert _said(replace(finding, pins=(straddles, moving)))["Undecided"] == (
        "On D4 V ± w straddles V_IL. On D5 no settled voltage could be determined."
    )


@pytest.mark.parametrize(
    ("due", "expected"),
    [
        ("2026-09-13", ("overdue since 2026-09-13", True)),
        ("2026-09-14", ("due 2026-09-14", False)),
        ("", ("not stated", True)),
        ("next spring", ("not readable: next spring", True)),
    ],
)
def test_calibration_is_judged_on_the_day_of_the_run(due, expected):
    assert calibration(InstrumentRecord("meter", "x", "y", due), date(2026, 9, 14)) == expected


def test_an_overdue_meter_limits_the_confidence():
    finding = fernhill(())
    meter = replace(finding.record.instruments[0], calibration_due="2026-01-01")
    changed = replace(finding, record=replace(finding.record, instruments=(meter,)))
    assert _said(changed)["Calibration"] == "meter overdue since 2026-01-01."


def test_long_rows_of_pins_are_cut_and_counted():
    assert names(["D1", "D1", "D2"]) == "D1, D2"
    assert names([f"D{n}" for n in range(12)], 3) == "D0, D1, D2 and 9 more"


def test_changed_evidence_is_said_before_anything_else():
    changed = ("run.json: changed since it was sealed: SHA-256 a != b", "traces.parquet: missing")
    first = limits(replace(fernhill(()), altered=changed))[0]
    assert first["title"] == "Evidence changed"
    assert first["text"].startswith("Not as it was when the run was sealed: run.json, traces.parquet. ")
