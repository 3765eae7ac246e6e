"""A run that ended early and went on says when, why, and how often; one that did not says nothing of it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from results.analysis.findings import RunFinding
from results.record.happening import Happening
from results.report.confidence import limits
from results.report.interruptions import interruption_section, times_text
from tests.results.report.made_findings import fernhill

ENDED = Happening("ended early", "2026-03-04T05:06:07+00:00", "meter: no answer")
RESUMED = Happening("resumed", "2026-03-04T07:08:09+00:00", "resumed (1): 3 of 9 trials were made", sequence=4)


def made(*happenings: Happening, notes: tuple[str, ...] = ()) -> RunFinding:
    finding = fernhill(())
    return replace(finding, record=replace(finding.record, notes=notes), happenings=happenings)


def said(finding: RunFinding) -> list[tuple[str, str]]:
    return [(one["title"], one["text"]) for one in limits(finding)]


def test_nothing_is_said_of_a_run_that_was_not_interrupted() -> None:
    assert interruption_section(made()) == []
    assert "Resumed" not in dict(said(made()))


def test_each_end_and_each_going_on_is_a_row_with_its_moment_and_reason() -> None:
    (section,) = interruption_section(made(ENDED, RESUMED))
    assert section.said[0].startswith("The run ended early and was resumed once. ")
    assert section.tables[0].rows == (
        ("2026-03-04 05:06 UTC", "ended early", "meter: no answer"),
        ("2026-03-04 07:08 UTC", "resumed", "resumed (1): 3 of 9 trials were made"),
    )


def test_page_one_says_that_it_was_resumed_and_no_note_says_it_again() -> None:
    notes = ("ended early: meter: no answer", f"{RESUMED.at_utc}: {RESUMED.text}", "window open")
    found = said(made(ENDED, RESUMED, notes=notes))
    assert ("Resumed", "The run ended early and was resumed once; see Interruptions.") in found
    assert [text for title, text in found if title == "Note"] == ["window open"]


def test_a_run_that_ended_early_and_did_not_go_on_says_why_in_its_notes() -> None:
    found = said(made(ENDED, notes=("ended early: meter: no answer",)))
    assert ("Note", "ended early: meter: no answer") in found


@pytest.mark.parametrize(("times", "text"), [(1, "once"), (2, "twice"), (3, "3 times")])
def test_how_often_in_words(times: int, text: str) -> None:
    assert times_text(times) == text
