"""A relay board over a line protocol: one relay a command, the closed list read back after each."""

from __future__ import annotations

import re
from collections.abc import Iterable

from drivers.as_set import not_as_set
from drivers.errors import InstrumentError, WiringError
from drivers.instrument import Instrument
from drivers.message import refused


class RelayBoard:
    """As a switch, over a serial line. Each command is answered by OK, anything wrong by ERR, number and text."""

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument
        self._told: set[str] = set()

    def reset(self) -> None:
        """Every relay open, verified; the board has no settings."""
        self.open_all()

    def close(self, number: str) -> None:
        """Close one relay. Raises WiringError unless the closed list then holds it, or does once the command was sent
        again: then the board had restarted in between (NotAsSetError)."""
        command = self.instrument.dialect.text("close", channel=number)
        self._command(command)
        closed = self.closed()
        if number not in closed:
            self._command(command)
            if number not in self.closed():
                raise WiringError(self._disobeyed(f"channel {number} reads back open", command))
            query = self.instrument.dialect.text("closed_list")
            raise not_as_set(self.instrument, f"channel {number}", "closed", _listed(closed), query)
        self._told.add(number)
        self._refuse_other(closed)

    def open(self, number: str) -> None:
        """Open one relay. Raises WiringError if the closed list still holds it."""
        command = self.instrument.dialect.text("open", channel=number)
        self._command(command)
        closed = self.closed()
        if number in closed:
            raise WiringError(self._disobeyed(f"channel {number} reads back closed", command))
        self._told.discard(number)
        self._refuse_other(closed)

    def open_all(self) -> None:
        """Open every relay. Raises WiringError unless the closed list is empty."""
        command = self.instrument.dialect.text("open_all")
        self._command(command)
        if left := self.closed():
            raise WiringError(self._disobeyed(f"channel {', '.join(sorted(left))} reads back closed", command))
        self._told.clear()

    def prove_as_set(self) -> None:
        """Raises NotAsSetError where other relays are closed than those that were told to be."""
        self._refuse_other(self.closed())

    def closed(self) -> frozenset[str]:
        """The closed channels, as the board lists them."""
        command = self.instrument.dialect.text("closed_list")
        text = self._line(command)
        if text == "NONE":
            return frozenset()
        if not re.fullmatch(r"[0-9]+( +[0-9]+)*", text):
            raise refused(self.instrument, "a closed list must be NONE or numbers", command, text)
        return frozenset(text.split())

    def _refuse_other(self, closed: frozenset[str]) -> None:
        """Each list that is read shows all relays: one that was opened by a restart may be closed again by the next
        command, and then nothing would show it."""
        if closed != self._told:
            query = self.instrument.dialect.text("closed_list")
            raise not_as_set(self.instrument, "the closed list", _listed(self._told), _listed(closed), query)

    def _command(self, command: str) -> None:
        text = self._line(command)
        if text != "OK":
            raise refused(self.instrument, "a command must be answered by OK", command, text)

    def _line(self, command: str) -> str:
        text = self.instrument.link.ask(command).strip()
        if error := re.fullmatch(r"ERR\s+(-?[0-9]{1,9})\b\s*(.*)", text):
            raise InstrumentError(
                "the relay board reports an error",
                resource=self.instrument.resource,
                command=command,
                errors=((int(error[1]), error[2]),),
            )
        return text

    def _disobeyed(self, what: str, command: str) -> str:
        return f"{self.instrument.name} {self.instrument.resource}: {what} after {command!r}"


def _listed(numbers: Iterable[str]) -> str:
    return " ".join(sorted(numbers, key=int)) or "NONE"
