"""Facts of the trade on the simulated bench, from the plan to the report: what clears a pin that latches.

Common practice, no source: on a 3.3 V rail such a pin latches at about 2.1 V; an external 8.2 kΩ clears it; a firmware
poll every 50 ms that opens the buffer only while it reads clears it too; so does a source that drives low, or a
changeover contact.
"""

from __future__ import annotations

import csv
import math
import threading
from pathlib import Path

import pytest

from drivers.errors import StopRequestedError
from harness.events import BenchMadeSafe, Event, TrialStarted
from harness.reporting import write_derived
from harness.signals import StopRequest
from harness.summary import summary_lines
from harness.terminal import PlainLines
from results.analysis.findings import PinFinding, RunFinding
from results.analysis.found.remedy import RemedyFinding
from tests.harness.whole_bench import LATCHES, SOUND, bench_text, board_text, found, plan_text, run_plan, simulated

PINS = {
    "D1": LATCHES,
    "D2": f"{LATCHES}\nnode_capacitance_f = 22e-9",
    "D3": SOUND,
    # A leak that is there from 0 V on fills a small node within the 20 µs of a poll.
    "D4": f'{SOUND}\nleak = {{ kind = "plain", current_a = 34.5e-6 }}',
}
NAMES = tuple(PINS)
TABLES = """[unlatch]
[remedies]
tried = ["external pull-down", "driven low", "changeover contact", "polled buffer"]
repeats = 1
driver_current = "4 mA"
poll_period = "50 ms"
open_time = "20 µs"
polls = 4
[trials]"""
PLAN = plan_text(NAMES, resistors='["none", "8.2 kΩ"]').replace("[trials]", TABLES)

LIFTED_V = 120e-6 * 20e-6 / 22.12e-9
"""By so much one open window of the polled buffer lifts the node at most: plateau of the leak, open time, 22.12 nF."""

Run = tuple[RunFinding, Path, list[Event]]


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    tmp_path = tmp_path_factory.mktemp("remedies")
    events: list[Event] = []
    with simulated(tmp_path, board_text(PINS), stepped=True) as resources:
        result = run_plan(tmp_path, PLAN, bench_text(resources, NAMES), events=events)
    finding = found(result)
    assert result.folder is not None
    return finding, result.folder.path, events


def pin_of(run: Run, name: str) -> PinFinding:
    return {pin.pin: pin for pin in run[0].pins}[name]


def remedy(run: Run, pin: str, name: str) -> RemedyFinding:
    return {one.remedy: one for one in pin_of(run, pin).remedies}[name]  # type: ignore[index]


@pytest.mark.parametrize("pin", ["D1", "D2"])
def test_such_a_pin_latches_at_about_2_1_v_and_every_remedy_clears_it(pin: str, run: Run) -> None:
    levels = [row.settled.value for row in pin_of(run, pin).rows if row.trial.resistor == "none" and row.settled]
    assert levels == pytest.approx([2.1], abs=0.1)
    assert {one.remedy: one.verdict for one in pin_of(run, pin).remedies} == {
        "external pull-down": "clears",
        "driven low": "clears",
        "changeover contact": "clears",
        "polled buffer": "clears",
    }
    assert remedy(run, pin, "external pull-down").resistor == "8.2 kΩ"


def test_a_polled_board_reads_right_over_all_polls(run: Run) -> None:
    polled = remedy(run, "D1", "polled buffer")
    assert (polled.polls, polled.polls_right) == (8, 8)
    assert polled.followed_s is not None
    assert polled.followed_s > 0.0


def assert_safe_gap(polled: RemedyFinding, tau_s: float, down_to: float, rel: float) -> None:
    """τ · ln(1/`down_to`). About once in 25 falls the board happens to poll within it: then the fall is no exponential,
    is said to be none, and is longer by what the lift takes to go, τ · ln(1 + lift/V) at V_IL at the most."""
    assert polled.safe_gap is not None
    truth_s = tau_s * math.log(1.0 / down_to)
    polled_within = "does not fall by one exponential" in polled.note
    longer_s = tau_s * math.log1p(LIFTED_V / (down_to * 3.305)) if polled_within else 0.0
    assert (1.0 - rel) * truth_s < polled.safe_gap.value < (1.0 + rel) * truth_s + longer_s


def test_the_safe_gap_is_that_of_the_hidden_node(run: Run) -> None:
    """22 nF and the fixture's 120 pF at 60 kΩ and 10 MΩ, from 3.305 V to 0.8 V: τ · ln(V_0/V)."""
    tau_s = (22e-9 + 120e-12) / (1.0 / 60e3 + 1.0 / 10e6 + 1.0 / 10e9)
    assert_safe_gap(remedy(run, "D2", "polled buffer"), tau_s, 0.8 / 3.305, rel=0.03)
    assert remedy(run, "D1", "polled buffer").safe_gap_is_bound


def test_a_source_at_0_v_sinks_next_to_nothing_once_the_pin_has_let_go(run: Run) -> None:
    driven = remedy(run, "D1", "driven low")
    assert driven.settled is not None
    assert abs(driven.settled.value) < 1e-6
    assert driven.needed is not None
    assert driven.needed.value > 101e-6
    assert driven.margin is not None
    assert driven.margin > 10.0


def test_what_polling_does_not_clear_is_found_out(run: Run) -> None:
    polled = remedy(run, "D4", "polled buffer")
    assert (polled.verdict, polled.margin) == ("does not clear", None)
    assert "the board read polls wrong" in polled.note
    assert remedy(run, "D4", "changeover contact").note == "the pin goes up again once the contact opens"


def test_a_sound_pin_has_nothing_to_be_cleared(run: Run) -> None:
    assert {one.verdict for one in pin_of(run, "D3").remedies} == {"nothing to clear"}
    assert pin_of(run, "D3").verdict == "released"


def test_summary_csv_report_and_plain_lines_say_so(run: Run) -> None:
    lines = list(summary_lines(run[0]))
    assert "external pull-down clears 3 of 3 pins that latch" in lines
    assert "polled buffer clears 2 of 3 pins that latch, not D4" in lines
    write_derived(run[1])
    with (run[1] / "remedies.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 4 * 4
    assert (run[1] / "report.pdf").read_bytes().startswith(b"%PDF")
    said: list[str] = []
    listen = PlainLines(said.append)
    for event in run[2]:
        listen(event)
    assert any("D1 reset default driven low #1  the pin is released, node at " in line for line in said)
    assert any("D1 reset default polled buffer #1  the pin is released" in line for line in said)


class StopWhileTried(list[Event]):
    """Asks for a stop a moment after the first remedy has begun."""

    def __init__(self, stop: StopRequest, after_s: float) -> None:
        super().__init__()
        self._timer = threading.Timer(after_s, stop.ask, ["SIGINT"])

    def append(self, event: Event) -> None:
        super().append(event)
        if isinstance(event, TrialStarted) and event.trial.kind == "remedy" and not self._timer.is_alive():
            self._timer.start()


@pytest.mark.parametrize(("tried", "after_s"), [("driven low", 0.045), ("changeover contact", 0.02)])
def test_a_remedy_that_is_stopped_leaves_nothing_energised(tried: str, after_s: float, tmp_path: Path) -> None:
    stop = StopRequest()
    tables = f'[remedies]\nrepeats = 20\ntried = ["{tried}"]\n[trials]'
    plan = plan_text(("D1",)).replace("[trials]", tables)
    with simulated(tmp_path, board_text({"D1": LATCHES}), stepped=True) as resources:
        events = StopWhileTried(stop, after_s)
        result = run_plan(tmp_path, plan, bench_text(resources, ("D1",)), stop=stop, events=events)
    assert isinstance(result.error, StopRequestedError)
    assert result.not_verified == ()
    assert any(isinstance(event, BenchMadeSafe) for event in events)
