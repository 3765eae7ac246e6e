"""A source-measure unit: force a voltage, measure both. Its output is off at high impedance, and that is verified."""

from __future__ import annotations

import math
from contextlib import suppress

from drivers.as_set import near, prove, same_word, state, word
from drivers.clock import Clock
from drivers.errors import BenchError, InstrumentError, LimitError, LinkError
from drivers.instrument import Instrument
from drivers.message import refused, send_together, told, truth

READ_S = 0.1
"""Bench seconds that a reading of both quantities may take: the deadline follows from it."""

LEVEL_SHARE = 0.002
LEVEL_V = 0.002
"""How far the level may read back from what was told: a source rounds to its own steps."""


class Source:
    """Forces a voltage with a current limit. Nothing leaves here beyond the limits given to `prepare`."""

    def __init__(self, instrument: Instrument, clock: Clock) -> None:
        self.instrument = instrument
        self._clock = clock
        self._voltage_limit_v: float | None = None
        self._current_limit_a = math.nan
        self._level_v = 0.0
        self._told_on = False

    def prepare(self, voltage_limit_v: float, current_limit_a: float) -> None:
        """Output off at high impedance (verified), then voltage mode, range, compliance, and what is measured.

        A reset may put the off mode back to one that holds the node at 0 V, so it is set first and read back.
        Raises InstrumentError where output, off mode or compliance do not read back as told.
        """
        self._voltage_limit_v = None
        dialect = self.instrument.dialect
        self.output_off()
        send_together(
            self.instrument,
            dialect.text("mode_voltage"),
            dialect.text("voltage", value=0.0),
            dialect.text("voltage_range", value=voltage_limit_v),
            dialect.text("measure_both"),
            dialect.text("functions"),
        )
        self._level_v = 0.0
        self._current_limit_a = self.instrument.apply(
            "current_limit", current_limit_a, read="current_limit_read", rel=0.01, unit="A"
        )
        self._voltage_limit_v = voltage_limit_v

    def force_voltage(self, voltage_v: float) -> None:
        """Set the level. Raises LimitError beyond the limit of `prepare`; nothing is sent then."""
        if self._voltage_limit_v is None:
            raise BenchError(f"source {self.instrument.resource}: must be prepared before a voltage is forced")
        if not abs(voltage_v) <= self._voltage_limit_v:
            raise LimitError(
                f"source {self.instrument.resource}: {voltage_v:.4g} V is beyond its limit of "
                f"{self._voltage_limit_v:.4g} V"
            )
        self.instrument.send("voltage", value=voltage_v)
        self._level_v = voltage_v

    def output_on(self) -> None:
        """Switch the output on. Raises InstrumentError unless it reads back on."""
        command = self.instrument.dialect.text("output_on")
        if not self._is_on(command):
            self.instrument.check_errors(command)
            raise self._disobeyed("the output reads back off", command)
        self._told_on = True

    def output_off(self) -> None:
        """Switch the output off at high impedance. Raises InstrumentError unless both read back.

        Each is tried whatever becomes of the other: an unknown off mode is no reason to leave the output on, nor is a
        reply to it that made the link give up. Of two failures of one wire the first is told.
        """
        try:
            self._off_mode()
        except BaseException:
            with suppress(LinkError):
                if self.instrument.link.state != "ok":
                    self.instrument.link.reopen()
                self._off()
            raise
        self._off()

    def read(self) -> tuple[float, float]:
        """Volts and amperes as measured. Raises BenchError on an overload of either."""
        volts, amperes = self.instrument.ask_numbers("read", 2, timeout_s=self._clock.deadline(READ_S))
        if math.isnan(volts) or math.isnan(amperes):
            raise BenchError(f"source {self.instrument.resource}: overload: {volts:.4g} V, {amperes:.4g} A")
        return float(volts), float(amperes)

    def in_compliance(self) -> bool:
        """Whether the current limit, and not the voltage, decides what the output does."""
        query = self.instrument.dialect.text("current_limit_tripped")
        return truth(self.instrument, query, self.instrument.link.ask(query).strip())

    def prove_as_set(self) -> None:
        """Raises NotAsSetError where it restarted, or output, off mode, level or limit are not as they were told."""
        text = self.instrument.dialect.text
        prove(
            self.instrument,
            [
                word("mode_read", "the mode", text("mode_voltage")),
                near("voltage_read", "the level", self._level_v, "V", rel=LEVEL_SHARE, absolute=LEVEL_V),
                near("current_limit_read", "the current limit", self._current_limit_a, "A"),
                state("output_state", "the output", self._told_on),
                word("off_mode", "the off mode", text("off_high_impedance")),
            ],
        )

    def _off_mode(self) -> None:
        dialect = self.instrument.dialect
        command = dialect.text("off_high_impedance")
        query = dialect.text("off_mode")
        mode = told(self.instrument, command, query)
        if not mode:
            raise refused(self.instrument, "the off mode must be a word", query, mode)
        if not same_word(command.split()[-1].upper(), mode.upper()):
            self.instrument.check_errors(command)
            raise self._disobeyed(f"the off mode reads back {mode!r}, not high impedance", command)

    def _off(self) -> None:
        command = self.instrument.dialect.text("output_off")
        if self._is_on(command):
            self.instrument.check_errors(command)
            raise self._disobeyed("the output reads back on", command)
        self._told_on = False

    def _is_on(self, command: str) -> bool:
        """Carry out a command to the output, and read back whether it is on."""
        query = self.instrument.dialect.text("output_state")
        return truth(self.instrument, query, told(self.instrument, command, query))

    def _disobeyed(self, rule: str, command: str) -> InstrumentError:
        return InstrumentError(rule, resource=self.instrument.resource, command=command)
