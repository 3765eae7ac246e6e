"""Text from files made fit for print: what the report's font cannot show is shown by its code, never dropped.

Names and notes come from users and instruments. They are passed to the typesetter as data; what is left to do is to
keep them readable: no control characters, no invisible marks that turn the reading order round, no missing glyphs.
"""

from __future__ import annotations

import re
import unicodedata
from functools import cache
from typing import Any

LONGEST = 2000
"""Characters of one text that are printed; what is cut off is counted."""

_RUN = re.compile(r"\S{31,}")
_CHUNK = 12
_KEPT = {"\u200b", "\u00a0"}
"""Zero-width space and no-break space: invisible, and meant."""


def printable(text: str) -> str:
    """The text with every character that the font lacks, or that is a control or format mark, shown as [U+202E]."""
    shown = "".join(_shown(character) for character in text[:LONGEST])
    return shown if len(text) <= LONGEST else f"{shown}… ({len(text) - LONGEST} more characters)"


def wrappable(text: str) -> str:
    """The text with a chance to break (zero-width space) every dozen characters of a run without one."""
    return _RUN.sub(lambda run: "\u200b".join(_parts(run.group())), text)


def clean(data: Any) -> Any:
    """The same lists and dictionaries with every text in them printable and wrappable. Keys stay as they are."""
    if isinstance(data, str):
        return wrappable(printable(data))
    if isinstance(data, dict):
        return {key: clean(value) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [clean(value) for value in data]
    return data


def _parts(run: str) -> list[str]:
    # Never in front of a mark that belongs to the character before it.
    parts = [""]
    for character in run:
        if len(parts[-1]) >= _CHUNK and not unicodedata.combining(character) and character not in _KEPT:
            parts.append("")
        parts[-1] += character
    return parts


def _shown(character: str) -> str:
    if character in _KEPT:
        return character
    if character in "\n\r\t":
        return " "
    if unicodedata.category(character) in ("Cc", "Cf", "Cs", "Co", "Cn") or ord(character) not in _covered():
        return f"[U+{ord(character):04X}]"
    return character


@cache
def _covered() -> frozenset[int]:
    """Characters that the regular and the bold face of the report's font both have."""
    from matplotlib import get_data_path
    from matplotlib.ft2font import FT2Font

    faces = [f"{get_data_path()}/fonts/ttf/DejaVuSans{face}.ttf" for face in ("", "-Bold")]
    return frozenset.intersection(*(frozenset(FT2Font(face).get_charmap()) for face in faces))
