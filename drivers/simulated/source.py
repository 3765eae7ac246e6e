"""The simulated source-measure unit: compliance, and an off state that may hold the node.

Output off is one of three things (OUTPut:SMODe): HIMP disconnects; ZERO drives 0 V at once; NORM, the default
after *RST and at power-up, ramps down through what lies between and then holds 0 V. Only HIMP lets go of a node.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drivers.simulated.circuit import Drive
from drivers.simulated.clock import on_grid
from drivers.simulated.command import Argument
from drivers.simulated.instrument import Instrument
from drivers.simulated.output_watchdog import OutputWatchdog
from drivers.simulated.parameter import Handler, Waiting, bare, number, query_number, switch_state, texts, word
from drivers.simulated.randomness import generator
from drivers.simulated.response import number_text
from drivers.simulated.scpi_error import ScpiError
from drivers.simulated.segment import Floats
from drivers.simulated.world import World

MOST_V = 20.0
MOST_A = 0.1
LEAST_PROTECTION_A = 1e-9
RANGES_V = (0.2, 2.0, 20.0)
RANGES_A = (1e-6, 1e-5, 1e-4, 1e-3, 1e-2, 1e-1)
SLICES = 16
"""A reading looks at the node in this many parts, so that compliance within it shows in the mean current."""


@dataclass
class Settings:
    """What *RST sets; volts, amperes, seconds. `off_mode`: NORM, ZERO or HIMP."""

    function: str = "VOLT"
    level_v: float = 0.0
    level_a: float = 0.0
    range_v: float = 20.0
    range_a: float = 1e-1
    protection_a: float = 1e-4
    protection_v: float = 20.0
    output: bool = False
    off_mode: str = "NORM"
    sense: tuple[str, ...] = ("VOLT:DC", "CURR:DC")
    concurrent: bool = True
    aperture_s: float = 1e-3


class Source(Instrument):
    """SCPI source-measure unit, two-terminal. It reaches the node through the `source` contact only."""

    def __init__(self, world: World, identity: str) -> None:
        super().__init__(world, identity)
        self.settings = Settings()
        self._present = Drive()
        self._reading_until_s: float | None = None
        self._last: list[float] | None = None
        chance = generator(world.seed, "", "source accuracy")
        self._gain_v, self._gain_a = (1 + world.board.source.gain_error * float(e) for e in chance.uniform(-1, 1, 2))
        self._offset_a = world.board.source.offset_error_a * float(chance.uniform(-1, 1))
        self.add_format()
        self._watchdog = OutputWatchdog(self, "source", self._trip)
        self._add_output()
        self._add_level("VOLTage", "level_v", "range_v", MOST_V, RANGES_V, "V")
        self._add_level("CURRent", "level_a", "range_a", MOST_A, RANGES_A, "A")
        self._add_sense()
        self._drive()

    def heard(self) -> None:
        self._watchdog.heard()

    def _trip(self) -> None:
        """The watchdog opens the output relay, whatever off means else."""
        self.settings.off_mode = "HIMP"
        self._set("output", False)

    def reset(self) -> None:
        self._watchdog.reset()
        self.settings = Settings()
        self._reading_until_s = None
        self._last = None
        self._drive()

    def condition(self) -> int:
        return 0 if self.pending_until() is None else 16

    def pending_until(self) -> float | None:
        until = self._reading_until_s
        return None if until is None or until <= self.now_s else until

    def _add_output(self) -> None:
        modes = {"HIMP": "HIMP", "HIMPEDANCE": "HIMP", "NORM": "NORM", "NORMAL": "NORM", "ZERO": "ZERO"}
        functions = {"VOLT": "VOLT", "VOLTAGE": "VOLT", "CURR": "CURR", "CURRENT": "CURR"}
        self.add("OUTPut[:STATe]", lambda a: self._set("output", switch_state(a)), self._flag("output"))
        self.add("OUTPut:SMODe", lambda a: self._set("off_mode", word(a, modes)), bare(lambda: self.settings.off_mode))
        self.add(
            "[SOURce:]FUNCtion[:MODE]",
            lambda a: self._set("function", word(a, functions)),
            bare(lambda: self.settings.function),
        )

    def _flag(self, name: str) -> Handler:
        return bare(lambda: str(int(getattr(self.settings, name))))

    def _add_level(self, root: str, level: str, range_: str, most: float, ranges: tuple[float, ...], unit: str) -> None:
        def set_level(arguments: Sequence[Argument]) -> None:
            value = number(arguments, -most, most, unit, 0.0)
            if abs(value) > getattr(self.settings, range_) * 1.05:
                raise ScpiError(-222, f"{value:g} {unit} on the range {getattr(self.settings, range_):g} {unit}")
            self._set(level, value)

        def set_range(arguments: Sequence[Argument]) -> None:
            value = abs(number(arguments, -most, most, unit, most))
            setattr(self.settings, range_, next(r for r in ranges if r >= value * (1 - 1e-9)))

        self.add(
            f"[SOURce:]{root}[:LEVel][:IMMediate][:AMPLitude]",
            set_level,
            lambda a: number_text(query_number(a, getattr(self.settings, level), -most, most)),
        )
        self.add(
            f"[SOURce:]{root}:RANGe",
            set_range,
            lambda a: number_text(query_number(a, getattr(self.settings, range_), ranges[0], most)),
        )
        self.add(f"[SOURce:]{root}:RANGe:AUTO", self._no_autorange, bare(lambda: "0"))

    def _no_autorange(self, arguments: Sequence[Argument]) -> None:
        if switch_state(arguments):
            raise ScpiError(-221, "the source has no autorange")

    def _add_sense(self) -> None:
        limits = {
            "CURRent": ("protection_a", LEAST_PROTECTION_A, MOST_A, "A"),
            "VOLTage": ("protection_v", 0.02, MOST_V, "V"),
        }
        for root, (name, low, high, unit) in limits.items():
            self._add_protection(f"SENSe:{root}[:DC]:PROTection", name, low, high, unit)
        self.add(
            "SENSe:FUNCtion:CONCurrent", lambda a: self._set("concurrent", switch_state(a)), self._flag("concurrent")
        )
        self.add("SENSe:FUNCtion[:ON]", self._set_sense, bare(lambda: ",".join(f'"{f}"' for f in self.settings.sense)))
        for root in ("SENSe:CURRent[:DC]:APERture", "SENSe:VOLTage[:DC]:APERture"):
            self.add(
                root,
                lambda a: self._set("aperture_s", number(a, 20e-6, 1.0, "S", 1e-3)),
                lambda a: number_text(query_number(a, self.settings.aperture_s, 20e-6, 1.0)),
            )
        self.add("READ", get=bare(self._read))
        self.add("INITiate[:IMMediate]", bare(self._initiate))
        self.add("FETCh", get=bare(self._fetch))
        self.add("ABORt", bare(self._abort))

    def _add_protection(self, root: str, name: str, low: float, high: float, unit: str) -> None:
        self.add(
            f"{root}[:LEVel]",
            lambda a: self._set(name, number(a, low, high, unit)),
            lambda a: number_text(query_number(a, getattr(self.settings, name), low, high)),
        )
        limiting = "VOLT" if unit == "A" else "CURR"
        self.add(f"{root}:TRIPped", get=bare(lambda: str(int(self.settings.function == limiting and self._limiting()))))

    def _set_sense(self, arguments: Sequence[Argument]) -> None:
        names = {"VOLT": "VOLT:DC", "VOLT:DC": "VOLT:DC", "CURR": "CURR:DC", "CURR:DC": "CURR:DC"}
        asked = [t.upper().replace("VOLTAGE", "VOLT").replace("CURRENT", "CURR") for t in texts(arguments)]
        for name in asked:
            if name not in names:
                raise ScpiError(-224, name)
        chosen = {names[name] for name in asked}
        self.settings.sense = tuple(name for name in ("VOLT:DC", "CURR:DC") if name in chosen)

    def _set(self, name: str, value: object) -> None:
        setattr(self.settings, name, value)
        if name not in ("concurrent", "aperture_s"):
            self._drive(turned_off=name == "output" and value is False)

    def _drive(self, turned_off: bool = False) -> None:
        """Hand to the world what the terminals do from now on."""
        settings, part, now_s = self.settings, self.world.board.source, self.now_s
        before = self._present
        present_v = before.volts(now_s) if before.kind == "voltage" else 0.0
        if settings.output and settings.function == "CURR":
            drive = Drive("current", to_v=settings.protection_v, limit=settings.level_a)
        elif not settings.output and settings.off_mode == "HIMP":
            drive = Drive()
        else:
            target_v = settings.level_v if settings.output else 0.0
            seconds = abs(target_v - present_v) / part.slew_v_per_s
            if turned_off and settings.off_mode == "NORM":
                seconds = part.off_ramp_s
            drive = Drive("voltage", present_v, target_v, now_s, now_s + on_grid(seconds), settings.protection_a)
        if (before.kind, before.to_v, before.limit) != (drive.kind, drive.to_v, drive.limit):
            self._present = drive
            self.world.set_drive(drive)

    def _limiting(self) -> bool:
        """Whether the limit holds the output back at this instant."""
        if not self.settings.output:
            return False
        drive = self._present
        ampere = self.world.source_currents(self.now_s, [0.0], [self.world.bus_v()])[0]
        if drive.kind == "voltage":
            return abs(ampere) >= drive.limit * (1 - 1e-6)
        return abs(ampere) < abs(drive.limit) * (1 - 1e-6)

    def _initiate(self) -> None:
        if self.pending_until() is not None:
            raise ScpiError(-213)
        if not self.settings.output:
            raise ScpiError(-221, "the output is off")
        self.world.keep_from("source", self.now_s)
        self._last = None
        self._reading_until_s = self.now_s + on_grid(self.settings.aperture_s)

    def _abort(self) -> None:
        self._reading_until_s = None
        self.world.keep_from("source", None)

    def _read(self) -> Waiting:
        self._abort()
        self._initiate()
        return self._fetch()

    def _fetch(self) -> Waiting:
        until = self._reading_until_s
        if until is None:
            raise ScpiError(-230)
        while (pending := self.pending_until()) is not None:
            yield pending
        if self._reading_until_s != until:
            raise ScpiError(-230)
        if self._last is None:
            self._last = self._measure(until - on_grid(self.settings.aperture_s))
            self.world.keep_from("source", None)
        return self.format.encode(self._last)

    def _measure(self, start_s: float) -> list[float]:
        """Terminal voltage and current into the node, means over the aperture, of what is sensed."""
        part = self.world.board.source
        width_s = self.settings.aperture_s / SLICES
        after_s: Floats = width_s * np.arange(SLICES, dtype=np.float64)
        middles_s = (after_s + width_s / 2).tolist()
        node_v = self.world.means(start_s, after_s, width_s, meter=False).tolist()
        ampere = self.world.source_currents(start_s, middles_s, node_v)
        volts = self.world.source_volts(start_s, middles_s, node_v)
        noise = self.world.chance_of_next("source noise").standard_normal(2)
        measured = {
            "VOLT:DC": math.fsum(volts) / len(volts) * self._gain_v + part.noise_v * float(noise[0]),
            "CURR:DC": math.fsum(ampere) / len(ampere) * self._gain_a + self._offset_a + part.noise_a * float(noise[1]),
        }
        sensed = self.settings.sense if self.settings.concurrent else self.settings.sense[-1:]
        return [measured[name] for name in sensed]
