"""The console of the board under test: reset it, set a pin up, read a pin."""

from __future__ import annotations

from typing import Literal

from drivers.as_set import not_as_set
from drivers.errors import BenchError, InstrumentError, LinkError, cut
from drivers.instrument import Instrument
from drivers.message import refused

BOOT_TIMEOUT_S = 10.0
"""Real seconds that a board may take to come up again after a reset."""

Level = Literal["high", "low", ""]
"""What the board reads at its pin; empty where the pin's setup cannot read."""

_LEVELS: dict[str, Level] = {"high": "high", "low": "low", "off": ""}


class Board:
    """The board under test over its console. Raises BenchError with the board's own words where it refuses.

    Any other reply outside of its grammar is a ReplyError: what follows may answer an earlier question.
    """

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument
        self._setups: dict[str, str] = {}

    def identify(self, expected: str = "") -> str:
        """What the board says it is: any text. Raises BenchError if it is empty or lacks the `expected` text."""
        command = self.instrument.dialect.text("identify")
        text = self._line(command)
        if not text or expected not in text:
            rule = f"must hold {expected!r}" if expected else "must not be empty"
            raise BenchError(f"board {self.instrument.resource}: identity {rule}: {cut(text)!r}")
        return text

    def reset(self) -> None:
        """Reset the board and wait until it is up again."""
        self.forget()
        self._ok(self.instrument.dialect.text("reset"), BOOT_TIMEOUT_S)

    def setup(self, pin: str, name: str) -> None:
        """Give a pin the setup of this name, and read it back. Raises InstrumentError where it reads back another."""
        self._setups.pop(pin, None)
        self._ok(self.instrument.dialect.text("setup", pin=pin, setup=name))
        query, taken = self._setup_of(pin)
        if taken != name:
            self.instrument.link.revoke()  # it may be the answer to another question
            rule = f"the setup must read back {name!r}"
            raise InstrumentError(rule, resource=self.instrument.resource, command=query, reply=taken)
        self._setups[pin] = name

    def forget(self) -> None:
        """Its power was taken away, or may have been: no pin is set up as it was told."""
        self._setups.clear()

    def prove_as_set(self) -> None:
        """Raises NotAsSetError where a pin is not set up as it was told since the last reset."""
        for pin, name in self._setups.items():
            try:
                query, found = self._setup_of(pin)
            except (LinkError, InstrumentError):
                raise
            except BenchError as exc:  # it refuses what it has answered before
                query, found = self.instrument.dialect.text("setup_read", pin=pin), str(exc)
            if found != name:
                raise not_as_set(self.instrument, f"the setup of {pin}", name, found, query)

    def read(self, pin: str) -> Level:
        """What the board reads at this pin: "high", "low", or empty where its setup cannot read."""
        command = self.instrument.dialect.text("read", pin=pin)
        text = self._line(command)
        if text not in _LEVELS:
            raise refused(self.instrument, "the board must answer high, low or off", command, text)
        return _LEVELS[text]

    def _setup_of(self, pin: str) -> tuple[str, str]:
        query = self.instrument.dialect.text("setup_read", pin=pin)
        return query, self._line(query)

    def _ok(self, command: str, timeout_s: float | None = None) -> None:
        text = self._line(command, timeout_s)
        if text != "ok":
            raise refused(self.instrument, "the board must answer ok", command, text)

    def _line(self, command: str, timeout_s: float | None = None) -> str:
        text = self.instrument.link.ask(command, timeout_s).strip()
        if text.startswith("error"):
            raise BenchError(f"board {self.instrument.resource}: {command!r} refused: {cut(text)}")
        return text
