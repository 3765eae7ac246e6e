"""A known capacitor as a trial condition, on the simulated bench: it shows how close a resistor is to its limit."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from harness.bench_file import bench_from_text
from harness.errors import UserFileError
from harness.plan import plan_from_text
from harness.sequence import trials_in_order
from harness.together import check_together
from results.analysis.findings import PinFinding, RunFinding
from results.record.run_folder import RunFolder
from results.record.trial import Capacitor
from tests.harness.whole_bench import LATCHES, bench_text, board_text, found, plan_text, run_plan, simulated

ADDED = '[[wiring.add]]\nnominal_f = 1e-7\nchannel = "relay_board 6"\ntolerance = 0.01\n'
REQUIRED_S = 106.6351141451e-6
RESOURCES = {
    "meter": "TCPIP::127.0.0.1::1::SOCKET",
    "source": "TCPIP::127.0.0.1::2::SOCKET",
    "switch": "TCPIP::127.0.0.1::3::SOCKET",
    "relay_board": "/dev/ttyACM0",
    "board": "/dev/ttyACM1",
}


def bench(resources: dict[str, str], *, added: str = '[wiring.add]\n"0.1 µF" = "relay_board 6"\n') -> str:
    text = bench_text(resources, ("D1",))
    text = text.replace('capacitance = "120 pF"', 'capacitance = "120 pF"\ncapacitance_tolerance = "20 %"')
    return text.replace("[wiring.select]", f"{added}[wiring.select]")


def plan(capacitors: str = '["none", "100 nF"]', extra: str = "") -> str:
    text = plan_text(
        ("D1",),
        resistors='["none", "8.2 kΩ"]',
        trials=f'capacitors = {capacitors}\ncapacitor_tolerance = "1 %"\n{extra}',
    )
    known = 'name = "D1"\nnode_capacitance = "10 pF"\nnode_capacitance_tolerance = "50 %"'
    # A sample each 0.1 ms; the bench's meter is read into its memory of 10 000.
    return text.replace('name = "D1"', known).replace('interval = "0.2 ms"', 'interval = "0.1 ms"')


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> tuple[RunFinding, RunFolder]:
    tmp_path = tmp_path_factory.mktemp("capacitor")
    with simulated(tmp_path, board_text({"D1": LATCHES}, ADDED), stepped=True) as resources:
        result = run_plan(tmp_path, plan(), bench(resources))
    assert result.folder is not None
    return found(result), result.folder


def under(finding: RunFinding, capacitor: str) -> PinFinding:
    return next(pin for pin in finding.pins if pin.condition.capacitor == capacitor)


def test_a_capacitor_is_a_condition_of_its_own(run: tuple[RunFinding, RunFolder]) -> None:
    finding, folder = run
    assert finding.record.capacitors == (Capacitor("100 nF", 100e-9, 0.01),)
    labels = [trial.label for trial, _ in folder.observations()]
    assert sorted(labels) == [
        "D1 reset default 8.2 kΩ #1",
        "D1 reset default 8.2 kΩ 100 nF added #1",
        "D1 reset default none #1",
        "D1 reset default none 100 nF added #1",
    ]
    # Where the node comes to rest does not depend on what it takes to get there.
    for pin in finding.pins:
        assert (pin.verdict, pin.bracket.low, pin.bracket.high) == ("stuck high", "8.2 kΩ", "none")


def test_the_added_capacitor_shows_the_margin_and_the_small_node_does_not(run: tuple[RunFinding, RunFolder]) -> None:
    """The demo's latching pin: 106.635 µS needed (computed beside the tests of load_line), 8.2 kΩ within 0.5 %."""
    [shown] = under(run[0], "100 nF").fold_margins
    assert shown.ratio is not None
    assert shown.ratio.value == pytest.approx(8.2e3 * REQUIRED_S, rel=0.01)
    assert shown.required is not None
    assert abs(shown.required.value - REQUIRED_S) < 2.0 * shown.required.u
    assert shown.little
    assert shown.slower_than_rc
    [hidden] = under(run[0], "none").fold_margins
    assert hidden.ratio is None
    assert hidden.note.startswith("not observable: ")


def test_sweeps_and_all_that_is_no_plain_trial_are_made_without() -> None:
    read = plan_from_text(plan().replace("[trials]", "[sweep]\n[trials]"))
    made = trials_in_order(read, bench_from_text(bench(RESOURCES)))
    assert [trial.condition.capacitor for trial in made if trial.kind == "sweep"] == ["none"]
    assert [trial.condition.capacitor for trial in made if trial.kind == "trial"] == ["none"] * 2 + ["100 nF"] * 2


@pytest.mark.parametrize(
    ("plan_file", "bench_file", "said"),
    [
        (
            plan(),
            bench(RESOURCES, added=""),
            'plan.toml: trials.capacitors[2]: bench.toml has no relay for this capacitor in wiring.add: "100 nF"',
        ),
        (
            plan('["none", "2.2 µF"]'),
            bench(RESOURCES, added='[wiring.add]\n"2.2 µF" = "relay_board 6"\n'),
            "plan.toml: trials.capacitors[2]: takes 22 ms through wiring.press of bench.toml, longer than press.hold",
        ),
        (
            plan('["100 nF"]'),
            bench(RESOURCES),
            "plan.toml: trials.capacitors: must hold none: all that is no plain trial",
        ),
        (plan('["none", "100 kΩ"]'), bench(RESOURCES), "plan.toml: trials.capacitors[2]: "),
        (
            plan(),
            bench(RESOURCES, added='[wiring.add]\n"100 nF" = "relay_board 5"\n'),
            "relay_board 5 is already used by wiring.",
        ),
        (
            plan(),
            bench(RESOURCES).replace('discharge = "relay_board 2"\n', ""),
            "needs wiring.discharge: a capacitor is joined and taken off discharged only",
        ),
    ],
)
def test_what_cannot_be_added_is_refused_before_anything_is_opened(plan_file: str, bench_file: str, said: str) -> None:
    with pytest.raises(UserFileError) as refused:
        check_together(plan_from_text(plan_file), bench_from_text(bench_file))
    assert said in str(refused.value)


def test_the_columns_name_the_capacitor(run: tuple[RunFinding, RunFolder], tmp_path: Path) -> None:
    from results.report.tables import write_pins_csv, write_trials_csv

    for write in (write_trials_csv, write_pins_csv):
        write(run[0], tmp_path / "rows.csv")
        with (tmp_path / "rows.csv").open(encoding="utf-8", newline="") as file:
            assert {row["capacitor"] for row in csv.DictReader(file)} == {"none", "100 nF"}
