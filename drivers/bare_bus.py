"""The bus with no pin on it and nothing fitted: what a check of the bench closes, forces and reads there."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from functools import partial

from drivers.clock import Clock
from drivers.errors import BenchError, InstrumentError, WiringError
from drivers.lease import Lease
from drivers.limits import Limits
from drivers.meter import Count, Meter, Readings
from drivers.relays import Relays
from drivers.source import Source
from drivers.undo import undoing
from drivers.wiring import Channel, Wiring

HIGH_OHM = 10e9
"""The high input impedance that many meters can be switched to on their ranges up to 10 V."""

ENERGISING = ("press", "rail", "source")


@dataclass(frozen=True)
class BareLog:
    """A log of the bare bus, the interval as asked and as read back, and what it had counted meanwhile."""

    readings: Readings
    asked_s: float
    interval_s: float
    counts: tuple[Count, ...] = ()


class BareBus:
    """Closes relays of the bus one by one, and opens them again on the way out, whatever happens.

    Every relay that leads to the rail or to the source is covered by the same lease as a press, for
    `limits.press_time` from each move or reading on. Wires are named as in the bench file: "press", "fit.8.2 kΩ".
    """

    def __init__(
        self,
        *,
        clock: Clock,
        meter: Meter,
        limits: Limits,
        wiring: Wiring,
        relays: Relays,
        source: Source | None,
        settle_s: float,
        meter_ohm: float | None,
        lease: Lease,
    ) -> None:
        self.clock = clock
        self._meter = meter
        self._limits = limits
        self._channels = dict(wiring.wires())
        self._relays = relays
        self._source = source
        self._settle_s = settle_s
        self._meter_ohm = meter_ohm
        self._lease = lease
        self._energised: list[str] = []
        self._is_over = False

    def end(self) -> None:
        """The bus is no longer bare: no relay is closed by this any more."""
        self._is_over = True
        if self._energised:
            self._energised.clear()
            self._lease(None)

    def has(self, wire: str) -> bool:
        """Whether there is such a relay."""
        return wire in self._channels

    @contextmanager
    def closed(self, *wires: str) -> Iterator[None]:
        """These relays closed and settled, and open again afterwards, the last one first."""
        with ExitStack() as open_again:
            for wire in wires:
                channel = self._channel(wire)
                if wire in ENERGISING:
                    self._energised.append(wire)
                    open_again.callback(self._let_go, wire)
                    self._cover()
                open_again.enter_context(undoing(partial(self._open, channel)))
                self._relays.close(channel)
                self.clock.settle(self._settle_s)
            yield

    def open(self, wire: str) -> None:
        """Open a relay that is closed, before its time: nothing but the command, so that a log shows when."""
        self._relays.open(self._channel(wire))
        self._let_go(wire)

    @contextmanager
    def forced(self, level_v: float) -> Iterator[None]:
        """The source on the bus; its relay opens first, then its output goes off. Raises LimitError, WiringError."""
        source = self._known_source()
        self._limits.check_voltage("bench check", level_v)
        source.force_voltage(level_v)
        with undoing(self._output_off):
            source.output_on()
            with self.closed("source"):
                yield

    def force(self, level_v: float) -> None:
        """Another level of the source, which is on the bus already."""
        self._limits.check_voltage("bench check", level_v)
        self._cover()
        self._known_source().force_voltage(level_v)
        self.clock.settle(self._settle_s)

    def read(self) -> float:
        """The bus in volts through an aperture of one mains cycle."""
        self.clock.check_stop()
        self._cover()
        return self._meter.read()

    def read_source(self) -> tuple[float, float]:
        """Volts and amperes of the source."""
        self._cover()
        return self._known_source().read()

    def log(
        self,
        interval_s: float,
        samples: int,
        aperture_s: float,
        *,
        during: Callable[[], None] | None = None,
        counts: int = 0,
    ) -> BareLog:
        """A log; `during` is called once it runs, then the samples are counted so many times, spread over its length.

        Raises InstrumentError as the meter's own log does.
        """
        self._cover()
        taken_s = self._meter.start_log(interval_s, samples, aperture_s)
        began_s = self.clock.now()
        if during is not None:
            during()
        counted = []
        for number in range(1, counts + 1):
            self.clock.wait_until(began_s + number / (counts + 1) * samples * taken_s)
            counted.append(self._meter.count())
        return BareLog(self._meter.read_log(), interval_s, taken_s, tuple(counted))

    @contextmanager
    def high_impedance(self) -> Iterator[float | None]:
        """The meter's input at HIGH_OHM meanwhile: ohm as read back, None where this meter has no such setting.

        Where the bench file states no input resistance, it is left as it is: it could not be put back.
        """
        meter = self._meter
        if self._meter_ohm is None or not meter.instrument.dialect.has("impedance"):
            yield None
            return
        before_ohm = self._meter_ohm
        taken_ohm = None
        with suppress(InstrumentError):  # an instrument that refuses it has said so, and nothing has changed
            taken_ohm = meter.set_impedance(HIGH_OHM)
        with undoing(lambda: meter.set_impedance(before_ohm)):
            yield taken_ohm

    def switched(self, prefix: str) -> Sequence[str]:
        """The names of the wires below "fit" or "select" that have a relay."""
        return [wire.removeprefix(f"{prefix}.") for wire in self._channels if wire.startswith(f"{prefix}.")]

    def _output_off(self) -> None:
        if not self._is_over:
            self._known_source().output_off()

    def _open(self, channel: Channel) -> None:
        if self._is_over:
            return  # all was made safe meanwhile
        self._relays.open(channel)
        self.clock.settle(self._settle_s)

    def _cover(self) -> None:
        if self._energised:
            self._lease(self.clock.real(self._limits.press_time_s))

    def _let_go(self, wire: str) -> None:
        """That wire energises nothing any more; the lease ends with the last of them."""
        if wire not in self._energised:
            return
        self._energised.remove(wire)
        if not self._energised:
            self._lease(None)

    def _channel(self, wire: str) -> Channel:
        if self._is_over:
            raise BenchError(f"wiring.{wire}: the bus is no longer bare: this relay is closed by a press only")
        if wire not in self._channels:
            raise WiringError(f"wiring.{wire}: this bench has no such relay")
        return self._channels[wire]

    def _known_source(self) -> Source:
        if self._source is None or "source" not in self._channels:
            raise WiringError("wiring.source: this bench has no source behind a relay in series")
        return self._source
