"""Every fault of the bench is counted in the report, with what it said, which trial it cost and how long it took."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

from results.analysis.findings import RunFinding
from results.record.happening import Happening
from results.record.run_record import RetestRules
from results.report.confidence import limits
from results.report.more_tables import table_names
from results.report.recoveries import recovery_section, write_recoveries_csv
from results.report.tables import write_trials_csv
from tests.results.report.made_findings import fernhill

RULES = RetestRules(tries=5, failures=10, first_wait_s=1.0, longest_wait_s=60.0)
RULE = "The plan's rule: at most 5 tries a trial, 10 recoveries a run, waits from 1 s to 60 s."
LOST = Happening("recovered", "2026-03-04T05:06:07+00:00", "meter lost (no reply)", 1, "meter", 2, 3.25)
AGAIN = replace(LOST, at_utc="2026-03-04T05:07:07+00:00", tries=1, lasted_s=0.5)
GONE = Happening("not recovered", "2026-03-04T06:06:07+00:00", "switch lost", 0, "switch", 7, 127.0)
RESUMED = Happening("resumed", "2026-03-04T07:08:09+00:00", "resumed (1)", 4)


def made(*happenings: Happening) -> RunFinding:
    finding = fernhill(())
    tries = {row.trial.sequence: 1 for row in finding.trials} | {1: 1 + len(happenings)}
    return replace(finding, record=replace(finding.record, retest=RULES), happenings=happenings, tries=tries)


def test_a_run_without_a_fault_says_so_and_names_the_rule() -> None:
    (section,) = recovery_section(made())
    assert section.said == (
        "No instrument was lost, restarted or found other than it was set. Every trial was made at its first try. "
        + RULE,
    )
    assert section.tables == ()
    assert "recoveries.csv" not in table_names(made())


def test_each_fault_is_a_row_and_they_are_counted_by_instrument() -> None:
    finding = made(LOST, RESUMED, AGAIN, GONE)
    (section,) = recovery_section(finding)
    assert section.said == (
        f"3 faults of the bench (meter 2, switch 1). 1 of them ended the run. 1 trial was made again. {RULE}",
    )
    label = finding.record.planned[0].label
    assert section.tables[0].rows == (
        ("2026-03-04 05:06 UTC", "meter", label, "2", "3.25 s", "meter lost (no reply)"),
        ("2026-03-04 05:07 UTC", "meter", label, "1", "500 ms", "meter lost (no reply)"),
        ("2026-03-04 06:06 UTC", "switch", "none", "7, in vain", "127 s", "switch lost"),
    )
    said = [one["text"] for one in limits(finding) if one["title"] == "Faults of the bench"]
    assert said == ["The bench was at fault 3 times during the run; see Recoveries."]


def test_traces_recorded_elsewhere_have_no_bench_that_could_be_at_fault() -> None:
    assert recovery_section(fernhill(())) == []


def test_the_file_has_a_row_a_fault(tmp_path: Path) -> None:
    finding = made(RESUMED, LOST, GONE)
    assert "recoveries.csv" in table_names(finding)
    write_recoveries_csv(finding, tmp_path / "recoveries.csv")
    with (tmp_path / "recoveries.csv").open(encoding="utf-8", newline="") as file:
        first, second = csv.DictReader(file)
    trial = finding.record.planned[0]
    assert first == {
        "at_utc": LOST.at_utc,
        "outcome": "recovered",
        "instrument": "meter",
        "sequence": "1",
        "pin": trial.pin,
        "trial": trial.label,
        "tries": "2",
        "lasted_s": "3.25",
        "text": "meter lost (no reply)",
    }
    assert (second["outcome"], second["sequence"], second["pin"], second["tries"]) == ("not recovered", "", "", "7")


def test_the_trials_say_how_often_each_was_made(tmp_path: Path) -> None:
    write_trials_csv(made(LOST, AGAIN), tmp_path / "trials.csv")
    with (tmp_path / "trials.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0])[-1] == "tries"
    assert [row["tries"] for row in rows if row["verdict"] != "not tested"][:3] == ["3", "1", "1"]
