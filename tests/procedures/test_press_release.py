"""A trial tells a stuck pin, an open needle, a welded relay and a missing pull-down apart, under every press path."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drivers.errors import LimitError
from drivers.meter import Readings
from procedures.errors import NotReachedError, TooLateError
from procedures.press_release import level_while_held, log_release, press_voltage, who_holds
from results.record.trial import Condition, Trial
from tests.harness.whole_bench import (
    LATCHES,
    NO_PULL_DOWN,
    OPEN_NEEDLE,
    SHORT_TO_RAIL,
    SOUND,
    Hand,
    bench_text,
    board_text,
    found,
    plan_text,
    run_plan,
    simulated,
    verdicts,
)
from tests.procedures.test_contact import settings

PINS = {"D1": SOUND, "D2": LATCHES, "D3": OPEN_NEEDLE, "D4": SHORT_TO_RAIL, "D5": NO_PULL_DOWN}
NAMES = tuple(PINS)


@pytest.fixture(scope="module")
def resources(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    with simulated(tmp_path_factory.mktemp("simulated"), board_text(PINS)) as served:
        yield served


@pytest.mark.parametrize("path", ["relay", "source"])
def test_the_five_pins_are_told_apart(path: str, resources: dict[str, str], tmp_path: Path) -> None:
    finding = found(run_plan(tmp_path, plan_text(NAMES, path=path), bench_text(resources, NAMES)))
    assert verdicts(finding) == {
        "D1": "released",
        "D2": "stuck high",
        "D3": "no contact",
        "D4": "stuck high",
        "D5": "undecided",
    }
    pins = {pin.pin: pin for pin in finding.pins}
    assert pins["D4"].rows[0].observation is not None
    assert pins["D4"].rows[0].observation.holder == "pin"
    assert "no pull-down found" in pins["D5"].note
    for name in ("D1", "D2"):
        observation = pins[name].rows[0].observation
        assert observation is not None
        assert observation.contact == "board reading"
        assert (observation.reads_before, observation.reads_held) == ("low", "high")


@pytest.mark.parametrize("path", ["relay", "source"])
def test_without_a_console_the_current_proves_contact(path: str, resources: dict[str, str], tmp_path: Path) -> None:
    """1 kΩ and 60 kΩ hold 3.246 V of 3.3 V, an open needle all of it; a source measures the current itself."""
    finding = found(run_plan(tmp_path, plan_text(NAMES, path=path), bench_text(resources, NAMES, console=False)))
    seen = {row.trial.pin: row for row in finding.trials}
    proof = "hold level" if path == "relay" else "press current"
    for name in ("D1", "D2"):
        observation = seen[name].observation
        assert observation is not None
        assert observation.contact == proof
    assert seen["D3"].verdict == "no contact"
    # No current and nobody who reads: an open needle and a missing pull-down cannot be told apart, and neither passes.
    assert seen["D5"].verdict == "no contact"
    assert seen["D2"].settled is not None
    assert seen["D2"].settled.value == pytest.approx(2.031, abs=3e-3)


def test_a_source_that_ramps_through_zero_when_switched_off_cannot_fake_a_release(
    resources: dict[str, str], tmp_path: Path
) -> None:
    """Off mode NORM: its output ramps to 0 V and holds the node there. The edge found is that of the series relay,
    which opens while the source still holds the press level, so that a pin that latches is seen to latch."""
    bench = bench_text(resources, NAMES).replace(
        'accuracy = "20 nA"', 'accuracy = "20 nA"\ncommands = { off_high_impedance = "OUTP:SMOD NORM" }'
    )
    finding = found(run_plan(tmp_path, plan_text(("D1", "D2"), path="source"), bench))
    assert verdicts(finding) == {"D1": "released", "D2": "stuck high"}
    latched = finding.trials[1]
    assert latched.settled is not None
    assert latched.settled.value == pytest.approx(2.031, abs=3e-3)
    assert latched.trace is not None
    assert latched.trace.edge is not None
    assert latched.observation is not None
    # One edge, at the relay's command and its release time, however busy the computer: within the slack of the log.
    commanded_s = latched.observation.released_after_s
    assert commanded_s is not None
    assert 0.0 < latched.trace.edge.time_s <= commanded_s + 0.005
    assert mode_of(resources["source"]) == "0;NORM"


def mode_of(resource: str) -> str:
    """The source's output and off mode, over a wire of our own."""
    _, host, port, _ = resource.split("::")
    with socket.create_connection((host, int(port)), timeout=5) as wire:
        wire.sendall(b"OUTP:STAT?;:OUTP:SMOD?\n")
        return wire.recv(100).decode().strip()


def test_a_welded_source_relay_is_not_taken_for_a_leak(tmp_path: Path) -> None:
    """Used to be told as a welded press relay, which is another one."""
    faults = '[faults]\nwelded = ["source"]\n'
    with simulated(tmp_path, board_text({"D1": SHORT_TO_RAIL}, faults)) as resources:
        result = run_plan(tmp_path, plan_text(("D1",), path="source"), bench_text(resources, ("D1",)))
    assert str(result.error) == (
        "wiring.source: after the release in D1 reset default none #1 the bus kept the press level with no pin on it: "
        "the series relay of the source is welded"
    )
    assert result.folder is not None
    assert [observation.holder for _, observation in result.folder.observations()] == ["press path"]


class LowBench:
    """A bench whose node came to `volts` while it was held."""

    source = None

    def __init__(self, volts: float) -> None:
        self._volts = volts

    def voltage(self) -> float:
        return self._volts

    def press_level(self) -> tuple[None, None, None]:
        return None, None, None


@pytest.mark.parametrize("volts", [1.999, 0.0, -3.3])
def test_a_pin_that_was_never_high_says_nothing_about_staying_high(volts: float) -> None:
    """By hand nothing else is known; -3.3 V: exchanged leads, where every pin seemed to be released."""
    trial = Trial(1, "press_release", "D1", "none", Condition("reset default", 3.3), 1)
    low: Any = LowBench(volts)
    with pytest.raises(NotReachedError, match=rf"pressed, the node came to {volts:.3f} V only, below V_IH of 2 V"):
        level_while_held(low, trial, settings())
    high: Any = LowBench(2.0)
    assert level_while_held(high, trial, settings()).hold_v == 2.0


def test_the_rail_is_measured_once_for_the_trials_of_a_pin(resources: dict[str, str], tmp_path: Path) -> None:
    """Pin and resistor had to be taken off and put back for it in each; now its value is the one measured last."""
    plan = plan_text(("D1", "D2")).replace("repeats = 1", "repeats = 4")
    finding = found(run_plan(tmp_path, plan, bench_text(resources, NAMES)))
    rails = [row.observation.rail_v for row in finding.trials if row.observation is not None]
    assert len(rails) == 8
    assert len(set(rails)) == 2
    assert rails == pytest.approx([3.305] * 8, abs=1e-3)


def test_pressed_by_hand(resources: dict[str, str], tmp_path: Path) -> None:
    """All that a press by hand needs is a meter; with the board's console the contact is proven all the same."""
    hand = Hand(resources["hand"])
    names = ("D1", "D2", "D3")
    try:
        whole = bench_text(resources, NAMES)
        finding = found(run_plan(tmp_path, plan_text(names, path="hand"), whole, operator=hand.operator()))
        assert verdicts(finding) == {"D1": "released", "D2": "stuck high", "D3": "no contact"}
    finally:
        hand.close()


def test_a_plain_meter_is_enough_by_hand(resources: dict[str, str], tmp_path: Path) -> None:
    meter = "".join(
        f"[{part}"
        for part in bench_text(resources, NAMES).split("[")
        if part.startswith(("bench]", "clock]", "meter]"))
    )
    hand = Hand(resources["hand"])
    try:
        finding = found(run_plan(tmp_path, plan_text(("D1", "D2"), path="hand"), meter, operator=hand.operator()))
        assert verdicts(finding) == {"D1": "released", "D2": "stuck high"}
        assert [pin.contact_proven for pin in finding.pins] == [False, True]
        assert "contact not proven" in finding.pins[0].note
    finally:
        hand.close()


def test_a_welded_press_relay_is_not_taken_for_a_leak(tmp_path: Path) -> None:
    """The bus without any pin keeps the level: it is the press path, and the run ends before it presses a pin."""
    faults = '[faults]\nwelded = ["press"]\n'
    with simulated(tmp_path, board_text({"D1": SOUND, "D2": SOUND}, faults)) as resources:
        result = run_plan(tmp_path, plan_text(("D1", "D2")), bench_text(resources, ("D1", "D2")))
    assert result.error is not None
    assert str(result.error) == (
        "wiring: with every relay open the bus stands at 3.305 V, must be within 0.33 V of 0 V: a relay is welded "
        "(press, rail or select), or something else drives the bus (found before D1 reset default none #1)"
    )
    assert result.folder is not None
    # The trial in hand stands in the journal as failed, with the reason; nothing was pressed, nor logged.
    assert [(seen.outcome, len(seen.trace)) for _, seen in result.folder.observations()] == [("failed", 0)]


class SlowBench:
    """A bench whose computer takes `late_s` from the start of the log to the release, and whose relay answers
    `answers_s` later that it is open."""

    has_second_path = True

    def __init__(self, late_s: float, answers_s: float = 0.0) -> None:
        self.clock = self
        self._times = iter((10.0, 10.0 + late_s, 10.0 + late_s + answers_s))
        self.released = False

    def now(self) -> float:
        return next(self._times)

    def wait(self, seconds: float) -> None: ...

    def start_log(self, interval_s: float, samples: int, aperture_s: float) -> float:
        return interval_s

    def release(self) -> float:
        self.released = True
        return self.now()

    def read_log(self) -> Readings:
        return Readings(np.arange(5.0), np.full(5, 3.3))

    def bus_alone_voltage(self) -> float:
        return 0.0


def test_a_release_that_comes_too_late_for_its_log_is_no_stuck_pin() -> None:
    """Used to be taken for a pin that stays at the press level: its log showed nothing but the press."""
    asked = settings()
    bench: Any = SlowBench(late_s=asked.log_before_s + asked.slack_s + 0.001)
    with pytest.raises(TooLateError, match=r"release: came 0\.111 s into the log, must not be later than 0\.11 s"):
        log_release(bench, asked)
    assert bench.released
    in_time: Any = SlowBench(late_s=asked.log_before_s + asked.slack_s - 0.001)
    assert log_release(in_time, asked)[0] == pytest.approx(asked.log_before_s + asked.slack_s - 0.001)


def test_a_relay_that_says_too_late_that_it_is_open_is_no_stuck_pin_either() -> None:
    """Used to be taken for one: told to open in time, on a slow line it opened after the log had ended."""
    asked = settings()
    bench: Any = SlowBench(late_s=asked.log_before_s, answers_s=asked.slack_s + 0.001)
    with pytest.raises(TooLateError, match=r"release: came 0\.111 s into the log, must not be later than 0\.11 s"):
        log_release(bench, asked)
    in_time: Any = SlowBench(late_s=asked.log_before_s, answers_s=asked.slack_s - 0.001)
    assert log_release(in_time, asked)[0] == pytest.approx(asked.log_before_s)


def test_no_press_is_beyond_the_absolute_maximum_of_the_rail_as_measured() -> None:
    plan = replace(settings(), press_v=3.5)
    assert press_voltage(3.3, plan) == 3.5
    with pytest.raises(LimitError, match=r"rail of 3\.1 V by more than rail\.above_rail_max of 0\.3 V: 3\.5 V"):
        press_voltage(3.1, plan)
    assert press_voltage(3.1, replace(plan, press_v=None)) == 3.1
    assert press_voltage(None, replace(plan, press_v=None)) == 3.3


def test_a_hand_that_has_not_let_go_is_not_taken_for_a_leak() -> None:
    bench: Any = SlowBench(late_s=0.0)
    assert who_holds(bench, 3.3, 3.3, settings()) == "pin"
    assert who_holds(bench, 3.3, 3.3, replace(settings(), path="hand")) == "open"


def test_a_trial_resistor_clears_the_latch(resources: dict[str, str], tmp_path: Path) -> None:
    plan = plan_text(("D2",), resistors='["none", "8.2 kΩ"]')
    finding = found(run_plan(tmp_path, plan, bench_text(resources, NAMES)))
    assert {row.trial.resistor: row.verdict for row in finding.trials} == {"none": "stuck high", "8.2 kΩ": "released"}
    assert finding.pins[0].bracket.low == "8.2 kΩ"


def test_a_procedure_of_ones_own(resources: dict[str, str], tmp_path: Path) -> None:
    folder = tmp_path / "own"
    folder.mkdir()
    (folder / "twice.py").write_text(
        "from dataclasses import replace\n"
        "from procedures.press_release import press_release\n\n\n"
        "def twice(bench, trial, settings):\n"
        "    press_release(bench, trial, settings)\n"
        "    return replace(press_release(bench, trial, settings), notes=('pressed twice',))\n"
    )
    plan = plan_text(("D1",), trials='procedure = "twice.py"')
    finding = found(run_plan(tmp_path, plan, bench_text(resources, NAMES), procedures=[folder]))
    assert verdicts(finding) == {"D1": "released"}
    assert "pressed twice" in finding.trials[0].note
