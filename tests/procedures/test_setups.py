"""A pin is tried as it was found before the first reset, and then in each setup that firmware can give it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.operator import Operator
from tests.harness.whole_bench import (
    LATCHES,
    SOUND,
    Hand,
    bench_text,
    board_text,
    found,
    plan_text,
    run_plan,
    simulated,
)

NAMES = ("D1", "D2")


@pytest.fixture
def resources(tmp_path: Path) -> Iterator[dict[str, str]]:
    """D1 has been left with its buffer off by whoever had the board before."""
    pins = {"D1": f'{LATCHES}\nsetup = "buffer off"', "D2": SOUND}
    with simulated(tmp_path, board_text(pins)) as served:
        yield served


def test_as_found_comes_first_and_each_setup_is_its_own_row(resources: dict[str, str], tmp_path: Path) -> None:
    trials = 'as_found = true\npin_setups = ["reset default", "buffer off"]'
    finding = found(run_plan(tmp_path, plan_text(NAMES, trials=trials), bench_text(resources, NAMES)))
    rows = {(pin.pin, pin.condition.pin_setup): pin.verdict for pin in finding.pins}
    assert rows == {
        ("D1", "as found"): "released",
        ("D1", "reset default"): "stuck high",
        ("D1", "buffer off"): "released",
        ("D2", "as found"): "released",
        ("D2", "reset default"): "released",
        ("D2", "buffer off"): "released",
    }
    assert [row.trial.as_found for row in finding.trials] == [True, True, False, False, False, False]
    off = next(row for row in finding.trials if row.trial.pin == "D1" and row.trial.condition.pin_setup == "buffer off")
    assert off.observation is not None
    # With its buffer off the board cannot read its pin; the current that the pull-down draws still proves contact.
    assert off.observation.reads_held == ""
    assert off.observation.contact == "hold level"


def test_resistors_fitted_by_hand_are_each_fitted_once(resources: dict[str, str], tmp_path: Path) -> None:
    asked: list[str] = []
    hand = Hand(resources["hand"])

    def fit(text: str) -> None:
        asked.append(text)
        # The person fits at the bus, where every pin comes by: the simulated hand puts it on one pin after the other.
        ohm = "8200" if "8.2" in text else "none"
        for pin in NAMES:
            hand.order(f"FIT {pin} {ohm}")
        hand.order("CLIP none")

    bench = bench_text(resources, NAMES).replace('[wiring.fit]\n"8.2 kΩ" = "relay_board 5"\n', "")
    plan = plan_text(NAMES, resistors='["none", "8.2 kΩ"]', trials='fitted = "hand"\nrepeats = 2')
    plan = plan.replace("repeats = 1\n", "")
    try:
        finding = found(run_plan(tmp_path, plan, bench, operator=Operator(fit, fit)))
    finally:
        hand.close()
    assert asked == [
        "Take every trial resistor off the bus.",
        "Fit the trial resistor 8.2 kΩ from the bus to ground, and no other.",
    ]
    verdicts = {(row.trial.pin, row.trial.resistor): row.verdict for row in finding.trials}
    assert verdicts == {
        ("D1", "none"): "stuck high",
        ("D1", "8.2 kΩ"): "released",
        ("D2", "none"): "released",
        ("D2", "8.2 kΩ"): "released",
    }
