"""The power supply of the board: sets its rail, switches it, says what the board draws. Limits are inside."""

from __future__ import annotations

import math

from drivers.as_set import Setting, near, prove, state
from drivers.clock import Clock
from drivers.errors import BenchError, InstrumentError, LimitError
from drivers.instrument import Instrument
from drivers.message import told, truth

READ_S = 0.2
"""Bench seconds that a reading of one quantity may take: the deadline follows from it."""

ABOVE_LIMIT = 1.1
"""The over-voltage protection over the limit."""

REACHED_SHARE = 0.05
REACHED_V = 0.02
"""How far the output may read from what it is set to: lead and meter errors, not a supply at its current limit."""


class Supply:
    """Nothing leaves here beyond the limits given to `prepare`. Voltages in volt, currents in ampere."""

    def __init__(
        self, instrument: Instrument, clock: Clock, *, settle_s: float = 0.05, power_up_s: float = 0.5
    ) -> None:
        """`settle_s` passes after a change of the voltage, `power_up_s` after switching on (the board boots)."""
        self.instrument = instrument
        self.is_on = False
        self._clock = clock
        self._settle_s = settle_s
        self._power_up_s = power_up_s
        self._limit_v: float | None = None
        self._limit_a = math.nan
        self._level_v = math.nan

    @property
    def measures_voltage(self) -> bool:
        return self.instrument.dialect.has("measure_voltage")

    @property
    def measures_current(self) -> bool:
        return self.instrument.dialect.has("measure_current")

    def prepare(self, limit_v: float, limit_a: float) -> None:
        """Current limit and over-voltage protection set, and the output looked at: it is left as it stands.

        There is no reset: it would take the power from a board whose state as found may be asked for. Raises
        LimitError where the supply stands above `limit_v` with its output on, InstrumentError where the current limit
        does not read back as told.
        """
        self._limit_v = None
        dialect = self.instrument.dialect
        self.instrument.clear_status()
        query = dialect.text("output_state")
        self.is_on = truth(self.instrument, query, self.instrument.link.ask(query).strip())
        stands_v = self.instrument.ask_number("voltage_read")
        if self.is_on and not stands_v <= limit_v * (1.0 + 1e-6):
            raise LimitError(
                f"supply {self.instrument.resource}: is on and set to {stands_v:.4g} V, beyond its limit of "
                f"{limit_v:.4g} V"
            )
        self._level_v = stands_v
        self._limit_a = self.instrument.apply("current_limit", limit_a, read="current_limit_read", rel=0.01, unit="A")
        # A little above, so that the supply's own error does not trip it at the limit itself.
        self.instrument.send("over_voltage", value=limit_v * ABOVE_LIMIT)
        self._limit_v = limit_v

    def set_voltage(self, volts: float) -> None:
        """Set the rail, read back. Raises LimitError beyond the limit of `prepare`; nothing is sent then."""
        self._check(volts)
        self._apply(volts)
        if self.is_on:
            self._clock.wait(self._settle_s)
            self._reached(volts)

    def put_back(self, volts: float) -> None:
        """Set the rail, read back, as `set_voltage`, and wait for nothing: while everything is made safe."""
        self._check(volts)
        self._apply(volts)

    def output_on(self) -> None:
        """Switch on, wait until the board is up. Raises InstrumentError unless it reads back on, and at its voltage."""
        if self._switched("output_on"):
            was_on, self.is_on = self.is_on, True
            self._clock.wait(self._settle_s if was_on else self._power_up_s)
            self._reached(self.instrument.ask_number("voltage_read"))
            return
        command = self.instrument.dialect.text("output_on")
        self.instrument.check_errors(command)
        raise self._disobeyed("the output reads back off", command)

    def output_off(self) -> None:
        """Switch off. Raises InstrumentError unless it reads back off."""
        if self._switched("output_off"):
            command = self.instrument.dialect.text("output_off")
            self.instrument.check_errors(command)
            raise self._disobeyed("the output reads back on", command)
        self.is_on = False

    def prove_as_set(self) -> None:
        """Raises NotAsSetError where it restarted, or output, voltage, limit or protection are not as told."""
        if self._limit_v is None:
            return
        settings: list[Setting] = [
            state("output_state", "the output", self.is_on),
            near("voltage_read", "the voltage", self._level_v, "V"),
            near("current_limit_read", "the current limit", self._limit_a, "A"),
        ]
        if self.instrument.dialect.has("over_voltage"):
            above_v = self._limit_v * ABOVE_LIMIT
            settings.append(near("over_voltage_read", "the over-voltage protection", above_v, "V", rel=0.1))
        prove(self.instrument, settings)

    def still_on(self) -> bool:
        """Whether the output is on; one that was switched on is asked: its protection, or somebody, may have acted."""
        query = self.instrument.dialect.text("output_state")
        return self.is_on and truth(self.instrument, query, self.instrument.link.ask(query).strip())

    def voltage(self) -> float:
        """Volts at the supply's terminals, as it measures them."""
        return self._measured("measure_voltage", "V")

    def current(self) -> float:
        """Amperes into the board, as it measures them. Raises BenchError on an overload."""
        return self._measured("measure_current", "A")

    def _check(self, volts: float) -> None:
        if self._limit_v is None:
            raise BenchError(f"supply {self.instrument.resource}: must be prepared before a voltage is set")
        if not 0.0 <= volts <= self._limit_v:
            raise LimitError(
                f"supply {self.instrument.resource}: {volts:.4g} V is not within 0 V and its limit of "
                f"{self._limit_v:.4g} V"
            )

    def _apply(self, volts: float) -> None:
        self._level_v = self.instrument.apply(
            "voltage", volts, read="voltage_read", rel=0.002, absolute=0.002, unit="V"
        )

    def _measured(self, purpose: str, unit: str) -> float:
        value = self.instrument.ask_number(purpose, timeout_s=self._clock.deadline(READ_S))
        if math.isnan(value):
            raise BenchError(f"supply {self.instrument.resource}: overload while measuring in {unit}")
        return value

    def _reached(self, volts: float) -> None:
        """At its current limit a supply gives way: the rail is then not what everybody takes it for."""
        if not self.instrument.dialect.has("measure_voltage"):
            return
        reads_v = self.voltage()
        if not abs(reads_v - volts) <= REACHED_SHARE * volts + REACHED_V:
            query = self.instrument.dialect.text("measure_voltage")
            raise self._disobeyed(f"set to {volts:.4g} V, it measures {reads_v:.4g} V: at its current limit?", query)

    def _switched(self, purpose: str) -> bool:
        """Carry out a command to the output, and read back whether it is on."""
        dialect = self.instrument.dialect
        query = dialect.text("output_state")
        return truth(self.instrument, query, told(self.instrument, dialect.text(purpose), query))

    def _disobeyed(self, rule: str, command: str) -> InstrumentError:
        return InstrumentError(rule, resource=self.instrument.resource, command=command)
