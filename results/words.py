"""Words of a run that presses to the rail, and of its mirror image that presses to ground: each has a partner.

Replacing every word by its partner turns a text about one into a text about the other, and back again.
"""

from __future__ import annotations

import re

_KEPT = (
    "referred to the rail",
    "Do not drive a pin",
    "Low end",
    "High end",
    "high rates",
    "high impedance",
    "high side",
    "low side",
)
"""Not about the level of a pin."""

_PAIRS = (
    *((words, words) for words in _KEPT),
    ("drives the pin high", "drives the pin low"),
    ("V_IL", "V_IH"),
    ("above V_IL/2", "below the middle of V_IH and the rail"),
    ("above V_IL", "below V_IH"),
    ("below V_IL", "above V_IH"),
    ("Below V_IL", "Above V_IH"),
    ("at or above V_IL", "at or below V_IH"),
    ("at and above V_IL", "at and below V_IH"),
    ("just below it", "just above it"),
    ("V − w ≥ V_IH", "V + w ≤ V_IL"),
    ("V − w > V_IL", "V + w < V_IH"),
    ("below what counts", "above what counts"),
    ("hold the pin above", "hold the pin below"),
    ("high", "low"),
    ("High", "Low"),
    ("Highest settled", "Lowest settled"),
    ("highest", "lowest"),
    ("pull-down", "pull-up"),
    ("Pull-down", "Pull-up"),
    ("pulled it low", "pulled it high"),
    ("to ground", "to the rail"),
    ("To ground", "To the rail"),
    ("from the rail down to 0 V and up again", "from 0 V up to the rail and down again"),
    ("from the rail", "from ground"),
    ("at 0 V", "at the rail"),
    ("falling", "rising"),
    ("falls", "rises"),
    ("fell below", "rose above"),
    ("fell faster", "rose faster"),
    ("the node fell at", "the node rose at"),
    ("does not fall", "does not rise"),
    ("at a higher voltage", "at a lower voltage"),
    ("small voltages", "voltages near the rail"),
    ("Lowest press level", "Highest press level"),
    ("below the interval it never latched, above it", "above the interval it never latched, below it"),
    ("must sink", "must supply"),
    ("still drove", "still drew"),
    ("nowhere drives", "nowhere draws"),
    ("taken low", "taken high"),
    ("goes up again", "goes down again"),
    ("to sink", "to supply"),
    ("that sinks", "that supplies"),
    ("can sink", "can supply"),
    ("sank", "supplied"),
    ("its ground wire", "its wire to the rail"),
    ("a fall", "a rise"),
    ("one fall", "one rise"),
    ("low-voltage sweep", "sweep near the rail"),
    ("read up to", "read down to"),
    ("draws", "drives"),
    ("draw", "drive"),
    ("down branch", "up branch"),
    ("Down branch", "Up branch"),
    ("branch (down)", "branch (up)"),
    ("down less up", "up less down"),
)

_PARTNER = {word: partner for pair in _PAIRS for word, partner in (pair, pair[::-1])}
_WORDS = re.compile(
    "|".join(rf"(?<![\w-]){re.escape(word)}(?![\w-])" for word in sorted(_PARTNER, key=len, reverse=True))
)


def mirrored_words(text: str) -> str:
    """The text with every word replaced by its partner; twice gives the text again."""
    return _WORDS.sub(lambda found: _PARTNER[found[0]], text)


def words_for(press_to: str, text: str) -> str:
    """A text about a run that presses to the rail, in the words of a run that presses there."""
    return text if press_to == "rail" else mirrored_words(text)
