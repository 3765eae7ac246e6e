"""Characters that are obeyed and not read, shown by their code: [U+001B] in place of an escape.

Names and texts come from files and instruments of others. A terminal obeys control characters (it clears the screen,
writes the clipboard), marks of direction turn a line's reading order round, and a new line forges another message.
"""

from __future__ import annotations

import unicodedata

_OBEYED = ("Cc", "Cf", "Cs", "Zl", "Zp")
"""Control, format (zero-width, bidirectional), half of a pair, line and paragraph separator (Unicode 15, table 4-4)."""


def visible(text: str) -> str:
    """The text in one line, each character that would be obeyed in place of being read shown as [U+202E]."""
    if text.isprintable():
        return text
    return "".join(_shown(character) for character in text)


def _shown(character: str) -> str:
    return f"[U+{ord(character):04X}]" if unicodedata.category(character) in _OBEYED else character
