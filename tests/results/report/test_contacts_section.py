"""The report says how often each contact closed, and which are near the end of their life."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from results.analysis.findings import RunFinding
from results.record.contact_count import ContactCount
from results.report.contacts_section import contacts_section, has_contacts, write_contacts_csv
from tests.results.report.made_findings import fernhill

COUNTS = (
    ContactCount("relay_board 1", "press", 60, 900, 1000),
    ContactCount("switch 101", "select.D1", 1, 79, 100),
    ContactCount("switch 102", "select.D2", 0, 0, None),
    ContactCount("switch 103", "select.D3", 2),
)


def _finding(counts: tuple[ContactCount, ...] = COUNTS) -> RunFinding:
    finding = fernhill(())
    return replace(finding, record=replace(finding.record, contacts=counts))


def test_contacts_that_moved_have_a_row_and_those_near_their_end_are_named() -> None:
    [section] = contacts_section(_finding())
    assert section.said == (
        "Most often in this run closed relay_board 1 (press): 60 times.",
        "At 80% of the life that the bench file gives them, or beyond: relay_board 1 (press).",
    )
    assert list(section.tables[0].rows) == [
        ("relay_board 1", "press", "60", "900", "1000", "90.0%"),
        ("switch 101", "select.D1", "1", "79", "100", "79.0%"),
        ("switch 103", "select.D3", "2", "not determined", "", ""),
    ]


def test_a_bench_without_relays_has_no_section() -> None:
    assert contacts_section(_finding(())) == []
    assert not has_contacts(_finding(()))


def test_every_contact_has_a_row_in_the_csv_file(tmp_path: Path) -> None:
    write_contacts_csv(_finding(), tmp_path / "contacts.csv")
    assert (tmp_path / "contacts.csv").read_text().splitlines() == [
        "contact,wire,closings,closings_total,contact_life,life_share",
        "relay_board 1,press,60,900,1000,0.9",
        "switch 101,select.D1,1,79,100,0.79",
        "switch 102,select.D2,0,0,,",
        "switch 103,select.D3,2,,,",
    ]
