"""Text from files is printed as it is where the font can, and by its code where it cannot."""

import pytest

from results.report.glyphs import LONGEST, clean, printable, wrappable


@pytest.mark.parametrize("text", ["D1 / Schwimmer größer 8,2 kΩ ± µ", "вход 3", "είσοδος", "مدخل", "#import $x$ <b>"])
def test_what_the_font_has_stays(text):
    assert printable(text) == text


def test_what_the_font_lacks_is_shown_by_its_code():
    assert printable("D1 \u4e2d \U0001f9ea") == "D1 [U+4E2D] [U+1F9EA]"


def test_marks_that_turn_the_reading_order_round_are_shown():
    assert printable("1D\u202e0") == "1D[U+202E]0"


def test_control_characters_are_shown_and_line_ends_become_spaces():
    assert printable("a\x00b\nc\td") == "a[U+0000]b c d"


def test_what_is_cut_off_is_counted():
    assert printable("x" * (LONGEST + 7)) == "x" * LONGEST + "… (7 more characters)"


def test_a_long_run_may_break_and_a_short_one_stays():
    assert wrappable("D" * 30) == "D" * 30
    assert wrappable("D" * 40) == "\u200b".join(["D" * 12] * 3 + ["D" * 4])
    assert wrappable("a" * 40).replace("\u200b", "") == "a" * 40


def test_every_text_of_a_structure_is_cleaned_and_no_key():
    assert clean({"a\x00": ["\x01", 3, None, ("\x02",)]}) == {"a\x00": ["[U+0001]", 3, None, ["[U+0002]"]]}
