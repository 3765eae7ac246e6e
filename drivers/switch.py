"""A SCPI switch: one relay a command, its state read back right behind."""

from __future__ import annotations

import re
from collections.abc import Callable

from drivers.as_set import Setting, prove
from drivers.errors import WiringError
from drivers.instrument import Instrument
from drivers.message import refused, told, truth

_ENTRY = re.compile(r"\s*(\w+(?:!\w+)*)\s*(?::\s*(\w+)\s*)?")
_NUMBER = re.compile(r"[0-9]{1,9}")

CHANNELS_MOST = 100_000
"""More than any switch has: a range that a damaged reply makes long must not fill the memory."""


def channel_list(text: str) -> frozenset[str] | None:
    """The channels of a SCPI channel list such as `(@101,103:105)`; None where the text is not one.

    A range must be of whole numbers (SCPI-99 vol. 1, 8.3.2), and the list not longer than CHANNELS_MOST.
    """
    body = re.fullmatch(r"\s*\(\s*@(.*)\)\s*", text)
    if body is None:
        return None
    channels: set[str] = set()
    count = 0
    for entry in body[1].split(",") if body[1].strip() else ():
        match = _ENTRY.fullmatch(entry)
        if match is None:
            return None
        first, last = match.groups()
        if last is None:
            channels.add(first)
        elif _NUMBER.fullmatch(first) and _NUMBER.fullmatch(last):
            numbers = range(int(first), int(last) + 1)
            count += len(numbers)
            if count > CHANNELS_MOST:
                return None
            channels.update(str(number) for number in numbers)
        else:
            return None
    return frozenset(channels)


def _listed(channels: frozenset[str]) -> str:
    return f"(@{','.join(sorted(channels))})"


def _lists(channels: frozenset[str]) -> Callable[[str], bool]:
    return lambda text: channel_list(text) == channels


class Switch:
    """Closes and opens relays through an identified instrument. A coil's state is all that a readback proves."""

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument
        self._told: set[str] = set()

    def reset(self) -> None:
        """Reset, and every relay open, verified."""
        self.instrument.reset()
        self.open_all()

    def close(self, number: str) -> None:
        """Close one relay. Raises WiringError unless it reads back closed."""
        self._move("close", number, closed=True)

    def open(self, number: str) -> None:
        """Open one relay. Raises WiringError unless it reads back open."""
        self._move("open", number, closed=False)

    def open_all(self) -> None:
        """Open every relay. Raises WiringError unless the closed list reads back empty."""
        dialect = self.instrument.dialect
        command = dialect.text("open_all")
        query = dialect.text("closed_list")
        left = self._list(query, told(self.instrument, command, query))
        if left:
            self.instrument.check_errors(command)
            raise WiringError(
                f"{self.instrument.name} {self.instrument.resource}: "
                f"channel {', '.join(sorted(left))} reads back closed after {command!r}"
            )
        self._told.clear()

    def prove_as_set(self) -> None:
        """Raises NotAsSetError where it restarted, or other channels are closed than those that were told to be."""
        told_so = frozenset(self._told)
        prove(self.instrument, [Setting("closed_list", "the closed list", _listed(told_so), _lists(told_so))])

    def closed(self) -> frozenset[str]:
        """The closed channels, as the switch lists them. Raises ReplyError where the reply is no channel list."""
        query = self.instrument.dialect.text("closed_list")
        return self._list(query, self.instrument.link.ask(query))

    def _move(self, purpose: str, number: str, *, closed: bool) -> None:
        dialect = self.instrument.dialect
        command = dialect.text(purpose, list=(number,))
        query = dialect.text("closed", list=(number,))
        if truth(self.instrument, query, told(self.instrument, command, query)) is closed:
            (self._told.add if closed else self._told.discard)(number)
            return
        # The instrument may have said why it refused; its own words come first.
        self.instrument.check_errors(command)
        reads = "open" if closed else "closed"
        raise WiringError(
            f"{self.instrument.name} {self.instrument.resource}: channel {number} reads back {reads} after {command!r}"
        )

    def _list(self, query: str, text: str) -> frozenset[str]:
        channels = channel_list(text)
        if channels is None:
            raise refused(self.instrument, "a closed list must look like (@101,103)", query, text)
        return channels
