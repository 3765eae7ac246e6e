"""The check of the bench in the report and in checks.csv: each item with its number, its limits and its verdict."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import cast, get_args

from results.analysis.findings import RunFinding, Value
from results.quantity import UnitSymbol
from results.record.check import CheckItem, CheckRecord
from results.record.run_record import RunRecord
from results.report.csv_file import Cell, write_csv
from results.report.numbers import Cell as Number
from results.report.numbers import bare_cell, cell, moment, ratio_text
from results.report.section import Column, Section, Table

COLUMNS = ("when", "item", "verdict", "value", "unit", "u", "low", "high", "note")

_HEADINGS = (
    Column("Item"),
    Column("Value", "right"),
    Column("Limits", "right"),
    Column("Verdict"),
    Column("Note", wide=True),
)


_NOTE = "Values with U; one within its limits passes, unless U is larger than they leave room for."


def has_check(finding: RunFinding) -> bool:
    return any(True for _ in check_rows(finding))


def check_rows(finding: RunFinding) -> Iterator[tuple[str, CheckItem]]:
    """When ("check", or before or after the trials) and what: every item that says something of the bench."""
    if finding.record.check is not None:
        yield from (("check", item) for item in finding.record.check.items)
    yield from ((one.when, one.item) for one in finding.coupons)
    yield from (("change", item) for item in finding.damage)


def write_checks_csv(finding: RunFinding, path: Path) -> None:
    """One row an item. Raises RecordError where the file cannot be written."""
    write_csv(path, COLUMNS, (_row(when, item) for when, item in check_rows(finding)))


def _row(when: str, item: CheckItem) -> dict[str, Cell]:
    return {
        "when": when, "item": item.name, "verdict": item.verdict, "value": item.value, "unit": item.unit, "u": item.u,
        "low": item.low, "high": item.high, "note": item.note,
    }  # fmt: skip


def bench_check_section(finding: RunFinding) -> list[Section]:
    """What the bench showed of itself: by `stuckpin check`, and by its coupons in this run; none where by neither."""
    check, k = finding.record.check, finding.record.rules.coverage
    sections = []
    if check is not None:
        applicable = [item for item in check.items if item.verdict != "not applicable"]
        notes = (_NOTE, *_not_applicable(check.items))
        sections.append(Section("Bench check", _said(check, finding.record), (_table(applicable, k),), notes=notes))
    if finding.coupons:
        said = (
            "Known networks on relays of their own, pressed and let go before the first trial and after the last. One "
            "that is read wrong makes the run void.",
        )
        tables = [
            _table([one.item for one in finding.coupons if one.when == when], k, f"{when.capitalize()} the trials")
            for when in dict.fromkeys(one.when for one in finding.coupons)
        ]
        sections.append(Section("Check coupons", said, tuple(tables)))
    if finding.damage:
        sections.append(_damage_section(finding.damage, k))
    return sections


def _not_applicable(items: Sequence[CheckItem]) -> tuple[str, ...]:
    """What this bench gives nothing to check about, in one line."""
    names = [item.name for item in items if item.verdict == "not applicable"]
    return (f"Not applicable on this bench: {', '.join(names)} (checks.csv says why).",) if names else ()


def _damage_section(items: Sequence[CheckItem], coverage: float) -> Section:
    """The table holds what is not in order, else the largest change at each level."""
    odd = [item for item in items if item.verdict != "pass"]
    said = f"Leakage of each pin after the trials less before them: {len(items) - len(odd)} of {len(items)} in order."
    largest = sorted((item for item in items if item.value is not None), key=lambda item: -abs(item.value or 0.0))
    return Section("Damage watch", (said,), (_table(odd or largest[:5], coverage, "" if odd else "Largest changes"),))


def _said(check: CheckRecord, record: RunRecord) -> tuple[str, str]:
    return (
        f"Checked on {moment(check.checked_utc)}{_by(check)}; the check held until {moment(check.valid_until_utc)}.",
        "Its measured resistors, meter input and fixture are those used in this report."
        if record.check_state == "valid"
        else f"It had {record.check_state} when the run began: what it measured was not used.",
    )


def _table(items: Sequence[CheckItem], coverage: float, caption: str = "") -> Table:
    rows = tuple(item_row(item, coverage) for item in items)
    return Table(_HEADINGS, rows, caption, frozenset(n for n, item in enumerate(items) if item.verdict == "fail"))


def item_row(item: CheckItem, coverage: float) -> tuple[str | Number, ...]:
    """Name, value with U, limits, verdict and note."""
    return item.name, _value(item, coverage), limits_text(item), item.verdict, item.note


def _value(item: CheckItem, coverage: float) -> str | Number:
    if item.value is None:
        return "–"
    if item.unit not in get_args(UnitSymbol):
        return f"{ratio_text(item.value, item.u, coverage)} {item.unit}".rstrip()
    unit = cast(UnitSymbol, item.unit)
    return cell(Value(item.value, item.u), unit, coverage) if item.u else bare_cell(item.value, unit)


def limits_text(item: CheckItem) -> str:
    """Limits in words: "990 Ω to 1.01 kΩ", "at most 1 mV"."""
    low, high = (None if limit is None else _bare(limit, item.unit) for limit in (item.low, item.high))
    if low is not None and high is not None:
        return low if low == high else f"{low} to {high}"
    if low is not None:
        return f"at least {low}"
    return "–" if high is None else f"at most {high}"


def _bare(value: float, unit: str) -> str:
    if unit not in get_args(UnitSymbol):
        return f"{ratio_text(value)} {unit}".rstrip()
    number = bare_cell(value, cast(UnitSymbol, unit))
    return f"{number['n']}\u00a0{number['unit']}" if "n" in number else number["text"]


def _by(check: CheckRecord) -> str:
    return f" by {check.operator}" if check.operator else ""
