"""A plan with a sweep, carried out on the simulated bench: from the file to the folder, the numbers and the report."""

from __future__ import annotations

import csv
import threading
from pathlib import Path

import pytest

from drivers.errors import StopRequestedError
from drivers.simulated.board_file import parse_board
from drivers.simulated.leak import net_pin_current
from harness.events import BenchMadeSafe, Event, TrialStarted
from harness.reporting import write_derived
from harness.signals import StopRequest
from harness.summary import status_of
from harness.terminal import PlainLines
from procedures.forced_sweep import FIRST_READINGS
from results.analysis.findings import PinFinding, RunFinding
from results.record.run_folder import RunFolder
from tests.harness.whole_bench import LATCHES, SOUND, bench_text, board_text, found, plan_text, run_plan, simulated

PLAIN_LEAK = f'{SOUND}\nleak = {{ kind = "plain", current_a = 34.5e-6 }}'
PINS = {"D1": LATCHES, "D2": PLAIN_LEAK, "D3": SOUND, "D4": f'{SOUND}\nneedle = "open"'}
NAMES = tuple(PINS)
SOURCE = "\n[source]\nnoise_a = 2e-9\ngain_error = 5e-4\noffset_error_a = 20e-9\n"
PLAN = plan_text(NAMES, resistors='["none", "8.2 kΩ"]').replace("[trials]", "[sweep]\n[trials]")


def with_source_errors(board: str) -> str:
    return board.replace("\n[wiring]\n", f"{SOURCE}[wiring]\n", 1)


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> tuple[RunFinding, Path, list[Event]]:
    tmp_path = tmp_path_factory.mktemp("swept")
    events: list[Event] = []
    with simulated(tmp_path, with_source_errors(board_text(PINS)), stepped=True) as resources:
        result = run_plan(tmp_path, PLAN, bench_text(resources, NAMES), events=events)
    finding = found(result)
    assert result.folder is not None
    return finding, result.folder.path, events


def pin_of(finding: RunFinding, name: str) -> PinFinding:
    return {pin.pin: pin for pin in finding.pins}[name]


@pytest.mark.parametrize(("name", "true_ohm"), [("D1", 9377.77), ("D2", 1.0 / (34.5e-6 / 0.8 - 1.0 / 60e3))])
def test_the_largest_safe_resistance_lies_in_its_interval(
    name: str, true_ohm: float, run: tuple[RunFinding, Path, list[Event]]
) -> None:
    """9377.77 Ω was computed beside the tests of load_line; 34.5 µA and 60 kΩ at 0.8 V: 37.8 kΩ."""
    pin = pin_of(run[0], name)
    assert pin.sweep is not None
    assert pin.sweep.safe_low_ohm is not None
    assert pin.sweep.safe_high_ohm is not None
    assert pin.sweep.safe_low_ohm <= true_ohm <= pin.sweep.safe_high_ohm
    assert pin.safe_ohm is not None
    assert pin.safe_ohm.value == pytest.approx(true_ohm, rel=0.01)
    assert (pin.sweep.safe_high_ohm - pin.sweep.safe_low_ohm) / 2.0 < 0.02 * true_ohm
    assert pin.safe_from == "sweep"
    assert pin.sweep.has_memory is False


def test_sweep_and_trials_agree_and_the_advice_follows_the_sweep(run: tuple[RunFinding, Path, list[Event]]) -> None:
    pin = pin_of(run[0], "D1")
    assert pin.sweep is not None
    assert pin.sweep.agreement == "agrees"
    assert pin.sweep.agreement_text.endswith("; 8.2 kΩ released every time, the bare pin stuck")
    assert (pin.advice.ohm, pin.advice.needed) == (6.8e3, True)
    assert status_of(run[0]) == 1


def test_a_sound_pin_is_cleared_by_both(run: tuple[RunFinding, Path, list[Event]]) -> None:
    pin = pin_of(run[0], "D3")
    assert pin.sweep is not None
    assert (pin.verdict, pin.sweep.needed, pin.advice.needed) == ("released", False, False)


def test_an_open_needle_is_no_contact_and_no_curve(run: tuple[RunFinding, Path, list[Event]]) -> None:
    pin = pin_of(run[0], "D4")
    assert pin.sweep is not None
    assert pin.sweep.worse is None
    assert "sweep: contact to the unit was disproven" in pin.note
    assert "1 of 4 planned sweeps do not tell the largest safe resistance" in run[0].notes


def test_every_reading_stands_in_the_sealed_folder(run: tuple[RunFinding, Path, list[Event]]) -> None:
    folder = RunFolder.open(run[1])
    assert folder.problems() == []
    seen = {trial.label: observation for trial, observation in folder.observations()}
    swept = seen["D1 reset default sweep #1"]
    assert swept.trace.current_a is not None
    assert sum(step.count for step in swept.steps) + FIRST_READINGS == len(swept.trace)
    assert {step.reads for step in swept.steps} == {"high", "low"}
    assert swept.contact == "board reading"


def test_the_measured_curve_is_that_of_the_hidden_pin(run: tuple[RunFinding, Path, list[Event]]) -> None:
    part = parse_board(board_text(PINS)).pins[0]
    law = net_pin_current(part, "reset default", leak_factor=1.0, rail_v=3.305, output_ohm=50.0)
    sweep = pin_of(run[0], "D1").sweep
    assert sweep is not None
    for point in sweep.points:
        assert point.voltage is not None
        assert point.net_current is not None
        # On the flanks 0.5 mV of the meter are worth a microampere.
        assert point.net_current.value == pytest.approx(law(point.voltage.value), abs=1e-6)


def test_sweeps_csv_and_the_report_are_written(run: tuple[RunFinding, Path, list[Event]]) -> None:
    write_derived(run[1])
    with (run[1] / "sweeps.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["pin"] for row in rows} == {"D1", "D2", "D3"}
    assert (run[1] / "report.pdf").read_bytes().startswith(b"%PDF")


def test_budgets_of_a_whole_run_hold_the_hidden_truth(run: tuple[RunFinding, Path, list[Event]]) -> None:
    """Largest safe resistance as above, and a pull-down of 60 kΩ: within U, and within the interval by Monte Carlo."""
    write_derived(run[1])
    with (run[1] / "budgets.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["source"] == "combined"]
    stated = {(row["pin"], row["quantity"]): row for row in rows}
    for pin, quantity, truth in (
        ("D1", "largest safe resistance", 9377.77),
        ("D2", "largest safe resistance", 1.0 / (34.5e-6 / 0.8 - 1.0 / 60e3)),
        ("D1", "pull-down", 60e3),
    ):
        row = stated[pin, quantity]
        assert abs(float(row["value"]) - truth) <= float(row["expanded_u"])
        assert float(row["monte_carlo_low"]) <= truth <= float(row["monte_carlo_high"])
    # D4 has an open needle: no number, no budget.
    assert {pin for pin, _ in stated} == {"D1", "D2", "D3"}
    assert ("D1", "net pin current") in stated


def test_a_plain_line_says_what_each_sweep_found(run: tuple[RunFinding, Path, list[Event]]) -> None:
    lines: list[str] = []
    listen = PlainLines(lines.append)
    for event in run[2]:
        listen(event)
    swept = [line for line in lines if " sweep #1 " in line]
    assert len(swept) == 4
    assert swept[0].startswith("3/12  D1 reset default sweep #1  ")
    assert "steps  largest safe resistance: 9.3" in swept[0]
    assert swept[2].endswith("largest safe resistance: no resistor needed")
    assert "largest safe resistance: not determined  (sweep: contact" in swept[3]
    assert any(isinstance(event, BenchMadeSafe) and event.not_verified == () for event in run[2])


class StopWhileSweeping(list[Event]):
    """Asks for a stop half a second after a sweep has begun."""

    def __init__(self, stop: StopRequest) -> None:
        super().__init__()
        self._timer = threading.Timer(0.5, stop.ask, ["SIGINT"])

    def append(self, event: Event) -> None:
        super().append(event)
        if isinstance(event, TrialStarted) and event.trial.kind == "sweep":
            self._timer.start()


def test_a_sweep_that_is_stopped_leaves_nothing_energised(tmp_path: Path) -> None:
    stop = StopRequest()
    plan = plan_text(("D1",)).replace("[trials]", "[sweep]\nsteps = 1000\n[trials]")
    with simulated(tmp_path, board_text({"D1": LATCHES}), stepped=True) as resources:
        events = StopWhileSweeping(stop)
        result = run_plan(tmp_path, plan, bench_text(resources, ("D1",)), stop=stop, events=events)
    assert isinstance(result.error, StopRequestedError)
    assert result.not_verified == ()
    assert result.folder is not None
    assert [trial.kind for trial, _ in result.folder.observations()] == ["trial"]
    assert any(isinstance(event, BenchMadeSafe) for event in events)
