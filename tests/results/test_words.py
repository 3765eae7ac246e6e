"""Texts about a run to the rail become texts about one to ground, word by word, and back."""

from __future__ import annotations

import pytest

from results.words import mirrored_words, words_for

TEXTS = {
    "stuck high": "stuck low",
    "1.3 V ± 0.1 V straddles V_IL 0.8 V": "1.3 V ± 0.1 V straddles V_IH 0.8 V",
    "falling, not yet below V_IL 50 ms after the release": "rising, not yet above V_IH 50 ms after the release",
    "fit 8.2 kΩ to ground": "fit 8.2 kΩ to the rail",
    "no pull-down found: while held the pin draws no more than 1 µA": (
        "no pull-up found: while held the pin drives no more than 1 µA"
    ),
    "Each pin was pressed to the rail": "Each pin was pressed to ground",
    "Low end: the largest that released, set it to high impedance": (
        "Low end: the largest that released, set it to high impedance"
    ),
    "agreement: down branch of the sweep": "agreement: up branch of the sweep",
    "3 resistors with a settled point above V_IL/2": (
        "3 resistors with a settled point below the middle of V_IH and the rail"
    ),
    "excludes only stuck rates above 45 %": "excludes only stuck rates above 45 %",
    "the board reads high at 1.9 V; high before the press": "the board reads low at 1.9 V; low before the press",
}


@pytest.mark.parametrize("text", TEXTS)
def test_each_word_has_its_partner(text: str) -> None:
    assert mirrored_words(text) == TEXTS[text]
    assert mirrored_words(TEXTS[text]) == text


def test_a_run_to_the_rail_keeps_its_words() -> None:
    assert words_for("rail", "stuck high") == "stuck high"
    assert words_for("ground", "stuck high") == "stuck low"
