"""The page on the states of a bench says what the bench walks by: its tables and its picture are drawn from MOVES."""

from __future__ import annotations

import re

import matplotlib

from drivers.states import MOVES
from tests.states_page import AROUND, NAMED, PAGE, PICTURE, PLACES, arrows, page, picture

MADE_BY = re.compile(r"Matplotlib v([\d.]+)")


def _drawn(svg: str) -> tuple[list[str], list[str]]:
    """The arrows and boxes, and the words, of a picture."""
    return re.findall(r'<g id="((?:state |[^"]* -&gt; )[^"]*)"', svg), re.findall(r"<text [^>]*>([^<]*)</text>", svg)


def test_the_committed_page_is_the_one_that_the_table_makes() -> None:
    """`python -m tests.states_page` writes both anew."""
    assert PAGE.read_text(encoding="utf-8") == page()


def test_the_committed_picture_shows_what_the_table_makes() -> None:
    committed, drawn = PICTURE.read_text(encoding="utf-8"), picture()
    assert _drawn(committed) == _drawn(drawn)
    made_by = MADE_BY.search(committed)
    assert made_by is not None
    if made_by[1] == matplotlib.__version__:  # another version may write the same lines in other words
        assert committed == drawn


def test_the_picture_has_every_state_and_every_arrow_once() -> None:
    boxes_and_arrows, words = _drawn(picture())
    leading = [(state, after, moves) for state, after, moves in arrows() if state != after]
    wanted = [f"{state} -&gt; {after}: {moves}" for state, after, moves in leading]
    assert sorted(boxes_and_arrows) == sorted([*wanted, *(f"state {state}" for state in MOVES)])
    assert sum(word in {moves for *_, moves in leading} for word in words) == len(leading)


def test_every_state_has_a_place_and_belongs_to_one_of_the_six_but_the_first() -> None:
    assert set(PLACES) == set(MOVES)
    named = [state for states in NAMED.values() for state in states]
    assert sorted([*named, "unprepared"]) == sorted(MOVES)
    assert list(NAMED) == ["idle", "pressed", "released", "logging", "safe", "fault"]
    assert set(AROUND) <= {(state, after) for state, after, _ in arrows()}
