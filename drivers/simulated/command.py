"""SCPI program messages, without I/O: bytes in; messages, units and arguments out, or "need more", or an error.

Grammar: IEEE 488.2 chapter 7 (listening formats) and SCPI-99 volume 1 chapters 6 to 8 (headers, parameters, channel
lists), both from memory. This code shares nothing with what the drivers use to read replies, so that a mistake
in one cannot hide a mistake in the other.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from drivers.simulated.scpi_error import ScpiError

LONGEST_MESSAGE = 65_536


@dataclass(frozen=True)
class Number:
    """Decimal or non-decimal numeric data in base units; `unit` is empty where none was written."""

    value: float
    unit: str = ""


@dataclass(frozen=True)
class Word:
    """Character data, in capitals: ON, MIN, ASC."""

    text: str


@dataclass(frozen=True)
class Text:
    """String data, without its quotes."""

    text: str


@dataclass(frozen=True)
class Channels:
    """A channel list, ranges written out, in the order given."""

    numbers: tuple[int, ...]


@dataclass(frozen=True)
class Block:
    """Arbitrary block data."""

    data: bytes


Argument = Number | Word | Text | Channels | Block


@dataclass(frozen=True)
class Unit:
    """One program message unit. `header`: its mnemonics from the root, in capitals; one with a * is common."""

    header: tuple[str, ...]
    query: bool
    arguments: tuple[Argument, ...]


class MessageSplitter:
    """Cuts a byte stream into program messages at line feeds, but not at those inside block data."""

    def __init__(self) -> None:
        self._buffer = b""
        self._overrun = False

    def feed(self, data: bytes) -> list[bytes | ScpiError]:
        """The messages completed by `data`, without terminator (a carriage return before it is dropped too).

        Empty: need more. A message longer than LONGEST_MESSAGE is given up to its end and reported as ScpiError −363.
        """
        self._buffer += data
        found: list[bytes | ScpiError] = []
        while (end := self._end()) is not None:
            message, self._buffer = self._buffer[:end], self._buffer[end + 1 :]
            found.append(ScpiError(-363) if self._overrun else message.removesuffix(b"\r"))
            self._overrun = False
        if len(self._buffer) > LONGEST_MESSAGE:
            self._overrun = True
            self._buffer = b""
        return found

    def _end(self) -> int | None:
        """Where the first message ends; None: need more."""
        quote = 0
        index = 0
        while index < len(self._buffer):
            byte = self._buffer[index]
            if byte == 0x0A:
                return index
            if quote:
                quote = 0 if byte == quote else quote
            elif byte in b"'\"":
                quote = byte
            elif byte == 0x23 and not self._overrun:
                length = _block_length(self._buffer[index:])
                if length is None:
                    return None
                index += length
                continue
            index += 1
        return None


def _block_length(data: bytes) -> int | None:
    """Bytes that a definite-length block at the start of `data` takes; 1 where it is none; None: need more to tell."""
    if len(data) < 2:
        return None
    digits = data[1] - 0x30
    if not 1 <= digits <= 9:
        return 1
    header = data[2 : 2 + digits]
    if not all(0x30 <= byte <= 0x39 for byte in header):
        return 1
    if len(header) < digits or len(data) < 2 + digits + int(header):
        return None
    return 2 + digits + int(header)


def units(message: str) -> Iterator[Unit]:
    """The units of a program message (latin-1 text), one by one, so that those before a wrong one are carried out.

    A header without a leading colon continues on the level of the one before it (IEEE 488.2 A.1.1); common commands
    leave that level alone. Raises ScpiError at the unit that is wrong.
    """
    path: tuple[str, ...] = ()
    for piece in _split(message, ";"):
        piece = piece.strip()
        if not piece:
            continue
        header, query, rest = _header(piece)
        if not header.startswith("*"):
            mnemonics = tuple(header.removeprefix(":").upper().split(":"))
            full = mnemonics if header.startswith(":") else path + mnemonics
            path = full[:-1]
        else:
            full = (header.upper(),)
        yield Unit(full, query, tuple(_argument(text.strip()) for text in _split(rest, ",")) if rest else ())


def asks(message: str) -> bool:
    """Whether a message contains a query (as far as it can be read), so that somebody waits for its reply."""
    try:
        return any(unit.query for unit in units(message))
    except ScpiError:
        return False


_HEADER = re.compile(r"(\*[A-Za-z]+|:?[A-Za-z]\w*(?::[A-Za-z]\w*)*)(\??)(?:\s+(.*))?", re.ASCII | re.DOTALL)


def _header(piece: str) -> tuple[str, bool, str]:
    match = _HEADER.fullmatch(piece)
    if match is None:
        number = -101 if re.match(r"[^\x20-\x7e\t]", piece) else -102
        raise ScpiError(number, piece[:40])
    return match[1], bool(match[2]), (match[3] or "").strip()


def _split(text: str, separator: str) -> list[str]:
    """Split at a separator that stands in no string, parenthesis or block."""
    pieces, start, index, depth = [], 0, 0, 0
    while index < len(text):
        char = text[index]
        if char in "'\"":
            index = _string_end(text, index)
            continue
        if char == "#":
            length = _block_length(text[index:].encode("latin-1", "replace"))
            if length is None:
                raise ScpiError(-161, text[index : index + 12])
            index += length
            continue
        depth += (char == "(") - (char == ")")
        if char == separator and depth <= 0:
            pieces.append(text[start:index])
            start = index + 1
        index += 1
    if depth:
        raise ScpiError(-171, "parentheses do not match")
    return [*pieces, text[start:]]


def _string_end(text: str, start: int) -> int:
    """Past the closing quote; a doubled quote is part of the string."""
    quote = text[start]
    index = start + 1
    while index < len(text):
        if text[index] == quote:
            if text[index + 1 : index + 2] != quote:
                return index + 1
            index += 1
        index += 1
    raise ScpiError(-151, "no closing quote")


def _argument(text: str) -> Argument:
    if not text:
        raise ScpiError(-109, "empty parameter")
    if text[0] in "'\"":
        if _string_end(text, 0) != len(text):
            raise ScpiError(-151, text[:40])
        return Text(text[1:-1].replace(text[0] * 2, text[0]))
    if text[0] == "(":
        return _channels(text)
    if text[0] == "#":
        return _non_decimal(text)
    if text[0].isalpha():
        if not re.fullmatch(r"[A-Za-z]\w*", text, re.ASCII):
            raise ScpiError(-102, text[:40])
        return Word(text.upper())
    return _number(text)


_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:\s*[Ee]\s*([+-]?\d+))?)\s*([A-Za-z]*)", re.ASCII)
_POWER = {"EX": 18, "PE": 15, "T": 12, "G": 9, "MA": 6, "K": 3, "": 0, "M": -3, "U": -6, "N": -9, "P": -12, "F": -15}
_POWER["A"] = -18
_UNITS = ("OHM", "HZ", "V", "A", "S")


def _number(text: str) -> Number:
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise ScpiError(-121 if text[0] in "+-.0123456789" else -102, text[:40])
    if match[2] and abs(int(match[2])) > 32_000:
        raise ScpiError(-123, text[:40])
    power, unit = _suffix(match[3].upper()) if match[3] else (0, "")
    # In decimal: 100 us is 1e-4 s to the last bit, as when it is written so.
    value = float(Decimal(re.sub(r"\s", "", match[1])).scaleb(power))
    if math.isinf(value):
        raise ScpiError(-123, text[:40])
    return Number(value, unit)


def _suffix(suffix: str) -> tuple[int, str]:
    """Power of ten and unit."""
    for unit in _UNITS:
        prefix = suffix.removesuffix(unit)
        if suffix.endswith(unit) and prefix in _POWER:
            # MOHM and MHZ are mega by tradition (SCPI-99 volume 1, 7.2.2.2).
            return (6 if prefix == "M" and unit in ("OHM", "HZ") else _POWER[prefix]), unit
    raise ScpiError(-131, suffix)


def _non_decimal(text: str) -> Argument:
    base = {"H": 16, "Q": 8, "B": 2}.get(text[1:2].upper())
    if base is not None:
        try:
            return Number(float(int(text[2:].replace("_", "x"), base)))
        except ValueError as exc:
            raise ScpiError(-121, text[:40]) from exc
    data = text.encode("latin-1", "replace")
    if _block_length(data) != len(data) or len(data) < 3:
        raise ScpiError(-161, text[:12])
    return Block(data[2 + data[1] - 0x30 :])


def _channels(text: str) -> Channels:
    if not re.fullmatch(r"\(\s*@[\d\s,:]*\)", text, re.ASCII):
        raise ScpiError(-171, text[:40])
    numbers: list[int] = []
    for item in text[text.index("@") + 1 : -1].split(","):
        match = re.fullmatch(r"\s*(\d{1,9})\s*(?::\s*(\d{1,9})\s*)?", item, re.ASCII)
        if match is None:
            raise ScpiError(-171, text[:40])
        first, last = int(match[1]), int(match[2] or match[1])
        step = 1 if last >= first else -1
        if abs(last - first) > 9999:
            raise ScpiError(-222, text[:40])
        numbers.extend(range(first, last + step, step))
    return Channels(tuple(numbers))
