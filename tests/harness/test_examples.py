"""The example files and the Fernhill demo's are good files, and each plan goes with its bench."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

import harness
from drivers.simulated.board_file import read_board_file
from harness.bench_file import BenchFile, bench_from_text, read_bench
from harness.plan import nominal_ohm, read_plan
from harness.procedure_file import load_procedure
from harness.record import make_record
from harness.sequence import hand_fits, trials_in_order
from harness.together import check_together, together_problems

HOUSE = Path(harness.__file__).parent.parent
EXAMPLES = HOUSE / "examples"
FERNHILL = HOUSE / "harness" / "fernhill"
PORTS = {
    "@meter@": "TCPIP::127.0.0.1::5001::SOCKET",
    "@source@": "TCPIP::127.0.0.1::5002::SOCKET",
    "@switch@": "TCPIP::127.0.0.1::5003::SOCKET",
    "@relay_board@": "socket://127.0.0.1:5004",
    "@board@": "socket://127.0.0.1:5005",
}


def fernhill_bench() -> BenchFile:
    text = (FERNHILL / "bench.toml").read_text(encoding="utf-8")
    for placeholder, resource in PORTS.items():
        assert text.count(placeholder) == 1
        text = text.replace(placeholder, resource)
    return bench_from_text(text)


@pytest.mark.parametrize(
    ("name", "fits", "trials"),
    [
        ("by_hand", 4, 12),
        ("source", 0, 183),
        ("seldom_and_slow", 0, 2 * (59 + 3 * 3) + 1),
        ("sweep", 0, 2 * (4 * 2 * 3 + 2)),
        ("remedies", 0, 3 * (4 * 3 + 3 + 3 * 3)),
        ("conditions", 0, 2 * 3 * 3 * 3 * 6 * 3 + 3 * 3),
        ("mirror", 0, 2 * (4 * 2 * 3 + 2)),
    ],
)
def test_example_plan_goes_with_its_bench(name: str, fits: int, trials: int) -> None:
    plan, bench = read_plan(EXAMPLES / name / "plan.toml"), read_bench(EXAMPLES / name / "bench.toml")
    assert together_problems(plan, bench) == []
    order = trials_in_order(plan, bench)
    assert len(order) == trials
    assert hand_fits(order, plan, bench) == fits


def test_recorded_example_leaves_nothing_open() -> None:
    plan = read_plan(EXAMPLES / "recorded" / "plan.toml")
    planned = trials_in_order(plan)
    record = make_record(plan, None, planned, run="r", started_utc="2026-05-01T08:00:00Z", version="0")
    assert record.notes == ()
    assert [pin.node_capacitance_f for pin in record.pins] == pytest.approx([150e-12, 22e-9, 100e-9, 1e-9])
    assert [resistor.nominal_ohm for resistor in record.resistors] == [None, 47e3, 22e3, 10e3, 8.2e3, 4.7e3]
    assert (record.levels.v_il, record.levels.v_ih) == (0.8, 2.0)


def test_own_procedure_example_is_loaded_from_its_folder() -> None:
    plan = read_plan(EXAMPLES / "own_procedure" / "plan.toml")
    loaded = load_procedure(plan.trials.procedure, [EXAMPLES / "own_procedure"], plan=plan.path)
    assert loaded.function.__name__ == "long_hold"
    assert together_problems(plan, fernhill_bench()) == []


def test_fernhill_demo_tries_24_pins_with_six_choices_three_times() -> None:
    plan, bench = read_plan(FERNHILL / "plan.toml"), fernhill_bench()
    check_together(plan, bench)
    assert [pin.name for pin in plan.pins] == [f"D{number}" for number in range(1, 25)]
    assert plan.trials.resistors == ("none", "47 kΩ", "22 kΩ", "10 kΩ", "8.2 kΩ", "4.7 kΩ")
    kinds = Counter(trial.kind for trial in trials_in_order(plan, bench))
    # Two coupons before and after: one bare, the other bare and with two of the resistors.
    assert kinds == {"trial": 24 * 6 * 3, "coupon": 2 * 4}


def test_fernhill_bench_file_is_wired_as_the_simulated_fixture() -> None:
    board, bench = read_board_file(FERNHILL / "board.toml"), fernhill_bench()
    wiring = bench.driver_wiring()
    named = {f"fit {nominal_ohm(name):.12g}": channel for name, channel in wiring.fit.items()}
    named |= {f"select {pin}": channel for pin, channel in wiring.select.items()}
    named |= {"press": wiring.press, "discharge": wiring.discharge, "rail": wiring.rail, "source": wiring.source}
    there = {contact: f"{channel.device} {channel.number}" for contact, channel in board.contacts().items()}
    # A board file writes a coupon as one word.
    assert {name.replace("coupon ", "coupon-"): str(channel) for name, channel in named.items()} == there
    assert bench.clock.speed == board.speed
    assert bench.bench.line_frequency_hz == board.meter.line_frequency_hz


def test_fernhill_files_state_no_more_than_the_simulated_bench_keeps() -> None:
    """What is stated of resistors, meter and capacitors must hold for the hidden truth, or the demo's U is wrong."""
    board, bench, plan = read_board_file(FERNHILL / "board.toml"), fernhill_bench(), read_plan(FERNHILL / "plan.toml")
    for key in ("press", "discharge", "rail", "source"):
        stated, true = getattr(bench.wiring, key), getattr(board.wiring, key)
        assert stated.resistor_ohm == true.resistor_ohm
        assert stated.tolerance >= true.tolerance
    assert all(plan.trials.tolerance >= part.tolerance for part in board.wiring.fit)
    assert bench.meter.accuracy_reading >= board.meter.gain_error
    assert bench.meter.accuracy_v >= board.meter.offset_error_v
    assert abs(board.rail.voltage_v / plan.rail.voltage_v - 1.0) <= plan.rail.tolerance
    assert bench.meter.memory == board.meter.reading_memory
    assert plan.log.interval_s >= board.meter.fastest_interval_s
    stated_f = {pin.name: pin.node_capacitance_f for pin in plan.pins}
    for pin in board.pins:
        # A bare pin's few picofarads are left out of the plan; a capacitor on the board is stated.
        assert stated_f[pin.name] == (pytest.approx(pin.node_capacitance_f) if pin.node_capacitance_f > 1e-10 else None)
