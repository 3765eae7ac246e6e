"""The output watchdog of an instrument: it hears nothing for so long, and switches its output off by itself.

The only cover there is for a computer that dies. It is armed when the bench is prepared, fed while the run waits, and
off once all is safe. The commands are the bench file's: no portable ones exist. Seconds are the instrument's own, which
are bench time.
"""

from __future__ import annotations

from drivers.errors import InstrumentError
from drivers.instrument import Instrument
from drivers.message import truth

FED_AT = 1.0 / 3.0
"""The share of its time after which a watchdog is fed: twice more before it trips."""


class Watchdog:
    """`seconds`: how long the instrument waits before it switches its output off."""

    def __init__(self, instrument: Instrument, seconds: float) -> None:
        self._instrument = instrument
        self._seconds = seconds

    @property
    def feed_every_s(self) -> float:
        """Bench seconds between two feeds."""
        return self._seconds * FED_AT

    def arm(self) -> None:
        """Arm it, its time read back. Raises InstrumentError where it reads back otherwise, or has tripped already."""
        self._instrument.apply("watchdog", self._seconds, read="watchdog_read", rel=0.01, unit="s")
        self.feed()

    def feed(self) -> None:
        """Let the instrument hear that the run lives. Raises InstrumentError where its watchdog has tripped."""
        query = self._instrument.dialect.text("watchdog_tripped")
        if truth(self._instrument, query, self._instrument.link.ask(query).strip()):
            raise InstrumentError(
                f"its output watchdog has tripped: it heard nothing for {self._seconds:g} s, and its output went off",
                resource=self._instrument.resource,
                command=query,
            )

    def disarm(self) -> None:
        """It watches no longer. Raises InstrumentError."""
        self._instrument.send("watchdog_off")
