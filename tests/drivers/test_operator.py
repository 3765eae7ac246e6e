"""A person is asked and waited for, except when letting go: then the meter is logging already."""

from __future__ import annotations

from drivers.operator import Operator


def test_a_person_confirms_what_must_be_done_first_and_is_only_told_to_let_go() -> None:
    said: list[str] = []
    confirmed: list[str] = []
    operator = Operator(said.append, confirmed.append)
    operator.connect("D1")
    operator.fit("47 kΩ")
    operator.press_now("D1")
    operator.let_go("D1")
    operator.fit("none")
    assert said == ["Let go of pin D1 now."]
    assert confirmed == [
        "Connect the bench to pin D1.",
        "Fit the trial resistor 47 kΩ from the bus to ground, and no other.",
        "Press pin D1 to the rail and keep it pressed.",
        "Take every trial resistor off the bus.",
    ]


def test_at_a_bench_for_pull_up_inputs_a_person_presses_to_ground_and_fits_to_the_rail() -> None:
    confirmed: list[str] = []
    operator = Operator(confirmed.append, confirmed.append)
    operator.fit("47 kΩ", "rail")
    operator.press_now("D1", "ground")
    assert confirmed == [
        "Fit the trial resistor 47 kΩ from the bus to the rail, and no other.",
        "Press pin D1 to ground and keep it pressed.",
    ]
