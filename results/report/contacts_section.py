"""The section on relay contacts, and contacts.csv: how often each has closed, in this run and in all, and its life."""

from __future__ import annotations

from pathlib import Path

from results.analysis.findings import RunFinding
from results.record.contact_count import NEAR_SHARE, ContactCount
from results.report.csv_file import write_csv
from results.report.numbers import NOT_DETERMINED
from results.report.section import Column, Section, Table

COLUMNS = ("contact", "wire", "closings", "closings_total", "contact_life", "life_share")

_TABLE = (
    Column("Contact"),
    Column("Wire", wide=True),
    Column("In this run", "right"),
    Column("In all", "right"),
    Column("Life", "right"),
    Column("Used", "right"),
)

_NOTE = (
    "One closing, and the opening after it, is one cycle, counted as commands on the wire: a contact that did not "
    "follow is counted too. In all: in every run and check of this bench file, as its file of contacts knows them. A "
    "run that was killed lacks at most what its last trial closed."
)


def has_contacts(finding: RunFinding) -> bool:
    return bool(finding.record.contacts)


def contacts_section(finding: RunFinding) -> list[Section]:
    """One section where the bench has relays; a contact that has not closed at all has no row."""
    moved = [one for one in finding.record.contacts if one.closings or one.closings_total]
    if not moved:
        return []
    most = max(moved, key=lambda one: one.closings)
    said = [f"Most often in this run closed {most.contact} ({most.wire}): {_times(most.closings)}."]
    near = [one for one in moved if one.is_near_its_end]
    if near:
        named = ", ".join(f"{one.contact} ({one.wire})" for one in near)
        said.append(f"At {NEAR_SHARE:.0%} of the life that the bench file gives them, or beyond: {named}.")
    return [Section("Relay contacts", tuple(said), (Table(_TABLE, tuple(_row(one) for one in moved)),), notes=(_NOTE,))]


def write_contacts_csv(finding: RunFinding, path: Path) -> None:
    """One row a contact of the bench. Raises RecordError where the file cannot be written."""
    rows = (
        (one.contact, one.wire, one.closings, one.closings_total, one.life, one.life_share)
        for one in finding.record.contacts
    )
    write_csv(path, COLUMNS, (dict(zip(COLUMNS, row, strict=True)) for row in rows))


def _row(one: ContactCount) -> tuple[str, ...]:
    total = NOT_DETERMINED if one.closings_total is None else str(one.closings_total)
    share = "" if one.life_share is None else f"{one.life_share:.1%}"
    return one.contact, one.wire, str(one.closings), total, "" if one.life is None else str(one.life), share


def _times(closings: int) -> str:
    return {1: "once", 2: "twice"}.get(closings, f"{closings} times")
