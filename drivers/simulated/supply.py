"""The simulated power supply of the board: it sets the world's rail, gives way at its current limit, and measures both.

The current is what the unit draws: its quiescent current (a conductance), what its inputs take from the rail, and what
goes through the press and rail relays into the bus. The limit acts on the quiescent part alone, when something is set.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from drivers.simulated.board_file import SupplyPart
from drivers.simulated.clock import on_grid
from drivers.simulated.instrument import Instrument
from drivers.simulated.output_watchdog import OutputWatchdog
from drivers.simulated.parameter import Handler, Waiting, bare, number, query_number, switch_state
from drivers.simulated.randomness import generator
from drivers.simulated.response import number_text
from drivers.simulated.world import World

MOST_V = 30.0
MOST_A = 3.0
APERTURE_S = 0.02
"""How long a reading takes; it is what flows at its end."""


@dataclass
class Settings:
    """What *RST sets; volts, amperes."""

    level_v: float = 0.0
    limit_a: float = 0.1
    protection_v: float = MOST_V
    output: bool = False


class Supply(Instrument):
    """SCPI power supply with one output, joined to the unit's rail."""

    def __init__(self, world: World, identity: str, part: SupplyPart) -> None:
        super().__init__(world, identity)
        self.part = part
        self.settings = Settings(level_v=world.board.rail.voltage_v if part.on else 0.0, output=part.on)
        chance = generator(world.seed, "", "supply accuracy")
        self._gain_v = 1 + part.gain_error * float(chance.uniform(-1, 1))
        self._gain_a = 1 + part.gain_error_a * float(chance.uniform(-1, 1))
        self._offset_a = part.offset_error_a * float(chance.uniform(-1, 1))
        self._target_v = world.rail_v()
        self._watchdog = OutputWatchdog(self, "supply", lambda: self._set("output", False))
        self._add_output()
        self.add("MEASure[:SCALar]:VOLTage[:DC]", get=self._measuring(self._volts))
        self.add("MEASure[:SCALar]:CURRent[:DC]", get=self._measuring(self._ampere))

    def heard(self) -> None:
        self._watchdog.heard()

    def reset(self) -> None:
        self._watchdog.reset()
        self.settings = Settings()
        self._drive()

    def _add_output(self) -> None:
        self.add(
            "OUTPut[:STATe]",
            lambda a: self._set("output", switch_state(a)),
            bare(lambda: str(int(self.settings.output))),
        )
        levels = (
            ("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", "level_v", MOST_V, "V"),
            ("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", "limit_a", MOST_A, "A"),
            ("[SOURce:]VOLTage:PROTection[:LEVel]", "protection_v", MOST_V * 1.1, "V"),
        )
        for pattern, name, most, unit in levels:
            self.add(pattern, self._setter(name, most, unit), self._getter(name, most))

    def _setter(self, name: str, most: float, unit: str) -> Handler:
        return lambda a: self._set(name, number(a, 0.0, most, unit))

    def _getter(self, name: str, most: float) -> Handler:
        return lambda a: number_text(query_number(a, getattr(self.settings, name), 0.0, most))

    def _set(self, name: str, value: object) -> None:
        setattr(self.settings, name, value)
        if self.settings.level_v > self.settings.protection_v:
            self.settings.output = False  # the protection trips, and the output reads back off
        self._drive()

    def _drive(self) -> None:
        """Hand to the world where the rail goes from now on."""
        target_v = self.settings.level_v * self._gain_v if self.settings.output else 0.0
        load_s = self.world.quiescent_s()
        if load_s > 0 and target_v * load_s > self.settings.limit_a:
            target_v = self.settings.limit_a / load_s
        # Not where the rail is: at the very instant of a new target it has not left the old one yet.
        if target_v != self._target_v:
            self._target_v = target_v
            self.world.set_rail(target_v, abs(target_v - self.world.rail_v()) / self.part.slew_v_per_s)

    def _measuring(self, quantity: Callable[[], float]) -> Handler:
        def measure() -> Waiting:
            ready_s = self.now_s + on_grid(APERTURE_S)
            while self.now_s < ready_s:
                yield ready_s
            return number_text(quantity())

        return bare(measure)

    def _volts(self) -> float:
        return self.world.rail_v()

    def _ampere(self) -> float:
        ampere = self.world.rail_ampere() if self.settings.output else 0.0
        noise = float(self.world.chance_of_next("supply noise").standard_normal())
        return ampere * self._gain_a + self._offset_a + self.part.noise_a * noise
