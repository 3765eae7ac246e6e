"""What the bench showed of itself stands in the report and in checks.csv, whatever came out."""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from results.analysis.findings import RunFinding
from results.analysis.found.coupon_item import CouponItem
from results.record.check import CheckItem, CheckRecord, InPlace
from results.record.run_json import from_json
from results.report.bench_check import bench_check_section, has_check, item_row, limits_text, write_checks_csv
from results.report.confidence import limits
from results.report.content import report_content
from results.report.report import report_pdf
from tests.results.report.made_findings import fernhill

CHECK = CheckRecord(
    bench_name="rack 2",
    bench_sha256="0" * 64,
    checked_utc="2027-01-14T08:00:00+00:00",
    valid_until_utc="2027-01-15T08:00:00+00:00",
    version="0.1.0",
    items=(
        CheckItem("resistor press", "pass", 998.2, "Ω", 0.495, 990.0, 1010.0, "relay contact and wiring included"),
        CheckItem("meter noise", "fail", 3e-3, "V", 1e-5, None, 1e-3),
        CheckItem("time base", "pass", -4.05e-4, "", 8.5e-4, -0.01, 0.01),
        CheckItem("=link watch", "not determined", note="never *proven* from here #1"),
    ),
    resistors=(InPlace("press", 998.2, 0.495),),
    operator="A. Tester",
)
COUPONS = (
    CouponItem("before", CheckItem("coupon stuck", "pass", 2.03, "V", 4e-4, note="stuck high; must stay high")),
    CouponItem("after", CheckItem("coupon stuck", "fail", 0.0, "V", 4e-4, note="released; must stay high")),
)


def finding(state: str = "valid", **changes: object) -> RunFinding:
    made = fernhill(())
    return replace(made, record=replace(made.record, check=CHECK, check_state=state), **changes)  # type: ignore[arg-type]


def test_a_number_stands_with_u_and_its_limits() -> None:
    rows = [item_row(item, 2.0) for item in CHECK.items]
    assert rows[0] == (
        "resistor press",
        {"n": "998.20 ± 0.99", "unit": "Ω"},
        "990\u00a0Ω to 1.01\u00a0kΩ",
        "pass",
        "relay contact and wiring included",
    )
    assert rows[2][1] == "−0.0004 ± 0.0017"
    assert rows[3][1:4] == ("–", "–", "not determined")
    assert limits_text(CHECK.items[1]) == "at most 1\u00a0mV"
    assert limits_text(CheckItem("error queue meter", "pass", 0.0, "", None, 0.0, 0.0)) == "0"


def test_every_item_of_check_coupons_and_damage_watch_is_a_row_of_checks_csv(tmp_path: Path) -> None:
    changed = (CheckItem("D3 at the rail", "fail", -5e-6, "A", 2e-8, -1e-7, 1e-7, "more"),)
    write_checks_csv(finding(coupons=COUPONS, damage=changed), tmp_path / "checks.csv")
    rows = list(csv.DictReader((tmp_path / "checks.csv").read_text(encoding="utf-8").splitlines()))
    assert [row["when"] for row in rows] == ["check"] * 4 + ["before", "after", "change"]
    assert (rows[1]["value"], rows[1]["u"], rows[1]["low"], rows[1]["high"]) == ("0.003", "1e-05", "", "0.001")
    assert rows[3]["item"] == "'=link watch"


def test_what_does_not_apply_is_named_in_one_line_and_not_in_rows() -> None:
    made = finding()
    items = (*CHECK.items, CheckItem("identity meter", "not applicable", note="meter.identity names none"))
    record = replace(made.record, check=replace(CHECK, items=items))
    [section] = bench_check_section(replace(made, record=record))
    assert [row[0] for row in section.tables[0].rows] == [item.name for item in CHECK.items]
    assert section.notes[1] == "Not applicable on this bench: identity meter (checks.csv says why)."


@pytest.mark.parametrize(
    ("origin", "state", "said"),
    [
        ("bench", "valid", "checked 2027-01-14 08:00 UTC"),
        ("bench", "expired", "check of 2027-01-14 08:00 UTC expired"),
        ("bench", "failed", "check of 2027-01-14 08:00 UTC failed"),
        ("recorded", "none", "another instrument's traces"),
    ],
)
def test_the_head_of_page_one_says_whether_the_bench_was_checked(origin: str, state: str, said: str) -> None:
    made = finding(state)
    record = replace(made.record, origin=origin)  # type: ignore[arg-type]
    facts = report_content(replace(made, record=record), written_utc=datetime(2027, 1, 14, tzinfo=UTC))["facts"]
    assert {"label": "Bench", "text": said} in facts


def test_a_run_without_check_coupons_and_watch_says_nothing_of_them() -> None:
    assert not has_check(fernhill(()))
    assert bench_check_section(fernhill(())) == []


@pytest.mark.parametrize(
    ("state", "said"),
    [
        ("valid", "Its measured resistors, meter input and fixture are those used in this report."),
        ("expired", "It had expired when the run began: what it measured was not used."),
        ("failed", "It had failed when the run began: what it measured was not used."),
    ],
)
def test_the_section_says_whether_what_was_measured_is_used(state: str, said: str) -> None:
    [section] = bench_check_section(finding(state))
    assert section.said == (
        "Checked on 2027-01-14 08:00 UTC by A. Tester; the check held until 2027-01-15 08:00 UTC.",
        said,
    )
    assert section.tables[0].marked == {1}


@pytest.mark.parametrize(
    ("state", "title", "text"),
    [
        (
            "expired",
            "Bench check expired",
            "The check of 2027-01-14T08:00:00+00:00 held until 2027-01-15T08:00:00+00:00; what it measured is not "
            "used.",
        ),
        (
            "failed",
            "Bench check failed",
            "Failed on 2027-01-14T08:00:00+00:00: meter noise. What it measured is not used.",
        ),
    ],
)
def test_page_one_says_what_is_wrong_with_the_check(state: str, title: str, text: str) -> None:
    said = {each["title"]: each["text"] for each in limits(finding(state))}
    assert said[title] == text
    assert not {"Bench check expired", "Bench check failed", "Bench not checked"} & {
        each["title"] for each in limits(finding())
    }


def test_page_one_says_what_a_check_without_a_fail_could_not_determine() -> None:
    """Where a person fits resistors, next to nothing is: such a check must not pass for one that found all in order."""
    items = (CheckItem("meter zero", "not determined"), CheckItem("link watch", "not determined"))
    made = finding()
    open_check = replace(made, record=replace(made.record, check=replace(CHECK, items=items)))
    said = {each["title"]: each["text"] for each in limits(open_check)}
    assert said["Bench check"] == "Passed, but not determined: meter zero."
    all_told = replace(made, record=replace(made.record, check=replace(CHECK, items=items[1:])))
    assert "Bench check" not in {each["title"] for each in limits(all_told)}


def test_a_changed_bench_file_is_an_unchecked_bench_and_page_one_says_why() -> None:
    made = fernhill(())
    changed = replace(made, record=replace(made.record, check_state="changed", bench_checked=""))
    said = {each["title"]: each["text"] for each in limits(changed)}
    assert said["Bench not checked"].endswith("The bench file was changed since its last check.")


def test_a_void_run_says_so_before_all_else_and_in_its_headline() -> None:
    void = finding(coupons=COUPONS)
    content = report_content(void, written_utc=datetime(2027, 1, 14, tzinfo=UTC))
    assert content["headline"]["text"] == "This run is void: a check coupon was not seen as what it is."
    assert content["limits"][0]["title"] == "Run void"
    assert "coupon stuck (after): released; must stay high" in content["limits"][0]["text"]
    titles = [section["title"] for section in content["more"]]
    assert titles[-2:] == ["Bench check", "Check coupons"]


def test_the_sections_are_typeset() -> None:
    changed = tuple(CheckItem(f"D{n} at 0 V", "pass", n * 1e-9, "A", 1e-8, -1e-7, 1e-7) for n in range(1, 9))
    pdf = report_pdf(finding(coupons=COUPONS, damage=changed), written_utc=datetime(2027, 1, 14, tzinfo=UTC))
    assert pdf.startswith(b"%PDF")


def test_a_run_of_before_there_were_checks_still_reads() -> None:
    from results.record.run_json import as_json

    text = as_json(fernhill(()).record)
    old = text.replace(' "check": null,\n', "").replace(' "check_state": "none",\n', "")
    assert old != text
    assert from_json(old) == fernhill(()).record
