"""Lines on a terminal: never broken within a word or a quantity, and as they are in a pipe."""

from __future__ import annotations

from harness.lines import laid_out

ITEM = (
    "not determined  link watch               [whether a link that is dead without a close is noticed cannot be proven]"
)


def test_what_follows_stands_below_the_second_column() -> None:
    assert laid_out(ITEM, 80) == (
        "not determined  link watch               [whether a link that is dead without a\n"
        "                close is noticed cannot be proven]"
    )


def test_a_quantity_stays_on_one_line() -> None:
    line = "  D1: stuck high, rests at 2.031\u00a0V, fit 8.2\u00a0kΩ to ground"
    assert laid_out(line, 52) == "  D1: stuck high, rests at 2.031\u00a0V, fit 8.2\u00a0kΩ to\n    ground"
    assert laid_out(line, 44).splitlines()[0].endswith(" fit")


def test_a_path_is_never_broken() -> None:
    path = "/" + "x" * 90
    assert laid_out(f"written: {path}", 80).splitlines() == ["written:", f"  {path}"]


def test_a_pipe_and_a_line_that_fits_get_it_as_it_is() -> None:
    assert laid_out(ITEM, None) == ITEM
    assert laid_out(ITEM, 200) == ITEM
    assert laid_out(ITEM, 20) == ITEM
