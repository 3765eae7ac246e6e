"""The reference pages say what the code does: keys, defaults, ranges, columns, commands, and examples that parse."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from dataclasses import MISSING, Field, fields
from pathlib import Path
from typing import Annotated, Any, get_args, get_origin, get_type_hints

import pytest

import harness
from drivers.dialect import OPTIONAL, TEMPLATES
from drivers.simulated.board_file import parse_board
from harness.bench_file import bench_from_text
from harness.bench_tables import (
    AddTable,
    BenchTable,
    BenchTables,
    BoardTable,
    ChamberTable,
    CheckTable,
    ClockTable,
    CouponsTable,
    FitTable,
    FixtureTable,
    LimitsTable,
    MeterTable,
    RailWireTable,
    RelayBoardTable,
    ReleasedTable,
    SourceTable,
    SourceWireTable,
    StuckTable,
    SupplyTable,
    SwitchTable,
    WireTable,
    WiringTable,
)
from harness.errors import UserFileError
from harness.plan import plan_from_text
from harness.plan_tables import (
    AdviceTable,
    BoardOrChipTable,
    DamageWatchTable,
    DecisionTable,
    DwellTable,
    LevelsTable,
    LogTable,
    NeighboursTable,
    PinTable,
    PlanTables,
    PressLevelTable,
    PressTable,
    PullDownTable,
    RailTable,
    RecordedTable,
    ReleaseTable,
    RemediesTable,
    RetestTable,
    SweepTable,
    TemperatureTable,
    TrialsTable,
    UnitTable,
    UnlatchTable,
)
from harness.together import check_together
from harness.user_file import file_key
from harness.values import Count, Interval, Kind, Number, Quantity
from results.analysis.findings import RunFinding, Verdict
from results.logic_levels import known_standards
from results.quantity import show
from results.report.advice_csv import write_advice_csv
from results.report.bench_check import write_checks_csv
from results.report.budgets_csv import write_budgets_csv
from results.report.contacts_section import write_contacts_csv
from results.report.dwells_csv import write_dwells_csv
from results.report.fold_section import write_fold_margins_csv
from results.report.latching import write_latching_csv
from results.report.origin_section import write_checklist_csv
from results.report.pull_down_section import write_pull_downs_csv
from results.report.recoveries import write_recoveries_csv
from results.report.remedies import write_remedies_csv
from results.report.tables import write_pins_csv, write_sweeps_csv, write_trials_csv
from results.report.trial_budgets_csv import write_trial_budgets_csv
from tests.results.report.made_findings import fernhill

HOUSE = Path(harness.__file__).parent.parent
DOCS = HOUSE / "docs"
PAGES = sorted([*HOUSE.glob("*.md"), *DOCS.glob("*.md")])

PLAN_TABLES = {
    "[unit]": UnitTable,
    "[rail]": RailTable,
    "[temperature]": TemperatureTable,
    "[neighbours]": NeighboursTable,
    "[levels]": LevelsTable,
    "[pull_down]": PullDownTable,
    "[press]": PressTable,
    "[log]": LogTable,
    "[release]": ReleaseTable,
    "[trials]": TrialsTable,
    "[retest]": RetestTable,
    "[sweep]": SweepTable,
    "[unlatch]": UnlatchTable,
    "[press_level]": PressLevelTable,
    "[board_or_chip]": BoardOrChipTable,
    "[remedies]": RemediesTable,
    "[dwell]": DwellTable,
    "[advice]": AdviceTable,
    "[decision]": DecisionTable,
    "[damage_watch]": DamageWatchTable,
    "[recorded]": RecordedTable,
    "[[pins]]": PinTable,
}
BENCH_TABLES = {
    "[bench]": BenchTable,
    "[clock]": ClockTable,
    "[limits]": LimitsTable,
    "[meter]": MeterTable,
    "[source]": SourceTable,
    "[supply]": SupplyTable,
    "[chamber]": ChamberTable,
    "[switch]": SwitchTable,
    "[relay_board]": RelayBoardTable,
    "[board]": BoardTable,
    "[fixture]": FixtureTable,
    "[check]": CheckTable,
    "[coupons]": CouponsTable,
    "[coupons.released]": ReleasedTable,
    "[coupons.stuck]": StuckTable,
    "[wiring]": WiringTable,
    "press, discharge, rail, source": WireTable,
    "[wiring.fit]": FitTable,
    "[wiring.add]": AddTable,
}
DESCRIBED = [("plan_file.md", title, table) for title, table in PLAN_TABLES.items()]
DESCRIBED += [("bench_file.md", title, table) for title, table in BENCH_TABLES.items()]


def page(name: str) -> str:
    return (DOCS / name).read_text(encoding="utf-8")


def section(name: str, title: str) -> str:
    """What stands below a heading, up to the next one."""
    found = re.search(rf"^#+ {re.escape(title)}\n(.*?)(?=^#|\Z)", page(name), re.MULTILINE | re.DOTALL)
    assert found is not None, f"{name} has no heading {title}"
    return found[1]


def rows(text: str) -> dict[str, list[str]]:
    """The rows of the tables in a text by what stands in code in their first cell."""
    lines = [line for line in text.splitlines() if line.startswith("| `")]
    cells = [[cell.strip() for cell in re.split(r"(?<!\\)\|", line)[1:-1]] for line in lines]
    return {row[0].strip("`"): row[1:] for row in cells}


def blocks(text: str, info: str) -> list[str]:
    return re.findall(rf"^```{re.escape(info)}\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)


def kind_of(hint: Any) -> Kind | None:
    """The kind of value of a field, wherever in its type it stands."""
    parts = get_args(hint)
    if get_origin(hint) is Annotated:
        for part in parts[1:]:
            if isinstance(part, Kind):
                return part
    return next((kind for part in parts if (kind := kind_of(part)) is not None), None)


def described(table: type) -> Iterator[tuple[str, Field[Any], Kind | None]]:
    hints = get_type_hints(table, include_extras=True)
    for field in fields(table):
        yield file_key(field.name), field, kind_of(hints[field.name])


@pytest.mark.parametrize(("name", "title", "table"), DESCRIBED, ids=lambda value: str(value))
def test_each_table_of_a_file_is_described_key_by_key(name: str, title: str, table: type) -> None:
    """Keys, units, ranges and defaults of the page are those that the file is read with."""
    written = rows(section(name, title))
    for key, field, kind in described(table):
        assert key in written, f"{name}: {title}: no row for {key}"
        unit, bounds, default, meaning = written[key]
        assert meaning
        if isinstance(kind, Quantity | Interval):
            assert (unit, bounds) == (kind.unit, f"{show(kind.low, kind.unit)} to {show(kind.high, kind.unit)}"), key
        if isinstance(kind, Count | Number):
            low, high = (kind.low, kind.high) if isinstance(kind, Count) else (f"{kind.low:g}", f"{kind.high:g}")
            assert bounds == f"{low} to {high}", key
        assert stated_default(default, kind) == own_default(field), f"{name}: {title}: default of {key}"


def own_default(field: Field[Any]) -> Any:
    """As the pages state it: `required`, or None for whatever means "left out"."""
    if field.default is MISSING:
        return "required" if field.default_factory is MISSING else None
    return None if field.default in ("", ()) else field.default


def stated_default(cell: str, kind: Kind | None) -> Any:
    if not cell.startswith("`"):
        return {"required": "required", "–": None}[cell]
    value = tomllib.loads(f"value = {cell.strip('`')}")["value"]
    if isinstance(value, list):
        return tuple(value)
    return kind.read(value) if isinstance(kind, Quantity | Number) else value


def test_no_table_of_a_file_is_left_out() -> None:
    assert {f.name for f in fields(PlanTables)} == {title.strip("[]") for title in PLAN_TABLES}
    assert {f.name for f in fields(BenchTables)} <= {title.strip("[]") for title in BENCH_TABLES}


def test_rail_and_source_wires_differ_as_the_page_says() -> None:
    written = rows(section("bench_file.md", "press, discharge, rail, source"))
    for wire, table in (("rail", RailWireTable), ("source", SourceWireTable)):
        _, field, kind = next(entry for entry in described(table) if entry[0] == "resistor")
        assert isinstance(kind, Quantity)
        bounds, default = written[wire]
        assert bounds == f"{show(kind.low, 'Ω')} to {show(kind.high, 'Ω')}"
        assert stated_default(default, kind) == field.default


def test_a_key_of_a_page_exists() -> None:
    """No row of a table of keys describes a key that the file may not have."""
    for name, title, table in DESCRIBED:
        keys = {key for key, _, _ in described(table)}
        stray = {key for key, cells in rows(section(name, title)).items() if len(cells) == 4} - keys
        assert stray == set(), f"{name}: {title}"


def test_logic_levels_of_every_standard_are_named() -> None:
    assert set(known_standards()) == rows(section("plan_file.md", "[levels]")).keys() - {"standard", "v_il", "v_ih"}


def test_whole_files_of_the_pages_are_good_and_go_together() -> None:
    [plan_text] = blocks(page("plan_file.md"), "toml plan.toml")
    [bench_text] = blocks(page("bench_file.md"), "toml bench.toml")
    [board_text] = blocks(page("simulated_bench.md"), "toml board.toml")
    check_together(plan_from_text(plan_text), bench_from_text(bench_text))
    assert [pin.name for pin in parse_board(board_text).pins] == ["D1", "D4", "D15"]


def test_parts_of_a_bench_file_are_good_in_a_whole_one() -> None:
    [whole] = blocks(page("bench_file.md"), "toml bench.toml")
    parts = blocks(page("bench_file.md"), "toml")
    assert len(parts) == 3
    for part in parts:
        [table] = tomllib.loads(part)
        rest = re.sub(rf"^\[{table}\]\n.*?(?=^\[)", "", whole, flags=re.MULTILINE | re.DOTALL)
        assert table not in tomllib.loads(rest)
        assert bench_from_text(f"{rest}\n{part}").instruments()[table].commands


def test_a_refusal_reads_as_the_page_says() -> None:
    [text] = blocks(page("plan_file.md"), "toml plan.toml")
    for right, wrong in (
        ('tolerance = "5 %"', 'tolerance = "50 %"'),
        ('hold = "20 ms"', "hold = 20"),
        ('before = "20 ms"', 'befor = "20 ms"'),
        ("repeats = 5", "repeats = 0"),
    ):
        assert text.count(right) == 1
        text = text.replace(right, wrong)
    with pytest.raises(UserFileError) as refused:
        plan_from_text(text)
    [said] = blocks(section("plan_file.md", "What is refused, and how it reads"), "")
    assert said == f"stuckpin: {refused.value}\n"


@pytest.mark.parametrize(
    ("name", "write"),
    [
        ("trials.csv", write_trials_csv),
        ("pins.csv", write_pins_csv),
        ("sweeps.csv", write_sweeps_csv),
        ("advice.csv", write_advice_csv),
        ("checklist.csv", write_checklist_csv),
        ("dwells.csv", write_dwells_csv),
        ("pull_downs.csv", write_pull_downs_csv),
        ("latching.csv", write_latching_csv),
        ("checks.csv", write_checks_csv),
        ("budgets.csv", write_budgets_csv),
        ("trial_budgets.csv", write_trial_budgets_csv),
        ("fold_margins.csv", write_fold_margins_csv),
        ("contacts.csv", write_contacts_csv),
        ("remedies.csv", write_remedies_csv),
        ("recoveries.csv", write_recoveries_csv),
    ],
)
def test_every_column_is_described_in_its_order(name: str, write: Any, tmp_path: Path) -> None:
    finding: RunFinding = fernhill(())
    write(finding, tmp_path / name)
    header = (tmp_path / name).read_text(encoding="utf-8").splitlines()[0].split(",")
    written = rows(section("run_folder.md", name))
    assert list(written) == header
    for column, (unit, _, empty) in written.items():
        assert empty
        ending = {"v": "V", "a": "A", "s": "s", "ohm": "Ω", "c": "°C", "w": "W"}.get(column.rsplit("_", 1)[-1], "–")
        assert unit == ending, column


@pytest.mark.parametrize("role", TEMPLATES)
def test_every_command_is_listed_with_its_template(role: str) -> None:
    written = {purpose: cells[0] for purpose, cells in rows(section("bench_file.md", f"Commands of {role}")).items()}
    assert written == {purpose: f"`{template}`" for purpose, template in TEMPLATES[role].items()}


def test_commands_that_may_be_missing_are_those_of_the_page() -> None:
    [said] = re.findall(r"Only these\s+may\s+be empty: (.*?)\.\n\n", page("bench_file.md"), re.DOTALL)
    assert set(re.findall(r"`(\w+)`", said)) == OPTIONAL


def test_every_verdict_is_explained_worst_first() -> None:
    assert tuple(rows(section("method.md", "Verdicts"))) == get_args(Verdict)


def test_files_named_as_proof_exist() -> None:
    """The table of check values names tests that are there, and sections name the file that computes them."""
    text = page("method.md")
    checked = text[text.index("## Checked against") :]
    results, drivers = checked.split("under `tests/drivers/`")
    for part, room in ((results, "results"), (drivers, "drivers")):
        tests = re.findall(r"`((?:\w+/)?test_\w+\.py)`", part)
        assert len(tests) >= 6
        assert [name for name in tests if not list((HOUSE / "tests" / room).rglob(name))] == []
    named = re.findall(r"^`((?:results|procedures)/\S+\.py)`", text, re.MULTILINE)
    assert len(named) >= 8
    assert [name for name in named if not (HOUSE / name).is_file()] == []


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.name)
def test_every_relative_link_leads_somewhere(path: Path) -> None:
    text = re.sub(r"^```.*?^```$", "", path.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)
    for link in re.findall(r"\]\(([^)\s]+)\)", text):
        if re.match(r"[a-z]+:", link):
            continue
        file, _, anchor = link.partition("#")
        there = (path.parent / file).resolve() if file else path
        assert there.exists(), f"{path.name}: {link}"
        if anchor:
            headings = re.findall(r"^#+ (.+)$", there.read_text(encoding="utf-8"), re.MULTILINE)
            assert anchor in {re.sub(r"[^\w\- ]", "", h).lower().replace(" ", "-") for h in headings}, link


@pytest.mark.parametrize("path", sorted(DOCS.glob("*.md")), ids=lambda path: path.name)
def test_pages_keep_to_120_columns(path: Path) -> None:
    lines = path.read_text(encoding="utf-8").splitlines()
    assert [number for number, line in enumerate(lines, start=1) if len(line) > 120] == []
