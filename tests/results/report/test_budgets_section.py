"""The budgets of the pin that decides stand in the report, those of all pins in budgets.csv."""

from __future__ import annotations

import csv
import math
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import pytest

from results.analysis.findings import Advice, PinFinding, RunFinding
from results.report.budgets_csv import COMBINED, has_budgets, write_budgets_csv
from results.report.budgets_section import budget_sections, deciding
from results.report.numbers import text_of
from results.report.section import Section
from results.report.trial_budgets_csv import has_trial_budgets, write_trial_budgets_csv
from tests.results.analysis.made_pins import METER, Bench, analysed, d1, d3, d4, record_of


def finding_of(*pins: PinFinding, bench: Bench | None = None) -> RunFinding:
    return RunFinding(record_of(bench or Bench()), tuple(row for pin in pins for row in pin.rows), pins)


def text(section: Section) -> str:
    cells = [c if isinstance(c, str) else text_of(c) for t in section.tables for row in t.rows for c in row]
    return " | ".join([*section.said, *(t.caption for t in section.tables), *cells]).replace("\u00a0", " ")


def test_each_quantity_has_a_table_that_ends_in_what_it_comes_to() -> None:
    pin = analysed(d4)
    [section] = budget_sections(finding_of(pin))
    assert [table.caption.split(":")[0] for table in section.tables] == [
        "Settled voltage",
        "Voltage at the pin without the meter",
        "Net pin current",
        "Leakage",
        "Pull-down",
        "Required conductance",
        "Largest safe resistance",
    ]
    for table, stated in zip(section.tables, pin.budgets, strict=True):
        assert table.marked == {len(table.rows) - 1}
        last = str(table.rows[-1][0])
        assert last.startswith("combined: u = ")
        assert last.endswith(f"k = {stated.budget.coverage:.2f}")


def test_the_largest_contribution_stands_first_and_small_ones_together() -> None:
    [section] = budget_sections(finding_of(analysed(d1)))
    table = next(table for table in section.tables if table.caption.startswith("Net pin current"))
    assert table.rows[0][:3] == ("trial resistor 10 kΩ", "B", "rectangular")
    assert table.caption.replace("\u00a0", " ") == "Net pin current: (101.7 ± 1.2) µA, 10 kΩ, press 1."
    assert sum("together" in str(row[0]) for row in table.rows) == 1
    assert len(table.rows) < len(analysed(d1).budgets[2].budget.contributions) + 1


def test_what_monte_carlo_bears_out_and_what_not_is_said() -> None:
    [section] = budget_sections(finding_of(analysed(d4)))
    safe = next(t.caption for t in section.tables if t.caption.startswith("Largest safe")).replace("\u00a0", " ")
    assert safe.endswith("validated.")
    assert "Monte Carlo: 36.7" in safe
    vague = Bench(meter=replace(METER, accuracy_v=15e-3))
    [section] = budget_sections(finding_of(analysed(d1, vague), bench=vague))
    pull_down = next(t.caption for t in section.tables if t.caption.startswith("Pull-down"))
    assert "Not validated by Monte Carlo, whose interval is the one to use: " in pull_down


def test_the_pin_that_decides_is_the_one_that_needs_the_smallest_resistor() -> None:
    sound, worse, bad = (replace(analysed(net), pin=name) for net, name in ((d3, "D1"), (d1, "D2"), (d4, "D3")))
    worse = replace(worse, advice=Advice(6.8e3, True, 0.3, ""))
    bad = replace(bad, advice=Advice(27e3, True, 0.3, ""))
    assert deciding(finding_of(sound, bad, worse)) is worse
    assert deciding(finding_of(sound)) is sound
    stuck = replace(bad, advice=Advice(None, True, None, ""))
    assert deciding(finding_of(sound, stuck)) is stuck


def test_without_a_budget_there_is_no_section() -> None:
    bare = replace(analysed(d1), budgets=())
    assert budget_sections(finding_of(bare)) == []
    assert not has_budgets(finding_of(bare))


def test_the_file_holds_every_source_of_every_pin_and_adds_up(tmp_path: Path) -> None:
    pins = [replace(analysed(net), pin=name) for net, name in ((d1, "D1"), (d4, "D4"))]
    write_budgets_csv(finding_of(*pins), tmp_path / "budgets.csv")
    with (tmp_path / "budgets.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == sum(len(one.budget.contributions) + 1 for pin in pins for one in pin.budgets)
    squares: dict[tuple[str, str], float] = defaultdict(float)
    for row in rows:
        key = (row["pin"], row["quantity"])
        if row["source"] != COMBINED:
            amount = float(row["sensitivity"]) * float(row["standard_u"])
            assert float(row["contribution"]) == pytest.approx(amount, rel=1e-6, abs=0.0)
            squares[key] += amount**2
            continue
        assert float(row["standard_u"]) == pytest.approx(math.sqrt(squares[key]), rel=1e-6, abs=0.0)
        expanded = float(row["coverage_factor"]) * float(row["standard_u"])
        assert float(row["expanded_u"]) == pytest.approx(expanded, rel=1e-6, abs=0.0)
    assert {key[0] for key in squares} == {"D1", "D4"}
    [safe] = [r for r in rows if (r["pin"], r["quantity"], r["source"]) == ("D4", "largest safe resistance", COMBINED)]
    assert safe["validated"] == "yes"
    assert float(safe["monte_carlo_low"]) < float(safe["value"]) < float(safe["monte_carlo_high"])


def test_the_report_words_name_the_pin_and_the_method() -> None:
    [section] = budget_sections(finding_of(analysed(d1)))
    said = text(section)
    assert "Budgets of D1, the pin that decides." in said
    assert "Welch-Satterthwaite" in said
    assert "budgets.csv" in said


def test_every_trial_has_its_own_in_a_file_beside(tmp_path: Path) -> None:
    """In the order of trials.csv; the parts of each come to its combined row."""
    finding = finding_of(analysed(d1), analysed(d4))
    assert has_trial_budgets(finding)
    write_trial_budgets_csv(finding, tmp_path / "trial_budgets.csv")
    with (tmp_path / "trial_budgets.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == sum(len(one.contributions) + 1 for row in finding.trials for one in row.budgets)
    squares = 0.0
    for row in rows:
        if row["source"] == COMBINED:
            assert float(row["standard_u"]) == pytest.approx(math.sqrt(squares), rel=1e-6, abs=0.0)
            squares = 0.0
        else:
            squares += float(row["contribution"]) ** 2
