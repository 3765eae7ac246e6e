"""A temperature chamber around the board: sets and measures the temperature, within limits of its own. In °C."""

from __future__ import annotations

import math

from drivers.as_set import near, prove, state
from drivers.clock import Clock
from drivers.errors import BenchError, InstrumentError, LimitError
from drivers.instrument import Instrument
from drivers.message import told, truth

READ_S = 0.5
"""Bench seconds that a reading may take: the deadline follows from it."""


class Chamber:
    """Nothing leaves here beyond the limits given to `prepare`."""

    def __init__(self, instrument: Instrument, clock: Clock) -> None:
        self.instrument = instrument
        self._clock = clock
        self._limits_c: tuple[float, float] | None = None
        self._set_c: float | None = None

    def prepare(self, lowest_c: float, highest_c: float) -> None:
        """Status and error queue emptied; the chamber stays as it stands. Raises InstrumentError."""
        self.instrument.clear_status()
        self._set_c = None
        self._limits_c = lowest_c, highest_c

    def set_temperature(self, celsius: float) -> None:
        """Set the temperature, read back, and run. Returns at once. Raises LimitError beyond the limits of `prepare`.

        Nothing is sent then.
        """
        resource = self.instrument.resource
        if self._limits_c is None:
            raise BenchError(f"chamber {resource}: must be prepared before a temperature is set")
        low_c, high_c = self._limits_c
        if not low_c <= celsius <= high_c:
            raise LimitError(f"chamber {resource}: {celsius:.4g} °C is not within {low_c:.4g} °C to {high_c:.4g} °C")
        taken_c = self.instrument.apply(
            "temperature", celsius, read="temperature_read", rel=0.0, absolute=0.1, unit="°C"
        )
        if not self._switched("output_on"):
            raise self._disobeyed("reads back off", "output_on")
        self._set_c = taken_c

    def temperature(self) -> float:
        """As the chamber measures it. Raises BenchError where it gives no number."""
        celsius = self.instrument.ask_number("measure", timeout_s=self._clock.deadline(READ_S))
        if math.isnan(celsius):
            raise BenchError(f"chamber {self.instrument.resource}: overload instead of a temperature")
        return celsius

    def off(self) -> None:
        """Neither heat nor cool any more. Raises InstrumentError unless it reads back off."""
        if self._switched("output_off"):
            raise self._disobeyed("reads back on", "output_off")
        self._set_c = None

    def prove_as_set(self) -> None:
        """Raises NotAsSetError where it restarted or, once a temperature was set, does not run at that any more."""
        if self._set_c is None:
            prove(self.instrument, [])
            return
        temperature = near("temperature_read", "the temperature", self._set_c, "°C", absolute=0.05)
        prove(self.instrument, [state("output_state", "the chamber", True), temperature])

    def _switched(self, purpose: str) -> bool:
        """Carry out a command, and read back whether the chamber runs."""
        dialect = self.instrument.dialect
        query = dialect.text("output_state")
        return truth(self.instrument, query, told(self.instrument, dialect.text(purpose), query))

    def _disobeyed(self, rule: str, purpose: str) -> InstrumentError:
        command = self.instrument.dialect.text(purpose)
        self.instrument.check_errors(command)
        return InstrumentError(rule, resource=self.instrument.resource, command=command)
