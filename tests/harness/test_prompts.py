"""A person is asked and answered for; a stop request or the end of the input ends the waiting."""

from __future__ import annotations

import queue
from collections.abc import Callable

import pytest

from drivers.errors import StopRequestedError
from harness.events import Event, Prompt
from harness.prompts import Terminal


class Person:
    """Types lines when told to; what was typed and not yet read can be dropped."""

    def __init__(self) -> None:
        self.typed: queue.Queue[str] = queue.Queue()

    def line(self) -> str:
        return self.typed.get()

    def forget(self) -> None:
        while not self.typed.empty():
            self.typed.get_nowait()


def terminal(
    person: Person, heard: list[str], answer: Callable[[], None] = lambda: None, stop: Callable[[], bool] | None = None
) -> Terminal:
    """`answer` is what the person does whenever a prompt is shown."""

    def listen(event: Event) -> None:
        assert isinstance(event, Prompt)
        heard.append(event.text)
        answer()

    return Terminal(listen, stop or (lambda: False), person.line, person.forget)


def test_each_prompt_waits_for_its_own_enter() -> None:
    person, heard = Person(), list[str]()
    asked = terminal(person, heard, lambda: person.typed.put("\n")).operator()
    asked.connect("D1")
    asked.press_now("D1")
    assert heard == [
        "Connect the bench to pin D1. Then press Enter.",
        "Press pin D1 to the rail and keep it pressed. Then press Enter.",
    ]


def test_an_enter_from_before_the_prompt_is_no_answer() -> None:
    """A second Enter used to answer the next prompt: the pin counted as pressed while nobody pressed it."""
    person, heard = Person(), list[str]()
    looks = iter([False] * 5 + [True] * 100)
    asked = terminal(person, heard, stop=lambda: bool(heard) and next(looks))
    person.typed.put("\n")
    with pytest.raises(StopRequestedError, match="stopped while waiting for the operator"):
        asked.confirm("Press.")


def test_a_second_enter_on_one_prompt_is_not_kept_for_the_next() -> None:
    person, heard = Person(), list[str]()
    enters = iter([2, 0])
    looks = iter([False] * 5 + [True] * 100)

    def answer() -> None:
        for _ in range(next(enters)):
            person.typed.put("\n")

    asked = terminal(person, heard, answer, stop=lambda: len(heard) > 1 and next(looks))
    asked.confirm("Connect.")
    with pytest.raises(StopRequestedError, match="stopped while waiting for the operator"):
        asked.confirm("Press.")


def test_the_end_of_the_input_ends_every_waiting() -> None:
    person, heard = Person(), list[str]()
    asked = terminal(person, heard, lambda: person.typed.put(""))
    for _ in range(2):
        with pytest.raises(StopRequestedError, match="nobody can answer, the standard input has ended: Connect"):
            asked.confirm("Connect.")


def test_what_a_pipe_brings_was_written_in_advance_and_counts() -> None:
    lines = iter(["\n", "\n", ""])
    heard = list[str]()
    asked = Terminal(lambda event: heard.append(str(event)), lambda: False, lambda: next(lines, ""))
    asked.confirm("One.")
    asked.confirm("Two.")
    assert len(heard) == 2
    with pytest.raises(StopRequestedError, match="has ended: Three"):
        asked.confirm("Three.")
