"""Pull-up inputs beyond presses on the simulated bench: a capacitor added, and the pull-up told in four ways."""

from __future__ import annotations

import numpy as np
import pytest

from drivers.simulated.board_file import parse_board
from drivers.simulated.leak import net_pin_current
from results.analysis.findings import PinFinding, RunFinding
from results.report.fold_section import fold_sections
from results.report.pull_down_section import pull_down_sections
from tests.harness.mirrored_bench import LATCHES_LOW, mirrored_bench, mirrored_board, mirrored_plan
from tests.harness.whole_bench import found, run_plan, simulated

RAIL_V, V_IH = 3.305, 2.5
PINS = {"D1": LATCHES_LOW}
ADDED = '[[wiring.add]]\nnominal_f = 1e-7\nchannel = "relay_board 6"\ntolerance = 0.01\n'


def plan() -> str:
    trials = (
        'capacitors = ["none", "100 nF"]\ncapacitor_tolerance = "1 %"\npin_setups = ["reset default", "buffer off"]\n'
    )
    text = mirrored_plan(("D1",), resistors='["none", "8.2 kΩ"]', trials=trials)
    known = 'name = "D1"\nnode_capacitance = "10 pF"\nnode_capacitance_tolerance = "50 %"'
    text = text.replace('name = "D1"', known).replace('interval = "0.2 ms"', 'interval = "0.1 ms"')
    text = text.replace("[pull_down]\n", '[pull_down]\nsetup = "buffer off"\n')
    return text.replace("[trials]", "[sweep]\nsteps = 17\nrefine = 4\n[trials]")


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> RunFinding:
    tmp_path = tmp_path_factory.mktemp("added_low")
    with simulated(tmp_path, mirrored_board(PINS, ADDED), stepped=True) as resources:
        bench = mirrored_bench(resources, ("D1",))
        bench = bench.replace('capacitance = "120 pF"', 'capacitance = "120 pF"\ncapacitance_tolerance = "20 %"')
        bench = bench.replace("[wiring.select]", '[wiring.add]\n"0.1 µF" = "relay_board 6"\n[wiring.select]')
        return found(run_plan(tmp_path, plan(), bench))


def under(finding: RunFinding, setup: str, capacitor: str) -> PinFinding:
    [pin] = [p for p in finding.pins if (p.condition.pin_setup, p.condition.capacitor) == (setup, capacitor)]
    return pin


def test_an_added_capacitor_shows_the_margin_of_an_external_pull_up(run: RunFinding) -> None:
    """The truth from the pin's own law: the most of I/(V_rail − V) over V <= V_IH, I into the pin."""
    law = net_pin_current(
        parse_board(mirrored_board(PINS)).pins[0], "reset default", leak_factor=1.0, rail_v=RAIL_V, output_ohm=50.0
    )
    required_s = max(-law(float(v)) / (RAIL_V - float(v)) for v in np.linspace(0.0, V_IH, 25001))
    pin = under(run, "reset default", "100 nF")
    assert (pin.verdict, pin.bracket.low, pin.bracket.high) == ("stuck low", "8.2 kΩ", "none")
    [shown] = pin.fold_margins
    assert shown.required is not None, shown.note
    assert abs(shown.required.value - required_s) < 2.0 * shown.required.u
    assert shown.required.u < 0.01 * required_s
    assert (shown.little, shown.slower_than_rc) == (True, True)
    assert shown.passage.at_v is not None
    assert 1.0 < shown.passage.at_v < V_IH
    [hidden] = under(run, "reset default", "none").fold_margins
    assert hidden.note.startswith("not observable: ")
    assert fold_sections(run)[0].said[0] == (
        "Little margin: D1 with 8.2 kΩ released, but close to the largest safe resistance."
    )


def test_the_pull_up_is_told_in_all_ways_and_they_agree(run: RunFinding) -> None:
    """60 kΩ to the rail, with the meter of 10 MΩ to ground beside it."""
    ways = under(run, "buffer off", "none").pull_down_ways
    assert ways is not None
    told = {way.name: way for way in ways.ways if way.conductance is not None}
    assert {"low-voltage sweep", "time constant", "divider with the press resistor", "sweep at the rail"} <= set(told)
    for way in told.values():
        assert way.conductance is not None
        assert abs(way.conductance.value - 1.0 / 60e3) < 2.0 * way.conductance.u, way
    assert told["low-voltage sweep"].at_v == pytest.approx(RAIL_V, abs=5e-3)
    assert told["divider with the press resistor"].at_v == pytest.approx(RAIL_V / 61.0, abs=5e-3)
    assert ways.disagreeing == ()
    assert ways.is_resistor
    [section] = pull_down_sections(run)
    assert section.title == "Pull-up, four ways"
    names = [str(row[1]) for row in section.tables[0].rows]
    assert names[0] == "sweep near the rail"
    assert names[-1] == "sweep at 0 V"
