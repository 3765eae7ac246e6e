"""What a command demands of its parameters: how many, of which type, unit and size, or which of SCPI's errors else."""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Sequence

from drivers.simulated.command import Argument, Channels, Number, Text, Word
from drivers.simulated.scpi_error import ScpiError

Reply = str | bytes | None
Waiting = Generator[float, None, Reply]
Handler = Callable[[Sequence[Argument]], Reply | Waiting]


def nothing(arguments: Sequence[Argument]) -> None:
    """No parameter is allowed. Raises ScpiError −108."""
    if arguments:
        raise ScpiError(-108)


def bare(act: Callable[[], Reply | Waiting]) -> Handler:
    """A handler that takes no parameter."""

    def handler(arguments: Sequence[Argument]) -> Reply | Waiting:
        nothing(arguments)
        return act()

    return handler


def one(arguments: Sequence[Argument]) -> Argument:
    """Exactly one parameter. Raises ScpiError −109 or −108."""
    if not arguments:
        raise ScpiError(-109)
    if len(arguments) > 1:
        raise ScpiError(-108)
    return arguments[0]


def number(
    arguments: Sequence[Argument], low: float, high: float, unit: str = "", default: float | None = None
) -> float:
    """One number in [low, high], in `unit` or bare; MIN, MAX and (where there is one) DEF too.

    Raises ScpiError −104 for another type, −131 for another unit, −222 beyond the limits.
    """
    argument = one(arguments)
    if isinstance(argument, Word):
        named = {"MIN": low, "MINIMUM": low, "MAX": high, "MAXIMUM": high}
        if default is not None:
            named |= {"DEF": default, "DEFAULT": default}
        if argument.text not in named:
            raise ScpiError(-224, argument.text)
        return named[argument.text]
    if not isinstance(argument, Number):
        raise ScpiError(-104)
    if argument.unit not in ("", unit):
        raise ScpiError(-131, argument.unit)
    # A relative nanopart: 0.02 A compared with a limit that was computed is not out of range.
    if not low - 1e-9 * abs(low) <= argument.value <= high + 1e-9 * abs(high):
        raise ScpiError(-222, f"{argument.value:g} not in {low:g} to {high:g} {unit}".rstrip())
    return argument.value


def query_number(arguments: Sequence[Argument], value: float, low: float, high: float) -> float:
    """A numeric setting's query: the value, or its least or greatest where MIN or MAX is given."""
    if not arguments:
        return value
    argument = one(arguments)
    if not isinstance(argument, Word):
        raise ScpiError(-104)
    return number(arguments, low, high, default=value)


def integer(arguments: Sequence[Argument], low: int, high: int) -> int:
    """One whole number (rounded, as IEEE 488.2 7.7.2 asks)."""
    return math.floor(number(arguments, low, high) + 0.5)


def word(arguments: Sequence[Argument], words: dict[str, str]) -> str:
    """One of the words allowed, as its short form. Raises ScpiError −104 or −224."""
    argument = one(arguments)
    if not isinstance(argument, Word):
        raise ScpiError(-104)
    if argument.text not in words:
        raise ScpiError(-224, argument.text)
    return words[argument.text]


def switch_state(arguments: Sequence[Argument]) -> bool:
    """ON, OFF or a number (0 is off)."""
    argument = one(arguments)
    if isinstance(argument, Number):
        return round(argument.value) != 0
    return word(arguments, {"ON": "ON", "OFF": "OFF"}) == "ON"


def text(arguments: Sequence[Argument]) -> str:
    """One string. Raises ScpiError −104."""
    argument = one(arguments)
    if not isinstance(argument, Text):
        raise ScpiError(-104)
    return argument.text


def texts(arguments: Sequence[Argument]) -> tuple[str, ...]:
    """One string or more. Raises ScpiError −109 or −104."""
    if not arguments:
        raise ScpiError(-109)
    return tuple(text([argument]) for argument in arguments)


def channels(arguments: Sequence[Argument]) -> tuple[int, ...]:
    """One channel list. Raises ScpiError −104."""
    argument = one(arguments)
    if not isinstance(argument, Channels):
        raise ScpiError(-104)
    return argument.numbers
