"""A relay board over a line protocol: one relay a command, the closed list read back after each."""

from __future__ import annotations

import re

from drivers.errors import InstrumentError, WiringError
from drivers.instrument import Instrument
from drivers.message import refused


class RelayBoard:
    """As a switch, over a serial line. Each command is answered by OK, anything wrong by ERR, number and text."""

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument

    def reset(self) -> None:
        """Every relay open, verified; the board has no settings."""
        self.open_all()

    def close(self, number: str) -> None:
        """Close one relay. Raises WiringError unless the closed list then holds it."""
        command = self.instrument.dialect.text("close", channel=number)
        self._command(command)
        if number not in self.closed():
            raise WiringError(self._disobeyed(f"channel {number} reads back open", command))

    def open(self, number: str) -> None:
        """Open one relay. Raises WiringError if the closed list still holds it."""
        command = self.instrument.dialect.text("open", channel=number)
        self._command(command)
        if number in self.closed():
            raise WiringError(self._disobeyed(f"channel {number} reads back closed", command))

    def open_all(self) -> None:
        """Open every relay. Raises WiringError unless the closed list is empty."""
        command = self.instrument.dialect.text("open_all")
        self._command(command)
        if left := self.closed():
            raise WiringError(self._disobeyed(f"channel {', '.join(sorted(left))} reads back closed", command))

    def closed(self) -> frozenset[str]:
        """The closed channels, as the board lists them."""
        command = self.instrument.dialect.text("closed_list")
        text = self._line(command)
        if text == "NONE":
            return frozenset()
        if not re.fullmatch(r"[0-9]+( +[0-9]+)*", text):
            raise refused(self.instrument, "a closed list must be NONE or numbers", command, text)
        return frozenset(text.split())

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
