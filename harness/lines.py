"""How a line of the command line stands on a terminal: broken between words, what follows below its second column."""

from __future__ import annotations

import re
import textwrap

_FIRST_COLUMN = re.compile(r"\S+(?: \S+)?\s{2,}")
"""One or two words, and the gap before what comes next: "not determined  link watch"."""

NARROWEST = 40
"""Columns: a narrower terminal breaks lines by itself."""


def laid_out(line: str, columns: int | None) -> str:
    """The line as it is where it fits, where the terminal is narrow, or where there is none (`columns` None)."""
    if columns is None or columns < NARROWEST or len(line) <= columns:
        return line
    column = _FIRST_COLUMN.match(line)
    indent = column.end() if column is not None and column.end() < columns // 3 else _leading(line) + 2
    return textwrap.fill(
        line,
        columns,
        subsequent_indent=" " * indent,
        break_long_words=False,
        break_on_hyphens=False,
        replace_whitespace=False,
    )


def _leading(line: str) -> int:
    return len(line) - len(line.lstrip())
