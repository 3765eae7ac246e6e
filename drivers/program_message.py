"""What a message says in the words of a dialect: which of its commands, with which values. No I/O.

The other way round from `Dialect.text`: a message that the dialect could not have written is not understood.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from string import Formatter

_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[Ee][+-]?\d+)?"
_VALUES: Mapping[str, str] = {
    "text": r'(?:[^"]|"")*',
    "list": r"\(@[0-9!,]*\)",
    "channel": r"[0-9]+",
}
"""A placeholder's name to what may stand in its place; any other takes a number or a bare word."""


@dataclass(frozen=True)
class Said:
    """One command: what it may be for (more than one purpose where two have the same words), and its values."""

    purposes: frozenset[str]
    values: Mapping[str, str]


class MessageReader:
    """Reads the messages that are written with these templates (see drivers.dialect)."""

    def __init__(self, templates: Mapping[str, str]) -> None:
        self._whole: dict[str, frozenset[str]] = {}
        self._patterns: list[tuple[str, re.Pattern[str]]] = []
        for purpose, template in templates.items():
            if not template:
                continue
            if any(field is not None for _, field, _, _ in Formatter().parse(template)):
                self._patterns.append((purpose, re.compile(_pattern(template))))
            else:
                self._whole[template] = self._whole.get(template, frozenset()) | {purpose}

    def read(self, message: str) -> tuple[Said, ...] | None:
        """The commands of a message in their order; None where any part of it is no command of the dialect.

        A header behind a semicolon must start from the root (`;:`) or be a common command: one that continues at the
        level of the header before it (SCPI-99 vol. 1, 6.2.4) says another thing than its own words.
        """
        if message in self._whole:
            return (Said(self._whole[message], {}),)
        said: list[Said] = []
        at = 0
        while True:
            found = self._longest(message, at)
            if found is None:
                return None
            one, at = found
            said.append(one)
            if at == len(message):
                return tuple(said)
            at += 1
            if message.startswith(":", at):
                at += 1
            elif not message.startswith("*", at):
                return None

    def _longest(self, message: str, start: int) -> tuple[Said, int] | None:
        """The longest command that stands at `start` and ends before a semicolon or with the message."""
        best: tuple[Said, int] | None = None
        for purposes, end, values in self._here(message, start):
            if end < len(message) and message[end] != ";":
                continue
            if best is None or end > best[1]:
                best = Said(purposes, values), end
            elif end == best[1]:
                best = Said(best[0].purposes | purposes, {**best[0].values, **values}), end
        return best

    def _here(self, message: str, start: int) -> list[tuple[frozenset[str], int, dict[str, str]]]:
        found: list[tuple[frozenset[str], int, dict[str, str]]] = [
            (purposes, start + len(text), {})
            for text, purposes in self._whole.items()
            if message.startswith(text, start)
        ]
        for purpose, pattern in self._patterns:
            if match := pattern.match(message, start):
                found.append((frozenset({purpose}), match.end(), match.groupdict()))
        return found


def number(text: str) -> float | None:
    """Decimal numeric program data (IEEE 488.2, 7.7.2) without a suffix; None for a word such as MAX."""
    return float(text) if re.fullmatch(_NUMBER, text) else None


def _pattern(template: str) -> str:
    parts: list[str] = []
    seen: set[str] = set()
    for literal, name, _, _ in Formatter().parse(template):
        parts.append(re.escape(literal))
        if name is not None:
            what = _VALUES.get(name, f"{_NUMBER}|[A-Za-z]+")
            parts.append(f"(?P={name})" if name in seen else f"(?P<{name}>{what})")
            seen.add(name)
    return "".join(parts)
