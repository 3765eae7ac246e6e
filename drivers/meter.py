"""A DC voltmeter: single readings through a long aperture, and logs in the meter's own memory on its own timer."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np

from drivers.as_set import Setting, near, prove, state, word
from drivers.clock import Clock
from drivers.errors import BenchError, InstrumentError
from drivers.instrument import Instrument
from drivers.message import refused, send_together
from drivers.reply import FloatArray

TIME_BASE_TOLERANCE = 0.1
"""How far (relative) the meter's count of samples may stray from the host's clock: enough to catch a wrong unit, a
wrong line frequency or a timer that was not taken, and no more; the meter's own clock is far better than the host's."""

TIME_BASE_SLACK_S = 0.005
"""Bench seconds that a meter may take from the command to its first sample."""

BYTE_S = 1e-5
"""Real seconds to allow for each byte of a log on the wire: 100 kB/s, less than any bus but a slow serial port."""

BEYOND_RANGE = 1.5
"""Times the range that a reading may be at most: meters go on to 1.1 or 1.2 times, and then say overload."""

LEAST_V = 1e-18
"""A reading that is smaller and not zero is none: rounding of a computed 1 V alone leaves 1e-16 V."""

_LETTERS = str.maketrans({"\u03a9": "Ohm", "\u2126": "Ohm", "\u00b5": "u", "\u03bc": "u"})
"""Omega and the ohm sign, mu and the micro sign."""


@dataclass(frozen=True)
class Readings:
    """A log: `time_s` from its first sample on the meter's own time base, and `voltage_v`; both shape (n,).

    An overload is NaN in `voltage_v`.
    """

    time_s: FloatArray
    voltage_v: FloatArray

    def __len__(self) -> int:
        return int(self.time_s.size)


@dataclass(frozen=True)
class Count:
    """How many samples a log held at some instant between two looks at the bench's clock."""

    samples: float
    before_s: float
    after_s: float


@dataclass(frozen=True)
class _Log:
    """A log that was started: between which two moments of the bench's clock, and what was asked for."""

    samples: int
    interval_s: float
    sent_s: float
    taken_s: float

    @property
    def length_s(self) -> float:
        return self.samples * self.interval_s


def log_aperture_s(interval_s: float) -> float:
    """The aperture for a log: half the sample interval, so that the meter has the other half to hand a sample on."""
    return interval_s / 2.0


def displayable(text: str) -> str:
    """The text in printable ASCII, which is all that a SCPI string may hold: `47 kΩ` becomes `47 kOhm`."""
    plain = unicodedata.normalize("NFKD", text.translate(_LETTERS))
    kept = (letter for letter in plain if not unicodedata.combining(letter))
    return "".join(letter if letter.isascii() and letter.isprintable() else "?" for letter in kept)


def _is_dc_voltage(text: str) -> bool:
    return re.fullmatch(r"""["']?VOLT(AGE)?(:DC)?["']?""", text.upper()) is not None


def _is_shown(label: str, text: str) -> bool:
    """A display may be shorter than the text, and know capitals only; it is empty where the text is."""
    shown = text[1:-1].replace('""', '"') if text[:1] == '"' else text
    return label.upper().startswith(shown.rstrip().upper()) and bool(shown.strip()) == bool(label.strip())


class Meter:
    """A voltmeter on the bus. Autorange and autozero are off, so that nothing stops it within a log.

    What was last set is remembered, because every message costs a round trip; `configure` forgets it.
    """

    def __init__(self, instrument: Instrument, clock: Clock) -> None:
        self.instrument = instrument
        self.range_v = math.nan
        self.aperture_s = math.nan
        self._clock = clock
        self._line_hz = 50.0
        self._single = False
        self._timing: tuple[float, float] | None = None
        self._interval_s = math.nan
        self._log_aperture_s = math.nan
        self._impedance_ohm: float | None = None
        self._label: str | None = None
        self._log: _Log | None = None

    def keep(self) -> None:
        """Ask it something cheap, so that its connection is not idle; nothing while it may log."""
        if self._log is None:
            self.instrument.keep()

    def configure(self, range_v: float, aperture_s: float, impedance_ohm: float | None, line_hz: float) -> None:
        """Function, fixed range, one zero and then no more, input impedance, line frequency, binary format.

        `aperture_s` is for single readings: one cycle of the mains, whose hum it then rejects. `impedance_ohm` None
        leaves the input as it is. Raises InstrumentError where range, impedance or aperture read back as another.
        """
        dialect = self.instrument.dialect
        self._line_hz, self._single, self._timing, self._log = line_hz, False, None, None
        self._impedance_ohm, self._label = None, None
        self.instrument.send("line_frequency", value=line_hz)
        send_together(
            self.instrument,
            dialect.text("function"),
            dialect.text("autorange_off"),
            dialect.text("range", value=range_v),
            dialect.text("autozero", value="ONCE"),
            dialect.text("autozero", value=False),
            dialect.text("format"),
            dialect.text("byte_order"),
        )
        self.range_v = self.instrument.ask_number("range_read")
        if not range_v * (1.0 - 1e-6) <= self.range_v:
            raise self._error(f"range was set to {range_v!r} V but reads back as {self.range_v!r} V")
        if impedance_ohm is not None and dialect.has("impedance"):
            self._impedance_ohm = self.instrument.apply(
                "impedance", impedance_ohm, read="impedance_read", rel=0.02, unit="Ω"
            )
        self._set_single(aperture_s)
        taken_s = self._aperture_read()
        if not abs(taken_s - aperture_s) <= 0.02 * aperture_s:
            raise self._error(f"aperture was set to {aperture_s!r} s but reads back as {taken_s!r} s")
        self.aperture_s = aperture_s

    def set_impedance(self, ohm: float) -> float:
        """Another input impedance, within a fifth; returns it as read back. Raises InstrumentError."""
        self._impedance_ohm = None  # until it is known what it took
        taken_ohm = self.instrument.apply("impedance", ohm, read="impedance_read", rel=0.2, unit="Ω")
        self._impedance_ohm = taken_ohm
        return taken_ohm

    def label(self, text: str) -> None:
        """Show the text on the meter's display, letters that SCPI cannot carry replaced."""
        shown = displayable(text)
        self._label = None
        self.instrument.send("label", text=shown)
        self._label = shown

    def prove_as_set(self) -> None:
        """Raises NotAsSetError where it restarted, or a setting or the text on its display is not as it was told.

        The display's text names the trial: no reply to any other question, nor of any other trial, reads so.
        """
        prove(self.instrument, list(self._settings()))

    def _settings(self) -> Iterator[Setting]:
        has, text = self.instrument.dialect.has, self.instrument.dialect.text
        yield Setting("function_read", "the function", "VOLT:DC", _is_dc_voltage)
        yield near("range_read", "the range", self.range_v, "V")
        if has("autorange_off"):
            yield state("autorange_read", "autorange", False)
        if has("autozero"):
            yield state("autozero_read", "autozero", False)
        if has("byte_order"):
            yield word("byte_order_read", "the byte order", text("byte_order"))
        if self._impedance_ohm is not None:
            yield near("impedance_read", "the input impedance", self._impedance_ohm, "Ω")
        yield from self._trigger_settings()
        if self._label is not None and has("label"):
            yield Setting("label_read", "the text on the display", self._label, partial(_is_shown, self._label))

    def _trigger_settings(self) -> Iterator[Setting]:
        """Those for single readings, or those of the log made last."""
        dialect = self.instrument.dialect
        scale = self._line_hz if dialect.uses("aperture", "nplc") else 1.0
        aperture_s = self.aperture_s if self._single else self._log_aperture_s
        yield near("aperture_read", "the aperture", aperture_s, "s", rel=0.02, scale=scale)
        trigger = dialect.text("trigger_immediate" if self._single else "trigger_timer")
        yield word("trigger_read", "the trigger", trigger)
        if not self._single:
            yield near("timer_read", "the timer", self._interval_s, "s")

    def read(self) -> float:
        """One reading in volts through the aperture of `configure`. Raises BenchError on an overload.

        A log that still runs is given up: the instrument aborts it.
        """
        self._log = None
        self._set_single(self.aperture_s)
        # FORMat governs every reading that the meter returns (SCPI-99 vol. 2, 9.1): a single one is a block, too.
        # Twice the aperture: an instrument without a way to switch autozero off measures its zero as well.
        timeout_s = self._clock.deadline(2.0 * self.aperture_s)
        (volts,) = self._on_range("read", self.instrument.ask_block("read", 1, timeout_s=timeout_s)).tolist()
        if math.isnan(volts):
            raise BenchError(f"{self._name}: overload: the reading is beyond the {self.range_v:g} V range")
        return float(volts)

    def start_log(self, interval_s: float, samples: int, aperture_s: float | None = None) -> float:
        """Start a log of `samples` readings into the meter's memory; returns the interval in seconds as read back.

        `aperture_s` None means `log_aperture_s`. Raises InstrumentError where the meter takes another interval (by more
        than 10 %), an aperture longer than the interval, or reports an error.
        """
        if samples < 1:
            raise BenchError(f"{self._name}: a log needs at least 1 sample: {samples}")
        aperture_s = log_aperture_s(interval_s) if aperture_s is None else aperture_s
        self._log = None
        self._arm(interval_s, samples, aperture_s)
        sent_s = self._clock.now()
        self.instrument.send("start")
        self._log = _Log(samples, self._interval_s, sent_s, self._clock.now())
        return self._interval_s

    def read_log(self) -> Readings:
        """The log, once it is complete. May be called again: the memory is not emptied.

        Sample i was taken at i times the interval as read back. Raises InstrumentError where the meter's count of
        samples strays from the host's clock, or the log does not come to its end; ReplyError where it holds another
        number of samples; BenchError where no log was started.
        """
        if self._log is None:
            raise BenchError(f"{self._name}: no log was started")
        log = self._log
        # Looked at half-way as well: that a time base runs too fast is no longer seen once the log is full.
        self._clock.wait_until(log.sent_s + 0.5 * log.length_s)
        if self._counted(log) < log.samples:
            self._clock.wait_until(log.taken_s + log.length_s)
            # Ends: `_counted` raises once the last sample is overdue.
            while self._counted(log) < log.samples:
                self._clock.wait(max(log.interval_s, 0.001 * self._clock.speed))
        timeout_s = 1.0 + 8 * log.samples * BYTE_S
        volts = self._on_range(
            "memory_data", self.instrument.ask_block("memory_data", log.samples, timeout_s=timeout_s)
        )
        return Readings(np.arange(log.samples, dtype=np.float64) * log.interval_s, volts)

    def stop_log(self) -> None:
        """Give up a log that may still run."""
        self._log = None
        self.instrument.send("stop")

    def _on_range(self, purpose: str, volts: FloatArray) -> FloatArray:
        """The readings, where they can be readings on this range. Raises ReplyError where they cannot.

        Bytes in another order, or a block that answers another question, make numbers all the same.
        """
        size = np.abs(volts[~np.isnan(volts)])
        if np.any(size > BEYOND_RANGE * self.range_v) or np.any((size > 0.0) & (size < LEAST_V)):
            rule = f"no voltages on the {self.range_v:g} V range: bytes in another order?"
            some = ", ".join(f"{value:.3g}" for value in volts[:3])
            raise refused(self.instrument, rule, self.instrument.dialect.text(purpose), some)
        return volts

    @property
    def _name(self) -> str:
        return f"{self.instrument.name} {self.instrument.resource}"

    def _set_single(self, aperture_s: float) -> None:
        """Set the meter for single readings, unless it is."""
        if self._single:
            return
        text = self.instrument.dialect.text
        send_together(
            self.instrument, text("trigger_immediate"), text("count", value=1), self._aperture_text(aperture_s)
        )
        self._single = True

    def _arm(self, interval_s: float, samples: int, aperture_s: float) -> None:
        """Set the meter for a log, its memory empty; timer and aperture are read back when they are new."""
        text = self.instrument.dialect.text
        self._single = False
        send_together(
            self.instrument,
            self._aperture_text(aperture_s),
            text("trigger_timer"),
            text("timer", value=interval_s),
            text("count", value=samples),
            text("memory_clear"),
            text("memory_size", value=samples),
            text("memory_feed"),
            text("memory_fill"),
        )
        if self._timing != (interval_s, aperture_s):
            self._timing = None
            self._check_timing(interval_s)
            self._timing = (interval_s, aperture_s)

    def _check_timing(self, interval_s: float) -> None:
        taken_s = self.instrument.ask_number("timer_read")
        if not abs(taken_s - interval_s) <= 0.1 * interval_s:
            raise self._error(f"timer was set to {interval_s!r} s but reads back as {taken_s!r} s")
        aperture_s = self._aperture_read()
        if not 0.0 < aperture_s <= taken_s:
            raise self._error(
                f"the aperture of {aperture_s!r} s does not fit into the sample interval of {taken_s!r} s"
            )
        self._interval_s, self._log_aperture_s = taken_s, aperture_s

    def _aperture_text(self, aperture_s: float) -> str:
        return self.instrument.dialect.text("aperture", value=aperture_s, nplc=aperture_s * self._line_hz)

    def _aperture_read(self) -> float:
        taken = self.instrument.ask_number("aperture_read")
        return taken / self._line_hz if self.instrument.dialect.uses("aperture", "nplc") else taken

    def count(self) -> Count:
        """How many samples the log that was started holds by now. Raises BenchError where none was started."""
        if self._log is None:
            raise BenchError(f"{self._name}: no log was started")
        timeout_s = self._clock.deadline(self._log.length_s)
        before_s = self._clock.now()
        count = self.instrument.ask_number("memory_count", timeout_s=timeout_s)
        return Count(count, before_s, self._clock.now())

    def _counted(self, log: _Log) -> int:
        """How many samples the meter has, checked against the host's clock.

        The log began between `sent_s` and `taken_s` and was counted between two looks at the clock, so a slow wire only
        widens what is allowed.
        """
        seen = self.count()
        slack_s = TIME_BASE_SLACK_S + log.interval_s
        least = (seen.before_s - log.taken_s - slack_s) / log.interval_s * (1.0 - TIME_BASE_TOLERANCE)
        most = (seen.after_s - log.sent_s + slack_s) / log.interval_s * (1.0 + TIME_BASE_TOLERANCE)
        if not min(math.floor(least), log.samples) <= seen.samples <= min(most, log.samples):
            raise self._error(
                f"the log holds {seen.samples:g} of {log.samples} samples {seen.after_s - log.sent_s:.4g} s after its "
                f"start, which disagrees with the host's clock and an interval of {log.interval_s:g} s"
            )
        return round(seen.samples)

    def _error(self, rule: str) -> InstrumentError:
        return InstrumentError(rule, resource=self.instrument.resource)
