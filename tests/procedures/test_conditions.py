"""A temperature counts as reached where two readings agree and lie at the step."""

from __future__ import annotations

import pytest

from drivers.operator import Operator
from procedures.conditions import ByHand, SoakRules, soak
from tests.drivers.scripted import Rig

RULES = SoakRules(soak_s=60.0, stable_c=0.5, within_c=3.0)


def person(typed: list[str], told: list[str]) -> Operator:
    def type_in(text: str) -> str:
        told.append(text)
        return typed.pop(0)

    return Operator(told.append, told.append, type_in)


def soaked(*typed: str) -> tuple[float, float, list[str]]:
    """The temperature, the bench seconds it took, and what was said."""
    rig, told, said = Rig(), list[str](), list[str]()
    bench = rig.bench()
    bench.prepare()
    began_s = bench.clock.now()
    left = list(typed)
    found_c = soak(bench, ByHand(person(left, told)), 60.0, RULES, said.append)
    assert left == []
    return found_c, bench.clock.now() - began_s, said


def test_two_readings_that_agree_at_the_step_are_enough() -> None:
    found_c, seconds, _ = soaked("60.3", "60.1 °C")
    assert found_c == 60.1
    assert seconds == pytest.approx(60.0, abs=0.1)


def test_a_board_that_still_moves_is_soaked_again() -> None:
    found_c, seconds, said = soaked("58", "59.4", "59.8")
    assert found_c == 59.8
    assert seconds == pytest.approx(120.0, abs=0.1)
    assert "It moved by 1.4 °C, more than 0.5 °C: not yet soaked." in said


def test_a_board_that_stays_elsewhere_is_not_at_the_step() -> None:
    found_c, _, said = soaked("50", "50", "57.2", "57.3")
    assert found_c == 57.3
    assert "50 °C is more than 3 °C from 60 °C." in said


def test_cautions_stand_in_the_prompt() -> None:
    told: list[str] = []
    bench = Rig().bench()
    bench.prepare()
    soak(bench, ByHand(person(["60", "60"], told)), 60.0, RULES, lambda text: None)
    assert told[0].startswith("Bring the board to 60 °C. Keep within the ratings of board, fixture and leads; hot")
    assert "the rules of your lab come first" in told[0]


@pytest.mark.parametrize("wrong", ["", "warm", "24,6", "24.6 V", "nan", "-10 °F"])
def test_what_is_no_temperature_is_asked_again(wrong: str) -> None:
    told: list[str] = []
    assert ByHand(person([wrong, "-10.5"], told)).read("Soaked.") == -10.5
    assert told[1].endswith("Type the temperature again.")
