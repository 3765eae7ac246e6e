"""A plan that names the setup with the buffer off, carried out on the simulated bench: the hidden pull-downs, found."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from drivers.simulated.board_file import parse_board
from drivers.simulated.leak import pull_down_current
from harness.reporting import write_derived
from results.analysis.findings import RunFinding
from tests.harness.whole_bench import bench_text, board_text, found, plan_text, run_plan, simulated

LEAK = 'leak = { kind = "mid level", plateau_a = 120e-6, up_v = 0.75, up_width_v = 0.06, down_v = 1.98, '
LEAK += "down_width_v = 0.055 }"
MOS = 'pull_down = { kind = "mos", transconductance_a_per_v2 = 8e-6, overdrive_v = 2.0 }'
PINS = {
    "D1": f'pull_down = {{ kind = "linear", resistance_ohm = 60e3 }}\nnode_capacitance_f = 1.004e-7\n{LEAK}',
    "D2": f"{MOS}\nnode_capacitance_f = 0.996e-7\n{LEAK}",
    "D3": f"{MOS}\nnode_capacitance_f = 2e-11",
}
NAMES = tuple(PINS)
SOURCE = "\n[source]\nnoise_a = 2e-9\ngain_error = 5e-4\noffset_error_a = 20e-9\n"
FITS = "".join(
    f'[[wiring.fit]]\nnominal_ohm = {ohm}\nchannel = "relay_board {channel}"\ntolerance = 0.005\n'
    for ohm, channel in ((22e3, 6), (47e3, 7))
)


def plan() -> str:
    text = plan_text(
        NAMES,
        resistors='["none", "47 kΩ", "22 kΩ", "8.2 kΩ"]',
        trials='pin_setups = ["buffer off"]',
    )
    text = text.replace('range = ["30 kΩ", "90 kΩ"]', 'range = ["30 kΩ", "300 kΩ"]\nsetup = "buffer off"')
    for name, node in (("D1", "100 nF"), ("D2", "100 nF"), ("D3", "20 pF")):
        known = f'name = "{name}"\nnode_capacitance = "{node}"\nnode_capacitance_tolerance = "1 %"'
        text = text.replace(f'name = "{name}"', known)
    return text.replace("[trials]", "[sweep]\n[trials]")


def bench(resources: dict[str, str]) -> str:
    text = bench_text(resources, NAMES).replace(
        'capacitance = "120 pF"', 'capacitance = "120 pF"\ncapacitance_tolerance = "20 %"'
    )
    fits = '"8.2 kΩ" = "relay_board 5"\n"22 kΩ" = "relay_board 6"\n"47 kΩ" = "relay_board 7"'
    return text.replace('"8.2 kΩ" = "relay_board 5"', fits)


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> tuple[RunFinding, Path]:
    tmp_path = tmp_path_factory.mktemp("pull_downs")
    board = board_text(PINS, FITS).replace("\n[wiring]\n", f"{SOURCE}[wiring]\n", 1)
    with simulated(tmp_path, board, stepped=True) as resources:
        result = run_plan(tmp_path, plan(), bench(resources))
    assert result.folder is not None
    return found(result), result.folder.path


@pytest.mark.parametrize(("name", "bend"), [("D1", 0.0), ("D2", 0.25)])
def test_every_way_finds_the_hidden_pull_down_within_u(name: str, bend: float, run: tuple[RunFinding, Path]) -> None:
    """A resistor of 60 kΩ and a transistor of 62.5 kΩ at 0 V that bends by 1/(2·2.0 V), each with a leak to be off."""
    law = pull_down_current(next(pin for pin in parse_board(board_text(PINS)).pins if pin.name == name).pull_down)
    pin = next(pin for pin in run[0].pins if pin.pin == name)
    ways = pin.pull_down_ways
    assert ways is not None
    assert ways.alone
    assert [way.name for way in ways.ways if way.conductance is None] == []
    for way in ways.ways:
        assert way.conductance is not None
        at_v = way.at_v or 1e-6
        assert abs(way.conductance.value - law(at_v) / at_v) < 2.5 * way.conductance.u, way.name
        assert way.conductance.u < 0.03 * way.conductance.value, way.name
    assert ways.disagreeing == ()
    assert ways.bend is not None
    assert abs(ways.bend.value - bend) < 2.5 * ways.bend.u
    assert ways.is_resistor is (bend == 0.0)


def test_a_small_node_says_that_its_decay_is_too_fast(run: tuple[RunFinding, Path]) -> None:
    pin = next(pin for pin in run[0].pins if pin.pin == "D3")
    assert pin.pull_down_ways is not None
    notes = {way.name: way.note for way in pin.pull_down_ways.ways if way.conductance is None}
    too_fast = "the decay is faster than the bench can tell"
    assert notes == {"time constant": too_fast, "several resistors": too_fast}


def test_the_ways_stand_in_their_own_file_and_in_the_report(run: tuple[RunFinding, Path]) -> None:
    write_derived(run[1])
    with (run[1] / "pull_downs.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 15
    assert {row["agrees"] for row in rows if row["pin"] == "D2"} == {"yes"}
    assert float(rows[5]["pull_down_ohm"]) == pytest.approx(62.5e3, rel=0.01)
    assert (run[1] / "report.pdf").read_bytes().startswith(b"%PDF")
