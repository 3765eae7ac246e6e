"""The bus is looked at before the first trial and after the last, of a run that goes on too."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from drivers.errors import WiringError
from harness import bus_watch
from harness.bench_file import bench_from_text
from harness.bus_watch import BusWatch
from harness.plan import plan_from_text
from harness.record import press_settings
from harness.sequence import trials_in_order
from tests.harness.test_same_files import BENCH, PLAN

FILE = bench_from_text(BENCH)
SETTINGS = press_settings(plan_from_text(PLAN), FILE)
TRIALS = trials_in_order(plan_from_text(PLAN), FILE)
CALM: Any = SimpleNamespace(deselect=lambda: None, label=lambda text: None, clock=SimpleNamespace(now=lambda: 0.0))


@pytest.fixture
def looks(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """With which resistors the bus was looked at."""
    seen: list[list[str]] = []
    monkeypatch.setattr(bus_watch, "check_bus", lambda bench, settings, resistors: seen.append(resistors))
    return seen


def test_every_resistor_is_looked_at_before_the_first_trial_and_after_the_last(looks: list[list[str]]) -> None:
    watch = BusWatch(CALM, SETTINGS)
    for trial in TRIALS:
        watch.before(trial)
    watch.after_the_last()
    assert looks == [["8.2 kΩ"], [], [], ["8.2 kΩ"]]


def test_a_run_that_goes_on_with_nothing_left_to_make_is_looked_at_all_the_same(looks: list[list[str]]) -> None:
    """It may have died between its last trial and its last look."""
    BusWatch(CALM, SETTINGS, gone_on=True).after_the_last()
    assert looks == [["8.2 kΩ"]]


def test_a_bus_found_wrong_as_a_run_goes_on_throws_doubt_on_what_was_measured_before(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def wrong(*arguments: object) -> None:
        raise WiringError("wiring: a relay is welded")

    monkeypatch.setattr(bus_watch, "check_bus", wrong)
    with pytest.raises(WiringError) as found:
        BusWatch(CALM, SETTINGS, gone_on=True).before(TRIALS[0])
    doubt = "what was measured before the run was resumed is in doubt too"
    assert str(found.value) == f"wiring: a relay is welded (found before {TRIALS[0].label}; {doubt})"
