"""What latching takes of a pull-up input, on the simulated bench: overdrive by resistors and sweep, and press level."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

from drivers.simulated.board_file import parse_board
from drivers.simulated.leak import net_pin_current
from harness.events import Event
from harness.terminal import PlainLines
from results.analysis.findings import PinFinding, RunFinding
from results.report.latching import latching_sections
from tests.harness.mirrored_bench import LATCHES_LOW, mirrored_bench, mirrored_board, mirrored_plan
from tests.harness.whole_bench import found, run_plan, simulated

RAIL_V, V_IH, LOAD_S = 3.305, 2.5, 1.001e-7
PINS = {"D1": LATCHES_LOW}
NAMES = tuple(PINS)
TABLES = "[unlatch]\n[press_level]\nrepeats = 1\n[sweep]\nsteps = 21\nrefine = 6\n[trials]"
BOARD = mirrored_board(PINS).replace(
    "[[wiring.fit]]", '[[wiring.fit]]\nnominal_ohm = 10000.0\nchannel = "relay_board 6"\n[[wiring.fit]]', 1
)

Run = tuple[RunFinding, list[Event]]


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    tmp_path = tmp_path_factory.mktemp("latching_low")
    events: list[Event] = []
    plan = mirrored_plan(NAMES, resistors='["none", "10 kΩ", "8.2 kΩ"]').replace("[trials]", TABLES)
    with simulated(tmp_path, BOARD, stepped=True) as resources:
        bench = mirrored_bench(resources, NAMES).replace('"8.2 kΩ" =', '"10 kΩ" = "relay_board 6"\n"8.2 kΩ" =')
        return found(run_plan(tmp_path, plan, bench, events=events)), events


def only(run: Run) -> PinFinding:
    [pin] = run[0].pins
    return pin


def law() -> Callable[[float], float]:
    """Real volts -> ampere out of D1."""
    return net_pin_current(parse_board(BOARD).pins[0], "reset default", leak_factor=1.0, rail_v=RAIL_V, output_ohm=50.0)


def test_the_overdrive_current_is_what_a_source_must_supply(run: Run) -> None:
    """The most that D1 takes from its latched voltage up to V_IH, from its own law: by resistors and by sweep."""
    overdrive, current = only(run).overdrive, law()
    truth_a = max(-current(1.25 + 1e-4 * step) for step in range(12_500))
    assert overdrive is not None
    assert overdrive.at_least is not None
    assert overdrive.at_most is not None
    assert overdrive.at_least.value - 2.0 * overdrive.at_least.u <= truth_a
    assert truth_a <= overdrive.at_most.value + 2.0 * overdrive.at_most.u
    assert (overdrive.held_by, overdrive.cleared_by) == ("10 kΩ", "8.2 kΩ")
    assert overdrive.swept is not None
    assert overdrive.swept_half_width_a is not None
    assert abs(overdrive.swept.value - truth_a) <= overdrive.swept_half_width_a
    assert overdrive.agreement == "agrees"
    assert overdrive.latched_v is not None
    assert overdrive.latched_v.value == pytest.approx(RAIL_V - 2.1, abs=0.1)


def test_the_press_level_is_the_unstable_rest_point_with_the_meter_to_ground(run: Run) -> None:
    level, current = only(run).press_level, law()
    assert level is not None
    assert level.never is not None
    assert level.always is not None
    # Let go above it the node rises, below it falls: I(V) less what the meter takes changes its sign.
    assert current(level.never.value) - LOAD_S * level.never.value > 0.0
    assert current(level.always.value) - LOAD_S * level.always.value < 0.0
    assert 0.0 < level.never.value - level.always.value < 0.03
    assert level.swept is not None
    assert level.always.value - 0.01 < level.swept.value < level.never.value + 0.01
    assert level.agreement == "agrees", level.agreement_text


def test_terminal_and_report_speak_of_the_real_node(run: Run) -> None:
    lines: list[str] = []
    listen = PlainLines(lines.append)
    for event in run[1]:
        listen(event)
    [said] = [line for line in lines if "D1 reset default press level #1" in line]
    assert re.search(r"latches between 2\.7\d* V and 2\.(69|7)\d* V", said)
    [section] = latching_sections(run[0])
    assert "must supply to take the latched pin above V_IH" in section.said[0]
    assert section.tables[0].columns[-1].heading == "Highest press level that latches"
    assert any("unstable rest point by the sweep 2." in note for note in section.notes)
