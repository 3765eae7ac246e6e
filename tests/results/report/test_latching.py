"""What it takes to unlatch a pin and to latch it, as a section and as a CSV file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from results.analysis.findings import PinFinding, RunFinding
from results.analysis.found.latch import LevelTried, OverdriveFinding, PressLevelFinding
from results.analysis.value import Value
from results.report.latching import COLUMNS, latching_sections, write_latching_csv
from results.report.more_sections import more_sections
from tests.results.report.made_findings import fernhill

OVERDRIVE = OverdriveFinding(
    "latches",
    presses=2,
    latched=2,
    latched_v=Value(2.0309, 0.0003),
    at_least=Value(101.65e-6, 0.6e-6),
    at_most=Value(182.5e-6, 1.1e-6),
    held_by="10 kΩ",
    cleared_by="8.2 kΩ",
    swept=Value(101.9e-6, 0.15e-6),
    swept_half_width_a=0.3e-6,
    swept_at_v=1.01,
    agreement="agrees",
    agreement_text="agreement: with numbers",
)
LEVEL = PressLevelFinding(
    "latches",
    (LevelTried(Value(0.6057, 0.0003), 2, 0), LevelTried(Value(0.6117, 0.0003), 2, 2)),
    never=Value(0.6057, 0.0003),
    always=Value(0.6117, 0.0003),
)


def made() -> tuple[RunFinding, PinFinding]:
    finding = fernhill(("D1", "D2"))
    first, second, *rest = finding.pins
    swept_only = replace(second, overdrive=OverdriveFinding("latches", swept=OVERDRIVE.swept))
    pins = (replace(first, overdrive=OVERDRIVE, press_level=LEVEL), swept_only, *rest)
    return replace(finding, pins=pins), first


def test_a_pin_has_its_bracket_with_u_its_swept_value_and_its_interval() -> None:
    finding, pin = made()
    [section] = latching_sections(finding)
    [table] = section.tables
    # A pin that was swept only stands with the sweeps.
    assert len(table.rows) == 1
    name, _, latched, low, high, swept, level = table.rows[0]
    assert name == pin.pin
    assert latched == {"n": "2.03090 ± 0.00060", "unit": "V"}
    assert low == {"n": "101.7 ± 1.2", "unit": "µA"}
    assert high == {"n": "182.5 ± 2.2", "unit": "µA"}
    assert swept == "101.9 µA ± 300 nA"
    assert level == "latches between 605.7 mV and 611.7 mV"
    assert section.notes == (f"{pin.pin} {pin.condition.pin_setup}: agreement: with numbers",)


def test_there_is_no_section_where_nothing_was_asked() -> None:
    assert latching_sections(fernhill(("D1",))) == []
    assert more_sections(fernhill(("D1",))) == []


def test_a_row_of_the_csv_holds_numbers_and_empty_cells_for_what_is_open(tmp_path: Path) -> None:
    finding, pin = made()
    write_latching_csv(finding, tmp_path / "latching.csv")
    header, row = (tmp_path / "latching.csv").read_text(encoding="utf-8").splitlines()
    assert header.split(",") == list(COLUMNS)
    cells = dict(zip(COLUMNS, row.split(","), strict=True))
    assert (cells["pin"], cells["held_by"], cells["cleared_by"]) == (pin.pin, "10 kΩ", "8.2 kΩ")
    assert cells["overdrive_at_least_a"] == "0.00010165"
    assert (cells["press_level_never_v"], cells["press_level_always_v"]) == ("0.6057", "0.6117")
    assert (cells["press_levels"], cells["press_levels_sometimes"], cells["unstable_rest_v"]) == ("2", "0", "")
