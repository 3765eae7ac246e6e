"""Kinds of values in the user's files: each reads one value as written, or says in one line which rule it breaks.

Each kind stands in the `Annotated[...]` type of a field; pydantic calls it and collects what is wrong.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, NoReturn

from pydantic import GetCoreSchemaHandler
from pydantic_core import PydanticCustomError, core_schema

from drivers.wiring import Channel
from results.errors import QuantityError
from results.guard_band import guard_band
from results.quantity import LONGEST, UnitSymbol, parse, resistor_name, show
from results.record.trial import NO_CAPACITOR, NO_RESISTOR

MAX_CHANNELS = 10_000


def refuse(rule: str) -> NoReturn:
    """Report a broken rule to pydantic; braces in the text are not placeholders."""
    raise PydanticCustomError("rule", "{rule}", {"rule": rule})


def listed(words: tuple[str, ...] | list[str], last: str = "or") -> str:
    """a, b or c."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {last} {words[-1]}"


class Kind:
    """A kind of value; `read` returns what the field holds, or refuses."""

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)

    def read(self, written: object) -> object:
        raise NotImplementedError


@dataclass(frozen=True)
class Quantity(Kind):
    """A number with its unit, as text, within bounds (inclusive, SI)."""

    unit: UnitSymbol
    low: float
    high: float

    def read(self, written: object) -> float:
        if isinstance(written, str) and len(written) > LONGEST:
            refuse(f"must be a quantity in {self.unit} of no more than {LONGEST} characters")
        try:
            value = parse(written, self.unit)
        except QuantityError as exc:
            refuse(without_value(exc, written))
        if not self.low <= value <= self.high:
            refuse(f"must be {show(self.low, self.unit)} to {show(self.high, self.unit)}")
        return value


def without_value(error: QuantityError, written: object) -> str:
    """The rule of a QuantityError without the value it begins with: a message names the value once, at its end."""
    return str(error).removeprefix(f"{written!r}: ")


@dataclass(frozen=True)
class Interval(Kind):
    """A list of two quantities, the smaller first."""

    unit: UnitSymbol
    low: float
    high: float

    def read(self, written: object) -> tuple[float, float]:
        if not isinstance(written, list) or len(written) != 2:
            refuse("must be a list of two quantities, the smaller first")
        one = Quantity(self.unit, self.low, self.high)
        first, second = one.read(written[0]), one.read(written[1])
        if not first < second:
            refuse("must be a list of two quantities, the smaller first")
        return first, second


@dataclass(frozen=True)
class Count(Kind):
    """A whole number within bounds."""

    low: int
    high: int

    def read(self, written: object) -> int:
        if isinstance(written, bool) or not isinstance(written, int) or not self.low <= written <= self.high:
            refuse(f"must be {self.low} to {self.high}")
        return written


@dataclass(frozen=True)
class Number(Kind):
    """A number without a unit within bounds."""

    low: float
    high: float

    def read(self, written: object) -> float:
        is_number = isinstance(written, int | float) and not isinstance(written, bool)
        # Compared before it is converted: an integer may be too large for a float.
        if not is_number or not self.low <= written <= self.high:  # type: ignore[operator]
            refuse(f"must be a number from {self.low:g} to {self.high:g}")
        return float(written)  # type: ignore[arg-type]


class Flag(Kind):
    """true or false."""

    def read(self, written: object) -> bool:
        if not isinstance(written, bool):
            refuse("must be true or false")
        return written


@dataclass(frozen=True)
class Text(Kind):
    """One line of text; `pattern` must match the whole of it, and `rule` says in words what it demands."""

    least: int = 0
    most: int = 100
    pattern: str = ""
    rule: str = ""

    def accepts(self, written: str) -> bool:
        """Whether the text keeps the rule."""
        try:
            self.read(written)
        except PydanticCustomError:
            return False
        return True

    def read(self, written: object) -> str:
        if not isinstance(written, str):
            refuse("must be text in quotes")
        if not written.isprintable():
            refuse("must be one line without control characters")
        if not self.least <= len(written) <= self.most or (self.least and not written.strip()):
            refuse(f"must be {self.least} to {self.most} characters")
        if self.pattern and not re.fullmatch(self.pattern, written):
            refuse(self.rule)
        return written


PIN_NAME = Text(
    1, 32, r"[A-Za-z0-9_~][A-Za-z0-9_.+#~-]*", "must be letters, digits and _ . + - # ~, as a console takes it"
)
"""How a pin may be called: a console takes it as one word, and a file name can hold it."""


class Day(Kind):
    """A calendar day: 2026-03-31, in quotes or not."""

    def read(self, written: object) -> date:
        if isinstance(written, date) and not isinstance(written, datetime):
            return written
        try:
            return date.fromisoformat(written if isinstance(written, str) and len(written) == 10 else "")
        except ValueError:
            refuse("must be a day that exists, written 2026-03-31")


@dataclass(frozen=True)
class TrialResistor(Kind):
    """The value of a trial resistor, or `none`; its one name comes out, so that "47k" and "47 kΩ" are the same."""

    def read(self, written: object) -> str:
        if isinstance(written, str) and written.strip().lower() == NO_RESISTOR:
            return NO_RESISTOR
        return resistor_name(Quantity("Ω", 10.0, 100e6).read(written))


class AddedCapacitor(Kind):
    """The value of an added capacitor, or `none`; its one name comes out, so that "100n" and "0.1 µF" are the same."""

    def read(self, written: object) -> str:
        if isinstance(written, str) and written.strip().lower() == NO_CAPACITOR:
            return NO_CAPACITOR
        return show(Quantity("F", 10e-12, 10e-6).read(written), "F", 6)


@dataclass(frozen=True)
class OneOf(Kind):
    """One of some words; `known` is asked when a file is read, so that what it needs is imported no earlier."""

    known: Callable[[], tuple[str, ...]]
    what: str

    def read(self, written: object) -> str:
        if not isinstance(written, str) or written not in self.known():
            refuse(f"unknown {self.what}, there are {listed(self.known(), 'and')}")
        return written


class GuardRule(Kind):
    """The rule of a guard band; its one name comes out, so that "w=U" and "w = 1 U" are the same."""

    def read(self, written: object) -> str:
        try:
            return guard_band(written if isinstance(written, str) else "").rule
        except QuantityError as exc:
            refuse(str(exc).partition(": ")[2])


class Wire(Kind):
    """The channel that a wire goes to."""

    def read(self, written: object) -> Channel:
        pattern = r"switch\s+([0-9]+(?:![0-9]+)*)|relay_board\s+([1-9][0-9]{0,3})"
        match = re.fullmatch(pattern, written) if isinstance(written, str) else None
        if match is None:
            refuse('must be a device and its channel, such as "switch 201" or "relay_board 3"')
        return Channel("switch", match[1]) if match[1] else Channel("relay_board", match[2])


class Channels(Kind):
    """The channels that a device has: "101:124, 201:208", a colon for all from the first to the last."""

    def read(self, written: object) -> tuple[str, ...]:
        found: list[str] = []
        for part in written.split(",") if isinstance(written, str) else [""]:
            match = re.fullmatch(r"\s*([0-9]{1,9}(?:![0-9]{1,9})*)(?::([0-9]{1,9}))?\s*", part)
            if match is None or (match[2] and ("!" in match[1] or int(match[2]) < int(match[1]))):
                refuse('must be channels, such as "101:124, 201:208"')
            if match[2] is None:
                found.append(match[1])
            elif len(found) + int(match[2]) - int(match[1]) >= MAX_CHANNELS:
                refuse(f"must be no more than {MAX_CHANNELS} channels")
            else:
                found.extend(str(number) for number in range(int(match[1]), int(match[2]) + 1))
        return tuple(found)
