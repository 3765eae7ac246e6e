"""Contamination is told from the chip by what each step of the checklist does to the leak."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import pytest

from results.analysis.analysis import analyse
from results.analysis.conditions.board_or_chip import EVIDENCE, origin_of
from results.analysis.findings import PinFinding, RunFinding
from results.analysis.found.origin import ChecklistStep, State
from results.analysis.value import Value
from results.record.observation import Observation
from results.record.trial import NO_RESISTOR, Handling, Trial
from tests.results.analysis.made_pins import SETUP, Bench, record_of
from tests.results.analysis.test_analysis import sampled

PULL_DOWN_OHM = 60e3
METER_OHM = 10e6


def step(handling: Handling, state: State = "not known", settled_v: float = 0.5) -> ChecklistStep:
    leak = Value(settled_v / PULL_DOWN_OHM, 1e-7)
    return ChecklistStep(handling, 3, 3, Value(settled_v, 1e-3), leak, None, state)


def said(settled_v: float = 0.5, **states: State) -> tuple[str, str]:
    """Origin and reason of a pin with these states, by step."""
    steps = [step("as it stands", settled_v=settled_v)]
    steps += [step(name.replace("_", " "), state) for name, state in states.items()]  # type: ignore[arg-type]
    found = origin_of(steps)
    return found.origin, found.reason


@pytest.mark.parametrize(
    ("states", "origin", "reason"),
    [
        ({"buffer_off": "gone", "cleaned": "stays"}, "chip", "gone with the input buffer off"),
        ({"buffer_off": "stays", "cleaned": "gone"}, "board", "gone after cleaning and drying"),
        (
            {"buffer_off": "stays", "cleaned": "stays", "pad": "gone", "lifted_pin": "stays"},
            "chip",
            "gone from the pad with the pin lifted; follows the lifted pin",
        ),
        (
            {"buffer_off": "stays", "cleaned": "stays", "pad": "stays", "lifted_pin": "gone"},
            "board",
            "stays at the pad with the pin lifted; gone at the lifted pin",
        ),
        (
            {"buffer_off": "stays", "pad": "stays", "lifted_pin": "stays"},
            "both",
            "it leaks at the pad and at the lifted pin, each by itself",
        ),
        (
            {"buffer_off": "stays", "cleaned": "gone", "pad": "gone", "lifted_pin": "gone"},
            "board",
            "gone after cleaning and drying",
        ),
        (
            {"buffer_off": "stays", "cleaned": "stays", "pad": "gone", "lifted_pin": "gone"},
            "not determined",
            "the steps contradict each other: gone from the pad with the pin lifted but gone at the lifted pin",
        ),
        (
            {"buffer_off": "gone", "cleaned": "gone"},
            "not determined",
            "the steps contradict each other: gone with the input buffer off but gone after cleaning and drying",
        ),
        (
            {"buffer_off": "stays", "cleaned": "stays"},
            "not determined",
            "no step tells (buffer off: stays; cleaned: stays); the next to make is 'pad'",
        ),
        (
            {"buffer_off": "in between", "cleaned": "not known", "pad": "in between", "lifted_pin": "in between"},
            "not determined",
            "no step tells (buffer off: in between; cleaned: not known; pad: in between; lifted pin: in between)",
        ),
    ],
    ids=lambda value: str(value)[:30],
)
def test_what_the_steps_say_together(states: dict[str, State], origin: str, reason: str) -> None:
    assert said(**states) == (origin, reason)


def test_a_pin_without_a_leak_has_nothing_to_follow() -> None:
    assert said(settled_v=4e-3, cleaned="gone")[0] == "no leak"


def test_without_the_step_as_it_stands_nothing_is_said() -> None:
    found = origin_of([step("cleaned", "gone")])
    assert (found.origin, found.reason) == ("not determined", "the leak as it stands is not known")


def test_no_single_step_speaks_for_both_and_what_lies_between_speaks_for_none() -> None:
    assert {state for _, state in EVIDENCE} == {"stays", "gone"}
    assert {handling for handling, _ in EVIDENCE} == set(get_args(Handling)) - {"", "as it stands"}


def made_run(rests: dict[Handling, tuple[str, list[float]]]) -> RunFinding:
    """D1 with these rest voltages at each step, by resistor, and no trials beside them."""
    made = []
    for handling, (resistor, volts) in rests.items():
        for repeat, settled_v in enumerate(volts, start=1):
            number = len(made) + 1
            trial = Trial(
                number, "board_or_chip", "D1", resistor, SETUP, repeat, kind="board or chip", handling=handling
            )
            made.append((trial, Observation(sampled(settled_v, seed=number), humidity=0.45 if repeat == 1 else None)))
    return analyse(record_of(Bench(), [trial for trial, _ in made]), made)


def pin_of(finding: RunFinding) -> PinFinding:
    [pin] = finding.pins
    assert pin.origin is not None
    return pin


def test_a_leak_over_the_board_is_followed_from_voltages_alone() -> None:
    """1 MΩ of dirt to 3.3 V beside 60 kΩ and the meter's 10 MΩ: 0.186 V, also with the buffer off; 47 kΩ in place of
    the pull-down at the pad: 0.148 V, the same 3.1 µA (Kirchhoff)."""
    beside_s = 1 / PULL_DOWN_OHM + 1 / METER_OHM
    stands_v = 3.3e-6 / (1e-6 + beside_s)
    pad_v = 3.3e-6 / (1e-6 + 1 / 47e3 + 1 / METER_OHM)
    pin = pin_of(
        made_run(
            {
                "as it stands": (NO_RESISTOR, [stands_v] * 3),
                "buffer off": (NO_RESISTOR, [stands_v] * 3),
                "cleaned": (NO_RESISTOR, [0.001] * 3),
                "pad": ("47 kΩ", [pad_v] * 3),
            }
        )
    )
    assert pin.origin is not None
    first, off, cleaned, pad = pin.origin.steps
    assert [one.state for one in (off, cleaned)] == ["stays", "gone"]
    assert pad.leak is not None
    assert pad.leak.value == pytest.approx((3.3 - pad_v) / 1e6, rel=0.01)
    assert first.humidity == 0.45
    assert pin.origin.origin == "board"
    # A pull-down that is known from the plan's range only leaves the pad's share wide.
    assert pad.share is not None
    assert pad.share.u > 0.2
    assert pad.state == "in between"


def test_a_leak_of_the_input_buffer_goes_with_it() -> None:
    pin = pin_of(made_run({"as it stands": (NO_RESISTOR, [2.03] * 3), "buffer off": (NO_RESISTOR, [0.0005] * 3)}))
    assert pin.origin is not None
    assert (pin.origin.origin, pin.origin.evidence) == ("chip", ("chip: gone with the input buffer off",))


def test_a_leak_that_comes_and_goes_is_in_between() -> None:
    """The scatter of the presses counts where it is more than the accuracy."""
    pin = pin_of(made_run({"as it stands": (NO_RESISTOR, [2.03] * 3), "cleaned": (NO_RESISTOR, [2.03, 0.0, 2.03])}))
    assert pin.origin is not None
    assert pin.origin.steps[1].state == "in between"
    assert pin.origin.origin == "not determined"


def test_a_step_whose_presses_failed_says_why() -> None:
    finding = made_run({"as it stands": (NO_RESISTOR, [2.03]), "cleaned": (NO_RESISTOR, [0.0])})
    trials = [(trial, Observation(sampled(2.03, 1))) for trial in finding.record.planned]
    failed = replace(trials[1][1], outcome="failed", notes=("no needle",))
    pin = pin_of(analyse(finding.record, [trials[0], (trials[1][0], failed)]))
    assert pin.origin is not None
    assert (pin.origin.steps[1].state, pin.origin.steps[1].note) == ("not known", "no needle")


def test_the_checklist_adds_no_trials_and_no_verdict() -> None:
    finding = made_run({"as it stands": (NO_RESISTOR, [2.03])})
    assert finding.trials == ()
    assert [pin.verdict for pin in finding.pins] == ["not tested"]


def test_the_checklist_of_a_pin_that_was_tried_otherwise_is_no_condition_of_its_own() -> None:
    """Used to be a row of its own, `not tested`, for which no resistor could be named, and the unit had none then."""
    finding = made_run({"as it stands": (NO_RESISTOR, [2.03]), "buffer off": (NO_RESISTOR, [0.0005])})
    steps = list(finding.record.planned)
    hot = replace(SETUP, temperature_c=60.0)
    first = Trial(9, "press_release", "D1", NO_RESISTOR, hot, 1)
    made = [
        (step, Observation(sampled(volts, step.sequence))) for step, volts in zip(steps, (2.03, 0.0005), strict=True)
    ]
    found = analyse(replace(finding.record, planned=(*steps, first)), [*made, (first, Observation(sampled(2.03, 9)))])
    [pin] = found.pins
    assert (pin.condition, pin.verdict) == (hot, "stuck high")
    assert pin.origin is not None
    assert pin.origin.origin == "chip"
