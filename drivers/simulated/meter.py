"""The simulated DC voltmeter: SCPI, triggers and reading memory in front of what pickup.py measures.

Readings are computed when somebody reads them, from what the world kept. Sample i of a log starts i times the timer
after the first; the first starts the arming time and the trigger delay after INITiate.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drivers.simulated.board_file import MeterPart
from drivers.simulated.clock import on_grid
from drivers.simulated.command import Argument
from drivers.simulated.instrument import Instrument
from drivers.simulated.parameter import (
    Waiting,
    bare,
    integer,
    number,
    one,
    query_number,
    switch_state,
    text,
    word,
)
from drivers.simulated.pickup import RANGES_V, Acquisition, Pickup
from drivers.simulated.response import number_text
from drivers.simulated.scpi_error import ScpiError
from drivers.simulated.world import World

HIGH_IMPEDANCE_OHM = 10e9
APERTURES_S = (10e-6, 2.0)
AUTORANGE_TIME_S = 20e-3
LONGEST_LABEL = 127
MEASURING, WAITING_FOR_TRIGGER = 16, 32
ROUNDED_S = 1e-6
"""More than a sum of bench times is rounded by."""


@dataclass
class Settings:
    """What *RST sets; seconds, volts, ohms. `aperture_s` None: one cycle of the line frequency as set."""

    range_v: float = 10.0
    autorange: bool = True
    aperture_s: float | None = None
    autozero: bool = True
    trigger: str = "IMM"
    timer_s: float = 1e-3
    count: int = 1
    delay_s: float = 0.0
    points: int = 100
    feed: str = "NEV"


class Meter(Instrument):
    """SCPI DC voltmeter with a reading memory. Its display's text is the world's label."""

    def __init__(self, world: World, identity: str) -> None:
        super().__init__(world, identity)
        self.part: MeterPart = world.board.meter
        self.settings = Settings()
        self.line_frequency_hz = 50.0
        self.impedance_ohm = 10e6
        self.memory: list[float] = []
        self._acquisition: Acquisition | None = None
        self._feeding = False
        self._pickup = Pickup(world)
        self.add_format()
        self._add_input()
        self._add_trigger()
        self._add_memory()
        self._add_display()

    @property
    def aperture_s(self) -> float:
        return self.settings.aperture_s or 1 / self.line_frequency_hz

    def reset(self) -> None:
        self._abort()
        self.settings = Settings()
        self._set_impedance(10e6)

    def restart(self) -> None:
        super().restart()
        self.line_frequency_hz = 50.0
        self._clear_memory()
        self._show("")

    def condition(self) -> int:
        until = self.pending_until()
        if until is None:
            return 0
        return WAITING_FOR_TRIGGER if math.isinf(until) else MEASURING

    def pending_until(self) -> float | None:
        acquisition = self._acquisition
        if acquisition is None or acquisition.aborted or acquisition.end_s() <= self.now_s:
            return None
        return acquisition.end_s()

    def _add_input(self) -> None:
        volt = "[SENSe:]VOLTage[:DC]"
        self.add("[SENSe:]FUNCtion[:ON]", self._set_function, bare(lambda: '"VOLT:DC"'))
        self.add(
            f"{volt}:RANGe[:UPPer]",
            self._set_range,
            lambda a: number_text(query_number(a, self.settings.range_v, RANGES_V[0], RANGES_V[-1])),
        )
        self.add(f"{volt}:RANGe:AUTO", self._set_autorange, bare(lambda: str(int(self.settings.autorange))))
        self.add(
            f"{volt}:APERture",
            self._set_aperture,
            lambda a: number_text(query_number(a, self.aperture_s, *APERTURES_S)),
        )
        self.add(
            f"{volt}:NPLCycles",
            self._set_cycles,
            lambda a: number_text(query_number(a, self.aperture_s * self.line_frequency_hz, *self._cycle_limits())),
        )
        self.add("CALibration:ZERO:AUTO", self._set_autozero, bare(lambda: str(int(self.settings.autozero))))
        self.add(
            "INPut:IMPedance",
            lambda a: self._set_impedance(number(a, 1e6, HIGH_IMPEDANCE_OHM, "OHM", 10e6)),
            lambda a: number_text(query_number(a, self.impedance_ohm, 10e6, HIGH_IMPEDANCE_OHM)),
        )
        self.add("SYSTem:LFRequency", self._set_line_frequency, bare(lambda: number_text(self.line_frequency_hz)))

    def _add_trigger(self) -> None:
        part = self.part
        sources = {"IMM": "IMM", "IMMEDIATE": "IMM", "BUS": "BUS", "TIM": "TIM", "TIMER": "TIM"}
        self.add(
            "TRIGger[:SEQuence]:SOURce",
            lambda a: self._set(trigger=word(a, sources)),
            bare(lambda: self.settings.trigger),
        )
        self.add(
            "TRIGger[:SEQuence]:TIMer",
            self._set_timer,
            lambda a: number_text(query_number(a, self.settings.timer_s, part.fastest_interval_s, 3600.0)),
        )
        self.add(
            "TRIGger[:SEQuence]:COUNt",
            lambda a: self._set(count=integer(a, 1, part.reading_memory)),
            lambda a: str(round(query_number(a, self.settings.count, 1, part.reading_memory))),
        )
        self.add(
            "TRIGger[:SEQuence]:DELay",
            lambda a: self._set(delay_s=number(a, 0.0, 3600.0, "S", 0.0)),
            lambda a: number_text(query_number(a, self.settings.delay_s, 0.0, 3600.0)),
        )
        self.add("INITiate[:IMMediate]", bare(self._initiate))
        self.add("INITiate:CONTinuous", self._set_continuous, bare(lambda: "0"))
        self.add("ABORt", bare(self._abort))
        self.add("*TRG", bare(self._trigger))
        self.add("READ", get=bare(self._read))
        self.add("FETCh", get=bare(self._fetch))

    def _add_memory(self) -> None:
        root, most = "TRACe", self.part.reading_memory
        feeds = {"NEXT": "NEXT", "NEV": "NEV", "NEVER": "NEV"}
        self.add(
            f"{root}:POINts", self._set_points, lambda a: str(round(query_number(a, self.settings.points, 2, most)))
        )
        self.add(f"{root}:POINts:ACTual", get=bare(lambda: str(len(self._stored()))))
        self.add(
            f"{root}:FEED",
            lambda a: self._feed_source(word(a, {"SENS": "SENS", "SENSE": "SENS", "SENS1": "SENS"})),
            bare(lambda: "SENS"),
        )
        self.add(f"{root}:FEED:CONTrol", lambda a: self._set(feed=word(a, feeds)), bare(self._feed_control))
        self.add(f"{root}[:DATA]", get=bare(lambda: self.format.encode(self._stored())))
        self.add(f"{root}:CLEar", bare(self._clear_memory))

    def _add_display(self) -> None:
        self.add("DISPlay[:WINDow]:TEXT[:DATA]", lambda a: self._show(text(a)), bare(self._shown))
        self.add("DISPlay[:WINDow]:TEXT:CLEar", bare(lambda: self._show("")))

    def _set(self, **changes: object) -> None:
        for name, value in changes.items():
            setattr(self.settings, name, value)

    def _set_function(self, arguments: Sequence[Argument]) -> None:
        if text(arguments).upper() not in ("VOLT:DC", "VOLT", "VOLTAGE:DC", "VOLTAGE"):
            raise ScpiError(-224, text(arguments))

    def _set_range(self, arguments: Sequence[Argument]) -> None:
        volts = number(arguments, -RANGES_V[-1], RANGES_V[-1], "V", 10.0)
        self._set(range_v=next(r for r in RANGES_V if r >= abs(volts) * (1 - 1e-9)), autorange=False)

    def _set_autorange(self, arguments: Sequence[Argument]) -> None:
        self._set(autorange=switch_state(arguments))

    def _set_aperture(self, arguments: Sequence[Argument]) -> None:
        self._set(aperture_s=number(arguments, *APERTURES_S, "S", 1 / self.line_frequency_hz))

    def _cycle_limits(self) -> tuple[float, float]:
        return APERTURES_S[0] * self.line_frequency_hz, APERTURES_S[1] * self.line_frequency_hz

    def _set_cycles(self, arguments: Sequence[Argument]) -> None:
        self._set(aperture_s=number(arguments, *self._cycle_limits(), default=1.0) / self.line_frequency_hz)

    def _set_autozero(self, arguments: Sequence[Argument]) -> None:
        # ONCE zeroes now and leaves it off; the offset that stays is part of the meter's accuracy either way.
        once = getattr(one(arguments), "text", "") == "ONCE"
        self._set(autozero=False if once else switch_state(arguments))

    def _set_impedance(self, ohm: float) -> None:
        """10 MΩ (which is truly what the board file says), or the high impedance of the low ranges."""
        nominal = [v for v in (10e6, self.part.input_resistance_ohm, HIGH_IMPEDANCE_OHM) if abs(v / ohm - 1) < 0.05]
        if not nominal:
            raise ScpiError(-224, f"{ohm:g} OHM")
        self.impedance_ohm = nominal[0]
        true_ohm = HIGH_IMPEDANCE_OHM if nominal[0] == HIGH_IMPEDANCE_OHM else self.part.input_resistance_ohm
        self.world.set_meter_resistance(true_ohm)

    def _set_line_frequency(self, arguments: Sequence[Argument]) -> None:
        hertz = number(arguments, 50.0, 60.0, "HZ")
        if hertz not in (50.0, 60.0):
            raise ScpiError(-224, f"{hertz:g}")
        self.line_frequency_hz = hertz

    def _set_timer(self, arguments: Sequence[Argument]) -> None:
        seconds = number(arguments, self.part.fastest_interval_s, 3600.0, "S", 1e-3)
        self._set(timer_s=round(seconds, 6))  # the timer counts microseconds

    def _set_continuous(self, arguments: Sequence[Argument]) -> None:
        if switch_state(arguments):
            raise ScpiError(-221, "INIT:CONT ON is not available")

    def _set_points(self, arguments: Sequence[Argument]) -> None:
        self._set(points=integer(arguments, 2, self.part.reading_memory))
        self._clear_memory()

    def _feed_source(self, source: str) -> None:
        """Only the sensor can feed the memory; word() has refused everything else."""

    def _feed_control(self) -> str:
        self._stored()
        return self.settings.feed

    def _clear_memory(self) -> None:
        self.memory = []
        self._feeding = False

    def _show(self, label: str) -> None:
        if len(label) > LONGEST_LABEL:
            raise ScpiError(-222, f"{len(label)} characters, at most {LONGEST_LABEL}")
        self.world.set_label(label)

    def _shown(self) -> str:
        return '"' + self.world.label.replace('"', '""') + '"'

    def _initiate(self) -> None:
        if self.pending_until() is not None:
            raise ScpiError(-213)
        self._update()
        settings, part = self.settings, self.part
        duration_s = self.aperture_s * (2 if settings.autozero else 1)
        interval_s = self._interval(duration_s)
        first_s = self.now_s + on_grid(part.arming_time_s + settings.delay_s)
        count = 0 if settings.trigger == "BUS" else settings.count
        self._acquisition = Acquisition(
            total=settings.count,
            origin_s=first_s,
            after_s=np.arange(count, dtype=np.float64) * interval_s * (1 + part.timebase_error),
            aperture_s=self.aperture_s,
            duration_s=duration_s,
            range_v=RANGES_V[-1] if settings.autorange else settings.range_v,
            noise_v=self._pickup.noise(settings.count, self.aperture_s),
            hum_phase=float(self.world.chance_of_next("hum phase").uniform(0, 2 * math.pi)),
        )
        self._feeding = settings.feed == "NEXT"
        if self._feeding:
            self.memory = []
        self.world.keep_from("meter", first_s)

    def _interval(self, duration_s: float) -> float:
        """Seconds between readings. Raises ScpiError −221 where the timer leaves no time for one."""
        if self.settings.trigger != "TIM":
            return max(duration_s, self.part.fastest_interval_s)
        if self.settings.count == 1:
            return self.settings.timer_s
        if duration_s > self.settings.timer_s * (1 + 1e-9):
            raise ScpiError(-221, f"a reading takes {duration_s:g} s, TRIG:TIM is {self.settings.timer_s:g} s")
        if self.settings.autorange and self.settings.timer_s < AUTORANGE_TIME_S:
            raise ScpiError(-221, f"autorange needs {AUTORANGE_TIME_S:g} s, TRIG:TIM is {self.settings.timer_s:g} s")
        return self.settings.timer_s

    def _trigger(self) -> None:
        acquisition = self._acquisition
        if self.pending_until() != math.inf or acquisition is None:
            raise ScpiError(-211)
        after_s = self.now_s - acquisition.origin_s
        if len(acquisition.after_s) and acquisition.after_s[-1] + acquisition.duration_s > after_s:
            raise ScpiError(-211)
        acquisition.after_s = np.append(acquisition.after_s, after_s + on_grid(self.settings.delay_s))

    def _abort(self) -> None:
        self._update()
        if self._acquisition is not None and self.pending_until() is not None:
            self._acquisition.aborted = True
        self.world.keep_from("meter", None)

    def _read(self) -> Waiting:
        self._abort()
        self._initiate()
        return self._fetch()

    def _fetch(self) -> Waiting:
        acquisition = self._acquisition
        if acquisition is None or acquisition.aborted:
            raise ScpiError(-230)
        while not acquisition.aborted and (until := self.pending_until()) is not None:
            yield until
        self._update()
        if acquisition.aborted or acquisition is not self._acquisition:
            raise ScpiError(-230)
        return self.format.encode(acquisition.values)

    def _stored(self) -> list[float]:
        self._update()
        return self.memory

    def _update(self) -> None:
        """Compute the readings that are complete by now, and put them into the memory where it is fed."""
        acquisition = self._acquisition
        if acquisition is None or acquisition.aborted:
            return
        have, complete = len(acquisition.values), acquisition.complete(self.now_s)
        if complete > have:
            fresh = self._pickup.readings(acquisition, slice(have, complete))
            acquisition.values.extend(fresh)
            if self._feeding:
                self.memory.extend(fresh[: self.settings.points - len(self.memory)])
        done = complete == acquisition.total
        if self._feeding and (done or len(self.memory) >= self.settings.points):
            self._feeding, self.settings.feed = False, "NEV"
        if done:
            self.world.keep_from("meter", None)
        elif complete < len(acquisition.after_s):
            self.world.keep_from("meter", acquisition.origin_s + float(acquisition.after_s[complete]) - ROUNDED_S)
