"""A plan that asks what latching takes, carried out on the simulated bench: from the file to numbers and report."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from drivers.simulated.board_file import parse_board
from drivers.simulated.leak import net_pin_current
from harness.events import Event
from harness.reporting import write_derived
from harness.terminal import PlainLines
from results.analysis.findings import PinFinding, RunFinding
from results.record.run_folder import RunFolder
from tests.harness.whole_bench import LATCHES, SOUND, bench_text, board_text, found, plan_text, run_plan, simulated

PINS = {"D1": LATCHES, "D2": f'{SOUND}\nleak = {{ kind = "plain", current_a = 34.5e-6 }}', "D3": SOUND}
NAMES = tuple(PINS)
TABLES = "[unlatch]\n[press_level]\nrepeats = 2\n[trials]"
PLAN = plan_text(NAMES, resistors='["none", "10 kΩ", "8.2 kΩ"]').replace("[trials]", TABLES)
BOARD = board_text(PINS).replace(
    "[[wiring.fit]]", '[[wiring.fit]]\nnominal_ohm = 10000.0\nchannel = "relay_board 6"\n[[wiring.fit]]', 1
)

Run = tuple[RunFinding, Path, list[Event]]


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    tmp_path = tmp_path_factory.mktemp("latching")
    events: list[Event] = []
    with simulated(tmp_path, BOARD, stepped=True) as resources:
        bench = bench_text(resources, NAMES).replace('"8.2 kΩ" =', '"10 kΩ" = "relay_board 6"\n"8.2 kΩ" =')
        result = run_plan(tmp_path, PLAN, bench, events=events)
    finding = found(result)
    assert result.folder is not None
    return finding, result.folder.path, events


def pin_of(run: Run, name: str) -> PinFinding:
    return {pin.pin: pin for pin in run[0].pins}[name]


def test_the_overdrive_current_of_the_hidden_pin_lies_in_its_bracket(run: Run) -> None:
    law = net_pin_current(parse_board(BOARD).pins[0], "reset default", leak_factor=1.0, rail_v=3.305, output_ohm=50.0)
    truth_a = max(law(0.8 + 1e-4 * step) for step in range(12_300))
    overdrive = pin_of(run, "D1").overdrive
    assert overdrive is not None
    assert overdrive.at_least is not None
    assert overdrive.at_most is not None
    assert overdrive.at_least.value - 2.0 * overdrive.at_least.u <= truth_a
    assert truth_a <= overdrive.at_most.value + 2.0 * overdrive.at_most.u
    assert (overdrive.held_by, overdrive.cleared_by) == ("10 kΩ", "8.2 kΩ")


def test_such_a_pin_latches_at_about_2_1_v(run: Run) -> None:
    """Common practice, no source: on a 3.3 V rail such a pin latches at about 2.1 V."""
    overdrive = pin_of(run, "D1").overdrive
    assert overdrive is not None
    assert overdrive.latched_v is not None
    assert overdrive.latched_v.value == pytest.approx(2.1, abs=0.1)


def test_the_lowest_press_level_is_the_unstable_rest_point_of_the_hidden_pin(run: Run) -> None:
    law = net_pin_current(parse_board(BOARD).pins[0], "reset default", leak_factor=1.0, rail_v=3.305, output_ohm=50.0)
    level = pin_of(run, "D1").press_level
    assert level is not None
    assert level.never is not None
    assert level.always is not None
    assert law(level.never.value) < level.never.value * 1e-7
    assert law(level.always.value) > level.always.value * 1e-7
    assert level.always.value - level.never.value < 0.03


def test_a_sound_pin_and_one_that_rises_by_itself_are_told_apart(run: Run) -> None:
    states = [(pin.overdrive.state, pin.press_level.state) for pin in run[0].pins if pin.overdrive and pin.press_level]
    assert states[1:] == [("latches", "latches from every level"), ("does not latch", "does not latch")]


def test_the_steps_stand_in_the_sealed_folder_and_change_no_verdict(run: Run) -> None:
    folder = RunFolder.open(run[1])
    assert folder.problems() == []
    seen = {trial.label: observation for trial, observation in folder.observations()}
    assert [probe.act for probe in seen["D1 reset default unlatch #1"].probes] == ["released", "fitted", "fitted"]
    assert seen["D1 reset default press level #1"].trace.current_a is not None
    assert [pin.verdict for pin in run[0].pins] == ["stuck high", "stuck high", "released"]
    assert len(run[0].trials) == 9


def test_latching_csv_and_the_report_are_written(run: Run) -> None:
    write_derived(run[1])
    with (run[1] / "latching.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["pin"] for row in rows] == list(NAMES)
    assert float(rows[0]["overdrive_at_least_a"]) == pytest.approx(101.6e-6, rel=0.01)
    assert rows[2]["overdrive_at_least_a"] == ""
    assert (run[1] / "report.pdf").read_bytes().startswith(b"%PDF")


def test_a_plain_line_says_what_each_step_found(run: Run) -> None:
    lines: list[str] = []
    listen = PlainLines(lines.append)
    for event in run[2]:
        listen(event)
    said = [line.split("  ", 1)[1] for line in lines if "unlatch #1" in line or "press level #1" in line]
    assert said[0].startswith("D1 reset default unlatch #1  latched in 1 of 1, overdrive current at least 101.")
    assert said[1].startswith("D1 reset default press level #1  latches between 0.6") or "mV and" in said[1]
    assert said[4] == "D3 reset default unlatch #1  does not latch"
    assert said[5] == "D3 reset default press level #1  does not latch"
