"""Neighbours floating, pressed, or released with the tested pin: what couples two pins shows where it must."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from itertools import groupby
from pathlib import Path

import pytest

from drivers.errors import WiringError
from drivers.serial_link import open_serial_link
from harness.bench_file import bench_from_text
from harness.errors import UserFileError
from harness.plan import plan_from_text
from harness.plan_meaning import neighbours_of
from harness.run import GUARD_REPORT
from harness.sequence import trials_in_order
from harness.together import check_together
from results.analysis.findings import RunFinding
from tests.harness.test_conditions_run import asked, supplied_bench, supplied_board
from tests.harness.whole_bench import SOUND, bench_text, board_text, found, near_nothing, plan_text, run_plan, simulated
from tests.harness.wrong_files import BENCH, PLAN, changed, swept_bench

STATES = '[neighbours]\nstates = ["floating", "pressed", "released together"]\n'
COUPLED = f"{SOUND}\ncouplings = {{ D2 = 100e3 }}"
"""Dirt of 100 kΩ to D2: with D2 at the rail D1 rests at 60/160 of it, 1.24 V; with D2 low, at 0 V."""


def verdicts_by_state(finding: RunFinding, pin: str) -> dict[str, str]:
    return {one.condition.neighbours: one.verdict for one in finding.pins if one.pin == pin}


def test_a_pin_that_sticks_only_while_its_neighbour_is_pressed(tmp_path: Path) -> None:
    """Kirchhoff: 3.305 V over 100 kΩ and 60 kΩ beside the meter's 10 MΩ."""
    pins = {"D1": COUPLED, "D2": SOUND}
    holds = "".join(
        f'[wiring.hold.{pin}]\nchannel = "relay_board {8 + number}"\nresistor_ohm = 1000.0\n'
        for number, pin in enumerate(pins)
    )
    board = board_text(pins, extra=holds)
    with simulated(tmp_path, board) as resources:
        bench = bench_text(resources, list(pins))
        bench += '[wiring.hold]\nD1 = "relay_board 8"\nD2 = { channel = "relay_board 9", resistor = "1 kΩ" }\n'
        finding = found(run_plan(tmp_path, plan_text(list(pins), trials=STATES), bench))
    assert verdicts_by_state(finding, "D1") == {
        "floating": "released",
        "pressed": "stuck between",
        "released together": "released",
    }
    [stuck] = [pin for pin in finding.pins if pin.pin == "D1" and pin.condition.neighbours == "pressed"]
    settled = stuck.rows[0].settled
    assert settled is not None
    assert settled.value == pytest.approx(3.305 / (1 + 100e3 * (1 / 60e3 + 1 / 10e6)), abs=5e-3)
    assert [row.trial.label for row in finding.trials[:4]] == [
        "D1 reset default none beside floating #1",
        "D2 reset default none beside floating #1",
        "D1 reset default none beside pressed #1",
        "D2 reset default none beside pressed #1",
    ]


@pytest.mark.parametrize(
    ("fault", "told"),
    [
        (
            'never_closes = ["hold D2"]',
            r"wiring\.hold\.D2: closed, pin D2 reads -?0\.000 V, must be at least 1\.65\d V: "
            "the hold relay does not close, its wire is off, or the pin is shorted",
        ),
        (
            'welded = ["hold D2"]',
            r"wiring\.hold\.D2: open, and pin D2 is fed from the rail through 1\d\d\d Ω, within 20% of "
            "its hold resistor of 1000 Ω: the hold relay is welded",
        ),
    ],
    ids=["never closes", "welded"],
)
def test_a_hold_relay_that_does_not_do_as_it_is_told_is_named(fault: str, told: str, tmp_path: Path) -> None:
    """Used to say of pins that their neighbours were pressed, which were not; and stuck high of a pin that was held."""
    pins = {"D1": SOUND, "D2": SOUND}
    holds = "".join(
        f'[wiring.hold.{pin}]\nchannel = "relay_board {8 + number}"\nresistor_ohm = 1000.0\n'
        for number, pin in enumerate(pins)
    )
    states = '[neighbours]\nstates = ["pressed", "floating"]\n'
    with simulated(tmp_path, board_text(pins, extra=holds) + f"\n[faults]\n{fault}\n") as resources:
        bench = bench_text(resources, list(pins)) + '[wiring.hold]\nD1 = "relay_board 8"\nD2 = "relay_board 9"\n'
        result = run_plan(tmp_path, plan_text(list(pins), trials=states), bench)
    assert isinstance(result.error, WiringError)
    assert re.match(told, str(result.error)), str(result.error)
    assert result.not_verified == ()


IN_PLAN = ("[advice]", '[neighbours]\nstates = ["floating", "pressed"]\n\n[advice]')
HOLDS = (
    "[wiring.select]",
    '[wiring.hold]\nD1 = "relay_board 7"\nD2 = { channel = "relay_board 8", resistor = "470 Ω" }\n\n[wiring.select]',
)


def test_each_state_is_a_condition_inside_of_the_rails_and_sweeps_are_made_with_the_neighbours_alone() -> None:
    swept = (IN_PLAN[0], IN_PLAN[1].replace("[advice]", "[sweep]\n\n[advice]"))
    trials = trials_in_order(plan_from_text(changed(PLAN, swept)), bench_from_text(swept_bench()))
    blocks = [block for block, _ in groupby((t.condition.neighbours, t.pin) for t in trials)]
    assert blocks == [("floating", "D1"), ("floating", "D2"), ("pressed", "D1"), ("pressed", "D2")]
    assert {t.condition.neighbours for t in trials if t.kind == "sweep"} == {"floating"}
    assert len({trial.label for trial in trials}) == len(trials)


def test_neighbours_are_those_next_in_the_list_unless_the_plan_says_which() -> None:
    more = "".join(f'\n[[pins]]\nname = "D{number}"\n' for number in (3, 4))
    plan = plan_from_text(changed(PLAN, ('name = "D2"', 'name = "D2"\nneighbours = ["D4"]')) + more)
    assert neighbours_of(plan) == {"D1": ("D2",), "D2": ("D4",), "D3": ("D2", "D4"), "D4": ("D3",)}


@pytest.mark.parametrize(
    ("edits", "line"),
    [
        (
            [('name = "D2"', 'name = "D2"\nneighbours = ["D2"]')],
            'plan.toml: pins[2].neighbours[1]: is not another one of [[pins]]: "D2"',
        ),
        (
            [(IN_PLAN[0], '[neighbours]\nstates = ["pressed"]\n\n[sweep]\n\n[advice]')],
            'plan.toml: neighbours.states: must hold "floating": sweeps and other steps are made with the neighbours '
            'left alone: ["pressed"]',
        ),
        (
            [IN_PLAN, ('\n[[pins]]\nname = "D2"\n', "")],
            "plan.toml: neighbours: the plan has one pin, which has no neighbours",
        ),
    ],
    ids=["itself", "sweep", "one pin"],
)
def test_neighbours_that_break_a_rule_are_refused(edits: list[tuple[str, str]], line: str) -> None:
    with pytest.raises(UserFileError) as caught:
        plan_from_text(changed(PLAN, *edits))
    assert str(caught.value) == line


def test_a_neighbour_without_a_relay_of_its_own_is_refused_and_one_that_drives_too_much() -> None:
    plan = plan_from_text(changed(PLAN, IN_PLAN))
    with pytest.raises(UserFileError) as caught:
        check_together(plan, bench_from_text(BENCH))
    assert str(caught.value).splitlines()[0] == (
        "plan.toml: neighbours.states: bench.toml has no wiring.hold.D1 to press that pin through"
    )
    check_together(plan, bench_from_text(changed(BENCH, HOLDS)))
    weak = changed(BENCH, HOLDS, ('voltage = "5.5 V"', 'voltage = "5.5 V"\npress_current = "5 mA"'))
    with pytest.raises(UserFileError) as caught:
        check_together(plan, bench_from_text(weak))
    assert str(caught.value) == (
        "plan.toml: neighbours.states: drives 7.372 mA through wiring.hold.D2 into a pin at 0 V, above "
        "limits.press_current of bench.toml, 5 mA"
    )


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no SIGKILL here")
@pytest.mark.parametrize(("at_end", "left"), [("off", "0"), ("on", "1")])
def test_a_killed_run_lets_the_neighbours_go_and_leaves_the_supply_as_planned(
    at_end: str, left: str, tmp_path: Path
) -> None:
    """The guard opens the hold relays too, and switches the supply off unless it is to stay on."""
    pins = {"D1": SOUND, "D2": SOUND}
    hold = '[wiring.hold.D2]\nchannel = "relay_board 9"\nresistor_ohm = 1000.0\n'
    plan = plan_text(list(pins), trials='[neighbours]\nstates = ["pressed"]\n')
    plan = plan.replace("repeats = 1\n", "repeats = 100\n").replace("[rail]\n", f'[rail]\nat_end = "{at_end}"\n')
    with simulated(tmp_path, supplied_board(pins).replace("[supply]", f"{hold}[supply]")) as resources:
        bench = supplied_bench(resources, list(pins)) + '[wiring.hold]\nD1 = "relay_board 8"\nD2 = "relay_board 9"\n'
        (tmp_path / "plan.toml").write_text(plan, encoding="utf-8")
        (tmp_path / "bench.toml").write_text(bench, encoding="utf-8")
        run = subprocess.Popen(
            [sys.executable, "-m", "harness.cli", "run", "plan.toml", "--bench", "bench.toml", "--plain", "--no-pdf"],
            cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
            stdout=subprocess.PIPE,
            text=True,
        )
        assert run.stdout is not None
        assert any(line.startswith("2/") for line in run.stdout)
        run.kill()
        run.communicate(timeout=60)
        report = tmp_path / "runs" / GUARD_REPORT
        deadline = time.monotonic() + 30.0
        while not (report.exists() and report.read_text()):
            assert time.monotonic() < deadline, "the guard has not said what it did"
            time.sleep(0.05)
        told = json.loads(report.read_text())
        assert near_nothing(told) == {"reason": "run ended", "not_verified": {}, "bus": "the bus reads 0.000 V"}
        board = open_serial_link(resources["relay_board"])
        assert board.ask("CLOSED?") == "NONE"
        board.close()
        assert asked(resources["supply"], "OUTP:STAT?") == left
