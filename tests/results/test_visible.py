"""What a terminal would obey is shown by its code; what a person reads stays as it is."""

from __future__ import annotations

import pytest

from results.visible import visible


@pytest.mark.parametrize(
    "text", ["", "D1", "47 kΩ ± 1 %", "Prüfling №7 温度 😀", "[red]x[/red] :bomb:", "3.3\u00a0V", "e\u0301"]
)
def test_what_is_read_stays(text: str) -> None:
    assert visible(text) == text


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("\x1b[2J", "[U+001B][2J"),  # clears the screen
        ("\x1b]8;;http://x\x1b\\", "[U+001B]]8;;http://x[U+001B]\\"),  # a link
        ("\x9b2J", "[U+009B]2J"),  # the same in one byte
        ("safe\rNOT", "safe[U+000D]NOT"),  # writes over itself
        ("a\b\b", "a[U+0008][U+0008]"),
        ("a\nb\tc\0", "a[U+000A]b[U+0009]c[U+0000]"),
        ("\u202egnp.exe", "[U+202E]gnp.exe"),  # turns the reading order round
        ("D\u200b1\ufeff\u00ad", "D[U+200B]1[U+FEFF][U+00AD]"),  # nothing to be seen of it
        ("\u2028\u2029", "[U+2028][U+2029]"),
        ("\ud83d", "[U+D83D]"),  # half of a pair, which no output can carry
    ],
)
def test_what_is_obeyed_is_shown(text: str, shown: str) -> None:
    assert visible(text) == shown
