"""The checklist against the simulated bench, with a person who does what is asked: dirt and chip are told apart."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest

from drivers.operator import Operator
from harness.bench_file import bench_from_text
from harness.errors import UserFileError
from harness.plan import plan_from_text
from harness.sequence import trials_in_order
from harness.together import check_together
from results.report.more_tables import write_more_tables
from tests.harness.test_conditions_run import asked, supplied_bench, supplied_board
from tests.harness.whole_bench import LATCHES, SOUND, Hand, found, plan_text, run_plan, simulated
from tests.harness.wrong_files import BENCH, PLAN, changed

DIRTY = f"{SOUND}\nrail_resistance_ohm = 50e3"
"""Dirt of 50 kΩ to the rail: 1.8 V beside 60 kΩ."""

CHECKLIST = '[board_or_chip]\npins = ["D1", "D2"]\npad_resistor = "47 kΩ"\nrepeats = 1\n'


class Technician(Hand):
    """Cleans and lifts at the simulated bench when asked, and only while the board is without power."""

    def __init__(self, resources: dict[str, str]) -> None:
        super().__init__(resources["hand"])
        self.supply = resources["supply"]
        self.told: list[str] = []

    def operator(self) -> Operator:
        return Operator(self.handle, self.handle, lambda text: "41")

    def handle(self, text: str) -> None:
        self.told.append(text)
        assert asked(self.supply, "OUTP:STAT?") == "0", text
        orders = (
            (r"Clean it around pin (\w+)", "CLEAN {}"),
            (r"Lift pin (\w+)", "LIFT {} pad"),
            (r"wire of pin (\w+) off the pad", "LIFT {} pin"),
        )
        for pattern, order in orders:
            if name := re.search(pattern, text):
                self.order(order.format(name[1]))
                return
        raise AssertionError(text)


def test_a_leak_of_the_chip_and_one_of_the_board_are_told_apart(tmp_path: Path) -> None:
    """Nobody is asked to touch a board that has power."""
    pins = {"D1": LATCHES, "D2": DIRTY}
    board = supplied_board(pins).replace("nominal_ohm = 8200.0", "nominal_ohm = 47000.0")
    plan = plan_text(list(pins), resistors='["none", "47 kΩ"]', trials=CHECKLIST)
    with simulated(tmp_path, board, stepped=True) as resources:
        bench = supplied_bench(resources, list(pins)).replace('"8.2 kΩ"', '"47 kΩ"')
        person = Technician(resources)
        result = run_plan(tmp_path, plan, bench, operator=person.operator())
        person.close()
    finding = found(result)
    by_name = {pin.pin: pin.origin for pin in finding.pins}
    chip, dirt = by_name["D1"], by_name["D2"]
    assert chip is not None
    assert dirt is not None
    states = [[step.state for step in origin.steps[1:]] for origin in (chip, dirt)]
    assert states == [["gone", "stays", "gone", "stays"], ["stays", "gone", "gone", "gone"]]
    assert (chip.origin, dirt.origin) == ("chip", "board")
    assert len(person.told) == 6
    assert all("without power" in text and "rules of your lab" in text for text in person.told)
    assert [step.humidity for step in chip.steps] == [0.41, None, 0.41, None, None]
    write_more_tables(finding, tmp_path)
    with (tmp_path / "checklist.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["pin"], row["step"], row["state"]) for row in rows[:2]] == [
        ("D1", "as it stands", ""),
        ("D1", "buffer off", "gone"),
    ]


IN_PLAN = ("[advice]", '[board_or_chip]\npins = ["D2"]\npad_resistor = "47k"\n\n[advice]')
CONSOLE = ("[wiring.select]", '[board]\nresource = "/dev/ttyACM1"\n\n[wiring.select]')


def test_each_step_is_made_on_all_pins_before_the_next_and_at_the_very_end() -> None:
    both = (IN_PLAN[0], IN_PLAN[1].replace('["D2"]', '["D2", "D1"]\nsteps = ["pad", "cleaned"]\nrepeats = 2'))
    trials = trials_in_order(plan_from_text(changed(PLAN, both)), bench_from_text(BENCH))
    made = [trial for trial in trials if trial.kind == "board or chip"]
    assert made == trials[-12:]
    assert [(trial.handling, trial.pin, trial.resistor) for trial in made[::2]] == [
        ("as it stands", "D2", "none"),
        ("as it stands", "D1", "none"),
        ("cleaned", "D2", "none"),
        ("cleaned", "D1", "none"),
        ("pad", "D2", "47 kΩ"),
        ("pad", "D1", "47 kΩ"),
    ]
    assert [trial.label for trial in made[-2:]] == ["D1 board or chip pad #1", "D1 board or chip pad #2"]
    assert len({trial.label for trial in trials}) == len(trials)


@pytest.mark.parametrize(
    ("edit", "line"),
    [
        (('["D2"]', '["D7"]'), 'plan.toml: board_or_chip.pins[1]: is not one of [[pins]]: "D7"'),
        (('"47k"', '"22k"'), 'plan.toml: board_or_chip.pad_resistor: is not one of trials.resistors: "22k"'),
        (('"47k"', '"none"'), "plan.toml: board_or_chip.pad_resistor: must be a resistor: nothing else pulls the pad"),
        (
            ('"47k"', '"47k"\nsteps = ["washed"]'),
            'plan.toml: board_or_chip.steps[1]: must be "buffer off", "cleaned", "pad" or',
        ),
    ],
    ids=["pin", "resistor", "none", "step"],
)
def test_a_checklist_that_breaks_a_rule_is_refused(edit: tuple[str, str], line: str) -> None:
    with pytest.raises(UserFileError) as caught:
        plan_from_text(changed(changed(PLAN, IN_PLAN), edit))
    assert str(caught.value).startswith(line)


def test_the_buffer_is_switched_off_by_the_console() -> None:
    plan = plan_from_text(changed(PLAN, IN_PLAN))
    with pytest.raises(
        UserFileError, match=r"board_or_chip.steps: bench.toml has no \[board\] console that could switch"
    ):
        check_together(plan, bench_from_text(BENCH))
    check_together(plan, bench_from_text(changed(BENCH, CONSOLE)))
