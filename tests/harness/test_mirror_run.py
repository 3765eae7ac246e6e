"""Pull-up inputs pressed to ground on the simulated bench: the mirror image of a board of pull-down inputs."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from drivers.errors import WiringError
from drivers.simulated.board_file import parse_board
from drivers.simulated.leak import net_pin_current
from drivers.simulated.world import World
from harness.bench_file import bench_from_text
from harness.check import carry_out_check
from harness.errors import UserFileError
from harness.plan import plan_from_text
from harness.recorded import import_folder
from harness.reporting import write_derived
from harness.signals import StopRequest
from harness.summary import summary_lines
from results.analysis.analysis import analyse_folder
from results.analysis.findings import PinFinding, RunFinding
from results.report.content import report_content
from results.report.figure_current import current_svg
from results.report.figure_sweep import sweep_svg
from tests.harness.mirrored_bench import (
    LATCHES_LOW,
    SOUND_UP,
    UP,
    mirrored_bench,
    mirrored_board,
    mirrored_plan,
)
from tests.harness.whole_bench import (
    OPEN_NEEDLE,
    SOUND,
    bench_text,
    found,
    nobody,
    plan_text,
    run_plan,
    simulated,
    verdicts,
)
from tests.results.analysis.made_mirrors import Run, mid_level, observed, rest_v

RAIL_V = 3.305
STRONG_LEAK = f'{UP}{SOUND}\nleak = {{ kind = "plain", current_a = 45e-6 }}'
PINS = {
    "D1": LATCHES_LOW,
    "D2": STRONG_LEAK,
    "D3": f"{UP}{SOUND}",
    "D4": f"{UP}{OPEN_NEEDLE}",
    "D5": f'{UP}pull_down = {{ kind = "mos", transconductance_a_per_v2 = 8e-6, overdrive_v = 2.5 }}',
}
NAMES = tuple(PINS)


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> tuple[RunFinding, Path]:
    tmp_path = tmp_path_factory.mktemp("mirrored")
    plan = mirrored_plan(NAMES, resistors='["none", "8.2 kΩ"]').replace("[trials]", "[sweep]\n[trials]")
    with simulated(tmp_path, mirrored_board(PINS), stepped=True) as resources:
        result = run_plan(tmp_path, plan, mirrored_bench(resources, NAMES))
    assert result.folder is not None
    return found(result), result.folder.path


def pin_of(finding: RunFinding, name: str) -> PinFinding:
    return {pin.pin: pin for pin in finding.pins}[name]


def test_a_mirrored_board_gives_mirrored_verdicts(run: tuple[RunFinding, Path]) -> None:
    assert verdicts(run[0]) == {
        "D1": "stuck low",
        "D2": "stuck low",
        "D3": "released",
        "D4": "no contact",
        "D5": "released",
    }
    for row in pin_of(run[0], "D1").rows:
        assert row.verdict == ("stuck low" if row.trial.resistor == "none" else "released")


def test_hold_level_and_settled_voltage_are_those_of_the_real_node(run: tuple[RunFinding, Path]) -> None:
    """60 kΩ to the rail and 1 kΩ to ground: 3.305/61 = 54.2 mV; D1 rests where its law says, by the meter of 10 MΩ."""
    row = next(row for row in pin_of(run[0], "D3").rows if row.trial.resistor == "none")
    assert row.observation is not None
    assert row.observation.hold_v == pytest.approx(RAIL_V / 61.0, abs=1.0e-3)
    assert row.observation.press_v == 0.0
    assert row.settled is not None
    assert row.settled.value == pytest.approx(RAIL_V / (1.0 + 60e3 / 10e6), abs=1e-3)
    board = parse_board(mirrored_board(PINS))
    law = net_pin_current(board.pins[0], "reset default", leak_factor=1.0, rail_v=RAIL_V, output_ohm=50.0)
    grid = np.linspace(0.0, RAIL_V, 20001)
    into_node = np.array([law(float(v)) - v / 10e6 for v in grid])
    rest_v = grid[np.flatnonzero(into_node < 0.0)[0]]
    stuck = next(row for row in pin_of(run[0], "D1").rows if row.trial.resistor == "none")
    assert stuck.settled is not None
    assert stuck.settled.value == pytest.approx(rest_v, abs=2e-3)


def test_contact_is_proven_by_what_the_unit_does(run: tuple[RunFinding, Path]) -> None:
    """A fixture alone falls to 0 V by its meter, pressed or not: only a pull-up lifts it, or drives the hold level."""
    for name in ("D1", "D2", "D3", "D5"):
        assert pin_of(run[0], name).contact_proven
    proofs = {row.observation.contact for row in pin_of(run[0], "D4").rows if row.observation is not None}
    assert proofs == {"disproven"}


def test_the_sweep_holds_the_largest_safe_resistance_to_the_rail(run: tuple[RunFinding, Path]) -> None:
    """The truth from the law itself: the least (V_rail − V)/I over V <= V_IH, I into the pin."""
    board = parse_board(mirrored_board(PINS))
    for index, name in ((0, "D1"), (1, "D2")):
        law = net_pin_current(board.pins[index], "reset default", leak_factor=1.0, rail_v=RAIL_V, output_ohm=50.0)
        grid = np.linspace(0.0, 2.5, 25001)
        true_ohm = 1.0 / max(-law(float(v)) / (RAIL_V - float(v)) for v in grid)
        pin = pin_of(run[0], name)
        assert pin.sweep is not None, pin.note
        assert pin.sweep.worse is not None, pin.sweep.note
        assert pin.sweep.safe_low_ohm is not None
        assert pin.sweep.safe_high_ohm is not None
        assert pin.sweep.safe_low_ohm <= true_ohm <= pin.sweep.safe_high_ohm
        assert pin.sweep.safe_high_ohm / pin.sweep.safe_low_ohm < 1.05
        assert pin.sweep.agreement == "agrees", pin.sweep.agreement_text
    steps = [point.step for point in pin_of(run[0], "D1").sweep.points]  # type: ignore[union-attr]
    assert steps[0].branch == "up"
    assert steps[0].level_v == pytest.approx(0.0, abs=1e-6)
    assert max(step.level_v for step in steps) <= RAIL_V + 5e-3
    assert min(step.level_v for step in steps) >= -1e-9


def test_report_and_summary_speak_of_pull_up_and_the_rail(run: tuple[RunFinding, Path]) -> None:
    finding, path = run
    write_derived(path)
    assert (path / "report.pdf").stat().st_size > 20_000
    lines = "\n".join(summary_lines(finding))
    assert "stuck low" in lines
    assert "to ground" not in lines
    rows = (path / "pins.csv").read_text(encoding="utf-8-sig").splitlines()
    assert any(",stuck low," in row for row in rows)


def test_a_welded_press_relay_is_found_before_the_first_trial(tmp_path: Path) -> None:
    board = mirrored_board({"D3": f"{UP}{SOUND}"}, extra='[faults]\nwelded = ["press"]\n')
    with simulated(tmp_path, board, stepped=True) as resources:
        result = run_plan(tmp_path, mirrored_plan(("D3",)), mirrored_bench(resources, ("D3",)))
    assert isinstance(result.error, WiringError)
    assert "press relay is welded" in str(result.error)


def test_a_press_relay_that_never_closes_is_found(tmp_path: Path) -> None:
    board = mirrored_board({"D3": f"{UP}{SOUND}"}, extra='[faults]\nnever_closes = ["press"]\n')
    with simulated(tmp_path, board, stepped=True) as resources:
        result = run_plan(tmp_path, mirrored_plan(("D3",)), mirrored_bench(resources, ("D3",)))
    assert isinstance(result.error, WiringError)
    assert "the press relay does not close" in str(result.error)


def test_a_trial_resistor_that_is_not_in_place_is_found(tmp_path: Path) -> None:
    board = mirrored_board({"D3": f"{UP}{SOUND}"}, extra='[faults]\nnever_closes = ["fit 8200"]\n')
    with simulated(tmp_path, board, stepped=True) as resources:
        plan = mirrored_plan(("D3",), resistors='["none", "8.2 kΩ"]')
        result = run_plan(tmp_path, plan, mirrored_bench(resources, ("D3",)))
    assert isinstance(result.error, WiringError)
    assert "wiring.fit.8.2 kΩ: fitted with no pin on the bus it shows nothing" in str(result.error)


@pytest.mark.parametrize(
    ("plan_to", "bench_to", "said"),
    [
        ("ground", "rail", "press.to: bench.toml presses to the other end (wiring.press_to)"),
        ("rail", "ground", "press.to: bench.toml presses to the other end (wiring.press_to)"),
    ],
)
def test_plan_and_bench_must_agree_before_anything_is_touched(
    tmp_path: Path, plan_to: str, bench_to: str, said: str
) -> None:
    resources = dict.fromkeys(("meter", "source", "switch"), "TCPIP::127.0.0.1::9::SOCKET")
    resources = {role: f"TCPIP::127.0.0.{n}::9::SOCKET" for n, role in enumerate(resources, start=1)}
    resources |= {"relay_board": "/dev/null1", "board": "/dev/null2"}
    plan = mirrored_plan(("D3",)) if plan_to == "ground" else plan_text(("D3",))
    bench = mirrored_bench(resources, ("D3",)) if bench_to == "ground" else bench_text(resources, ("D3",))
    with pytest.raises(UserFileError) as caught:
        run_plan(tmp_path, plan, bench)
    assert said in str(caught.value)


def test_a_bench_that_presses_to_ground_is_checked_too(tmp_path: Path) -> None:
    """Trial resistors lead to the rail, the press to ground: measured against the hidden truth, E_n at most 1."""
    board = mirrored_board({"D3": PINS["D3"]})
    with simulated(tmp_path, board, stepped=True) as resources:
        bench = bench_from_text(mirrored_bench(resources, ("D3",)), tmp_path / "bench.toml")
        record = carry_out_check(bench, None, stop=StopRequest(), operator=nobody(), tell=str).record
    assert [item.name for item in record.failed] == []
    wiring = World(parse_board(board)).wiring
    there = {"press": "press", "rail": "rail", "discharge": "discharge", "fit.8.2 kΩ": "fit 8200"}
    assert {each.wire for each in record.resistors} == there.keys()
    for each in record.resistors:
        assert abs(each.ohm - wiring.path_ohm(there[each.wire]) - 0.1) <= 2.0 * each.u_ohm, each
    assert record.meter_ohm == pytest.approx(10e6, rel=0.02)
    assert record.capacitance_f is not None
    assert record.capacitance_u_f is not None
    assert abs(record.capacitance_f - 120e-12) <= 2.0 * record.capacitance_u_f
    passed = {item.name for item in record.items if item.verdict == "pass"}
    assert {"rail", "relays", "meter zero", "step response", "meter while relays move", "source path"} <= passed


def test_a_pull_up_input_that_leaks_after_its_test_is_flagged(tmp_path: Path) -> None:
    """D2 has a plain leak to ground that comes and goes; with this seed it is there afterwards, most of it at 0 V."""
    leaks = f'{SOUND_UP}\nleak = {{ kind = "plain", current_a = 5e-6 }}\nleak_probability = 0.5'
    board = mirrored_board({"D1": SOUND_UP, "D2": leaks}).replace("seed = 5", "seed = 10")
    board += "\n[source]\nnoise_a = 2e-9\n"
    plan = mirrored_plan(("D1", "D2")) + "[damage_watch]\n"
    with simulated(tmp_path, board, stepped=True) as resources:
        finding = found(run_plan(tmp_path, plan, mirrored_bench(resources, ("D1", "D2"))))
    assert {item.name: item.verdict for item in finding.damage} == {
        "D1 at 0 V": "pass",
        "D1 at the rail": "pass",
        "D2 at 0 V": "fail",
        "D2 at the rail": "pass",
    }
    changed = next(item for item in finding.damage if item.verdict == "fail")
    assert changed.value == pytest.approx(5e-6, rel=0.02)


def test_a_press_voltage_to_ground_must_press_something() -> None:
    plan = mirrored_plan(("D1",), path="source").replace("[press]\n", '[press]\nvoltage = "1.4 V"\n')
    with pytest.raises(UserFileError) as caught:
        plan_from_text(plan)
    assert 'press.voltage: must not be above V_IL of 1.3 V: nothing would be pressed: "1.4 V"' in str(caught.value)


def test_traces_of_pull_up_inputs_that_another_instrument_saved(tmp_path: Path) -> None:
    """The trace folder of a mid-level leak, mirrored sample by sample: latched low with none, released with 8.2 kΩ."""
    folder = tmp_path / "traces"
    folder.mkdir()
    rows = ["file,pin,trial_resistor_ohm,pin_setup,repeat"]
    for name, ohm in (("bare", None), ("fitted", 8200.0)):
        run = Run(mid_level, to_ground=True, resistors=(ohm,), seeds=(1,))
        trace = observed(run)[1][0][1].trace
        samples = [f"{t:.9g},{v:.9g}" for t, v in zip(trace.time_s, trace.voltage_v, strict=True)]
        (folder / f"{name}.csv").write_text("\n".join(["time_s,voltage_v", *samples]) + "\n", encoding="utf-8")
        rows.append(f"{name}.csv,D1,{'' if ohm is None else ohm:},reset default,1")
    (folder / "trials.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    plan = mirrored_plan(("D1",), resistors='["none", "8.2 kΩ"]')
    imported = import_folder(folder, plan_from_text(plan), tmp_path / "runs")
    finding = analyse_folder(imported.path)
    assert [row.verdict for row in finding.trials] == ["stuck low", "released"]
    for row, ohm in zip(finding.trials, (None, 8200.0), strict=True):
        run = Run(mid_level, to_ground=True, resistors=(ohm,))
        assert row.settled is not None
        assert row.settled.value == pytest.approx(rest_v(run, 0.0 if ohm is None else 1.0 / ohm), abs=1e-3)


def test_the_report_speaks_of_what_it_shows(run: tuple[RunFinding, Path]) -> None:
    """Headline, headings, numbers and method of a run to ground; the figures have real volts on their axes."""
    finding = run[0]
    content = report_content(finding, written_utc=datetime(2026, 1, 1, tzinfo=UTC))
    assert content["headline"]["text"].startswith("2 of 5 pins stay low; fit ")
    assert " to the rail on each" in content["headline"]["text"]
    assert content["words"]["Pins that stay high"] == "Pins that stay low"
    suspect = next(one for one in content["suspects"] if one["pin"] == "D1")
    labels = {one["label"]: one["text"] for one in suspect["numbers"]}
    assert "Pull-up" in labels
    assert "Pull-down" not in labels
    settled = labels["Lowest settled voltage"]
    assert settled.startswith("(1.2")
    assert labels["Recommended"].split(",")[0].endswith("to the rail")
    swept = next(one for one in content["sweeps"] if one["pin"] == "D1")
    assert any(one["text"].startswith("agreement: up branch of the sweep") for one in swept["numbers"])
    method = {one["title"]: one["text"] for one in content["method"]}
    assert method["What was done"].startswith("Each pin was pressed to ground, let go")
    assert "from 0 V up to the rail and down again" in method["Forced-voltage sweep"]
    meanings = {one["word"]: one["text"] for one in content["meanings"]}
    assert meanings["released"] == "came to rest at V − w ≥ V_IH within the time allowed"
    assert meanings["stuck low"].startswith("came to rest at V + w ≤ V_IL")
    assert content["cautions"][0].startswith("Never press a pin below ground")
    pin = pin_of(finding, "D1")
    for svg in (current_svg(pin, finding.record), sweep_svg(pin, finding.record)):
        assert svg is not None
        ticks = re.findall(r">(\d(?:\.\d)?)</text>", svg)
        assert ticks[:4] == ["3", "2.5", "2", "1.5"] or ticks[:4] == ["0", "0.5", "1", "1.5"]


def test_a_pin_that_stays_low_only_while_its_neighbour_is_pressed(tmp_path: Path) -> None:
    """100 kΩ to a neighbour at 0 V and 60 kΩ to the rail: 3.305 · 100/160 V, beside the meter; V_IH is 2.5 V."""
    pins = {"D1": f"{UP}{SOUND}\ncouplings = {{ D2 = 100e3 }}", "D2": f"{UP}{SOUND}"}
    holds = "".join(
        f'[wiring.hold.{pin}]\nchannel = "relay_board {8 + number}"\nresistor_ohm = 1000.0\n'
        for number, pin in enumerate(pins)
    )
    states = '[neighbours]\nstates = ["floating", "pressed"]\n'
    with simulated(tmp_path, mirrored_board(pins, extra=holds), stepped=True) as resources:
        bench = mirrored_bench(resources, tuple(pins))
        bench += '[wiring.hold]\nD1 = "relay_board 8"\nD2 = { channel = "relay_board 9", resistor = "1 kΩ" }\n'
        finding = found(run_plan(tmp_path, mirrored_plan(tuple(pins), trials=states), bench))
    of_pin = {one.condition.neighbours: one for one in finding.pins if one.pin == "D1"}
    assert {state: one.verdict for state, one in of_pin.items()} == {"floating": "released", "pressed": "stuck between"}
    settled = of_pin["pressed"].rows[0].settled
    assert settled is not None
    assert settled.value == pytest.approx(3.305 / 60e3 / (1 / 60e3 + 1 / 100e3 + 1 / 10e6), abs=5e-3)
