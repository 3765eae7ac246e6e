"""A step of the checklist: the board is handled without power, once, and then pressed as in any trial."""

from __future__ import annotations

from typing import Any

import pytest

from drivers.errors import WiringError
from drivers.limits import Limits
from drivers.operator import Operator
from drivers.rail import Rail
from procedures import board_or_chip as module
from procedures.board_or_chip import PROMPTS, board_or_chip, read_humidity
from procedures.errors import ProcedureError
from results.record.observation import Observation
from results.record.trace import Trace
from results.record.trial import Condition, Handling, Trial
from tests.drivers.scripted import Rig
from tests.drivers.test_supply import Scripted
from tests.procedures.test_contact import settings


def trial(handling: Handling, repeat: int = 1) -> Trial:
    condition = Condition("reset default", 3.3)
    return Trial(1, "board_or_chip", "D1", "none", condition, repeat, kind="board or chip", handling=handling)


class Made:
    """A bench with a supply and a person, and what each press was made of."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, outcome: Any = "measured") -> None:
        self.log: list[str] = []
        self.pressed: list[Trial] = []
        self.supply = Scripted()
        rig = Rig()
        self.bench = rig.bench(rail=Rail(Limits(), supply=self.supply.supply(), nominal_v=3.3))
        self.bench.operator = Operator(self.log.append, self.confirm, self.type_in)
        self.bench.prepare()

        def press(bench: object, asked: Trial, given: object) -> Observation:
            assert self.supply.on
            self.pressed.append(asked)
            return Observation(Trace([], []), outcome=outcome)  # type: ignore[arg-type]

        monkeypatch.setattr(module, "press_release", press)

    def confirm(self, text: str) -> None:
        assert not self.supply.on
        self.log.append(text)

    def type_in(self, text: str) -> str:
        self.log.append(text)
        return "38 %"

    def step(self, handling: Handling, repeat: int = 1) -> Observation:
        return board_or_chip(self.bench, trial(handling, repeat), settings())


@pytest.mark.parametrize("handling", list(PROMPTS))
def test_a_person_touches_the_board_without_power_and_power_comes_back(
    handling: Handling, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = Made(monkeypatch)
    made.step(handling)
    assert "without power" in made.log[0]
    assert "pin D1" in made.log[0]
    assert (made.supply.on, made.supply.volts) == (True, settings().rail_v)
    assert len(made.pressed) == 1


def test_a_repeat_asks_for_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    made = Made(monkeypatch)
    assert made.step("cleaned", repeat=2).humidity is None
    assert made.log == []


def test_the_buffer_is_off_in_its_step_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    made = Made(monkeypatch)
    made.step("as it stands")
    made.step("buffer off")
    assert [asked.condition.pin_setup for asked in made.pressed] == ["reset default", "buffer off"]


def test_the_humidity_is_noted_before_and_after_cleaning(monkeypatch: pytest.MonkeyPatch) -> None:
    made = Made(monkeypatch)
    steps: tuple[Handling, ...] = ("as it stands", "buffer off", "cleaned", "pad")
    assert [made.step(handling).humidity for handling in steps] == [0.38, None, 0.38, None]


def test_contact_to_a_pad_without_its_pin_is_not_proven_and_counts_all_the_same(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A pin that draws nothing disproves contact elsewhere: here there is no pin."""
    made = Made(monkeypatch, outcome="no contact")
    assert (made.step("pad").outcome, made.step("pad").contact) == ("measured", "not proven")
    assert made.step("lifted pin").outcome == "no contact"


def test_nobody_there_and_no_step_named_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    made = Made(monkeypatch)
    with pytest.raises(ProcedureError, match="needs to say which"):
        made.step("")
    made.bench.operator = None
    with pytest.raises(WiringError, match="D1 board or chip pad #1: nobody is at this bench to handle the board"):
        made.step("pad")


def test_what_is_no_humidity_is_asked_again() -> None:
    typed, asked = ["damp", "120", "-1 %", "45 V", "52.5"], list[str]()

    def type_in(text: str) -> str:
        asked.append(text)
        return typed.pop(0)

    assert read_humidity(Operator(asked.append, asked.append, type_in)) == pytest.approx(0.525)
    assert asked[2] == "120: must be 0 % to 100 %. Type the relative humidity again."
    assert typed == []
