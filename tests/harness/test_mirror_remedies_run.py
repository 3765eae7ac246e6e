"""What clears a pull-up input that stays low, on the simulated bench: every remedy in its mirror image."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from harness.reporting import write_derived
from harness.summary import summary_lines
from results.analysis.findings import RunFinding
from results.analysis.found.remedy import RemedyFinding
from results.report.remedies import remedy_sections
from tests.harness.mirrored_bench import LATCHES_LOW, SOUND_UP, mirrored_bench, mirrored_board, mirrored_plan
from tests.harness.test_remedies_run import assert_safe_gap
from tests.harness.whole_bench import found, run_plan, simulated

RAIL_V, V_IH = 3.305, 2.5
PINS = {
    "D1": f"{LATCHES_LOW}\nnode_capacitance_f = 22e-9",
    # A leak that is there right below the rail pulls a small node down within the 20 µs of a poll.
    "D2": f'{SOUND_UP}\nleak = {{ kind = "plain", current_a = 34.5e-6 }}',
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

Run = tuple[RunFinding, Path]


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    tmp_path = tmp_path_factory.mktemp("remedies_low")
    plan = mirrored_plan(NAMES, resistors='["none", "8.2 kΩ"]').replace("[trials]", TABLES)
    # On a busy computer two relays take some of the time allowed.
    plan = plan.replace('time = "100 ms"', 'time = "300 ms"').replace("[log]", '[release]\nallowed = "250 ms"\n[log]')
    with simulated(tmp_path, mirrored_board(PINS), stepped=True) as resources:
        result = run_plan(tmp_path, plan, mirrored_bench(resources, NAMES))
    finding = found(result)
    assert result.folder is not None
    return finding, result.folder.path


def remedy(run: Run, pin: str, name: str) -> RemedyFinding:
    [found_pin] = [one for one in run[0].pins if one.pin == pin]
    return {one.remedy: one for one in found_pin.remedies}[name]  # type: ignore[index]


def test_every_remedy_clears_a_pin_that_latches_low(run: Run) -> None:
    assert {name: remedy(run, "D1", name).verdict for name in (one.remedy for one in run[0].pins[0].remedies)} == {
        "external pull-down": "clears",
        "driven low": "clears",
        "changeover contact": "clears",
        "polled buffer": "clears",
    }
    for one in run[0].pins[0].remedies:
        assert one.rest is not None
        assert one.rest.value - 2.0 * one.rest.u >= V_IH
    assert remedy(run, "D1", "external pull-down").resistor == "8.2 kΩ"
    assert remedy(run, "D1", "external pull-down").extra_current_a == pytest.approx(RAIL_V / 8.2e3, rel=1e-3)


def test_a_source_at_the_rail_supplies_next_to_nothing_once_the_pin_has_let_go(run: Run) -> None:
    """The meter of 10 MΩ to ground and the fixture take 3.305 V · 100.1 nS = 0.33 µA there, and no more."""
    driven = remedy(run, "D1", "driven low")
    assert driven.settled is not None
    assert driven.settled.value == pytest.approx(RAIL_V * 1.001e-7, abs=3.0 * driven.settled.u + 0.05e-6)
    assert driven.rest is not None
    assert driven.rest.value == pytest.approx(RAIL_V, abs=2e-3)
    assert driven.needed is not None
    assert driven.margin is not None
    assert driven.margin > 10.0


def test_the_safe_gap_is_that_of_the_hidden_node(run: Run) -> None:
    """22 nF and 120 pF at 60 kΩ to the rail alone, the meter left out: from 0 V to V_IH."""
    polled = remedy(run, "D1", "polled buffer")
    assert_safe_gap(polled, 22.12e-9 * 60e3, (RAIL_V - V_IH) / RAIL_V, rel=0.006)
    assert (polled.polls, polled.polls_right) == (8, 8)


def test_what_does_not_clear_is_found_out(run: Run) -> None:
    polled = remedy(run, "D2", "polled buffer")
    assert (polled.verdict, polled.margin) == ("does not clear", None)
    assert "the board read polls wrong" in polled.note
    assert remedy(run, "D2", "changeover contact").note == "the pin goes down again once the contact opens"


def test_summary_csv_and_report_say_so(run: Run) -> None:
    lines = list(summary_lines(run[0]))
    assert "external pull-up clears 2 of 2 pins that latch" in lines
    assert "driven high clears 2 of 2 pins that latch" in lines
    write_derived(run[1])
    with (run[1] / "remedies.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 2 * 4
    assert (run[1] / "report.pdf").read_bytes().startswith(b"%PDF")
    compared, by_pin = remedy_sections(run[0])
    assert "in which the node rises from ground to V_IH" in compared.said[0]
    assert [str(row[0]) for row in compared.tables[0].rows][:2] == ["external pull-up", "driven high"]
    assert any("to supply" in str(row[-1]) for row in by_pin.tables[0].rows)
