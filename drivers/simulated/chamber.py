"""The simulated temperature chamber: the board follows what is set with one time constant, and the room when it is off.

The world's temperature goes in steps, because the circuit is constant between two events; what is read goes smoothly.
"""

from __future__ import annotations

import math

from drivers.simulated.board_file import ChamberPart
from drivers.simulated.clock import on_grid
from drivers.simulated.instrument import Instrument
from drivers.simulated.parameter import bare, number, query_number, switch_state
from drivers.simulated.response import number_text
from drivers.simulated.world import World

KELVIN = 273.15
LOWEST_C, HIGHEST_C = -70.0, 200.0
STEPS_A_TIME_CONSTANT = 3
TIME_CONSTANTS = 8


class Chamber(Instrument):
    """SCPI chamber with one sensor."""

    def __init__(self, world: World, identity: str, part: ChamberPart) -> None:
        super().__init__(world, identity)
        self.part = part
        self.room_c = world.board.temperature_k - KELVIN
        self.level_c = self.room_c
        self.runs = False
        self._from_c = self._to_c = self.room_c
        self._since_s = 0.0
        self.add(
            "[SOURce:]TEMPerature[:LEVel][:IMMediate][:AMPLitude]",
            lambda a: self._set(level_c=number(a, LOWEST_C, HIGHEST_C, "CEL")),
            lambda a: number_text(query_number(a, self.level_c, LOWEST_C, HIGHEST_C)),
        )
        self.add("OUTPut[:STATe]", lambda a: self._set(runs=switch_state(a)), bare(lambda: str(int(self.runs))))
        self.add("MEASure[:SCALar]:TEMPerature", get=bare(lambda: number_text(self.now_c())))

    def reset(self) -> None:
        self._set(level_c=self.room_c, runs=False)

    def now_c(self) -> float:
        """The temperature now: from where it stood to where it goes, exponentially."""
        past = (self.now_s - self._since_s) / self.part.time_constant_s
        return self._after(past)

    def _after(self, past: float) -> float:
        """After so many time constants: at the end of the course the very temperature, wherever it came from."""
        if past >= TIME_CONSTANTS:
            return self._to_c
        return self._to_c + (self._from_c - self._to_c) * math.exp(-past)

    def _set(self, *, level_c: float | None = None, runs: bool | None = None) -> None:
        self.level_c = self.level_c if level_c is None else level_c
        self.runs = self.runs if runs is None else runs
        target_c = self.level_c if self.runs else self.room_c
        if target_c == self._to_c:
            return
        self._from_c, self._to_c, self._since_s = self.now_c(), target_c, self.now_s
        course = []
        for step in range(1, TIME_CONSTANTS * STEPS_A_TIME_CONSTANT + 1):
            past = step / STEPS_A_TIME_CONSTANT
            course.append((self.now_s + on_grid(past * self.part.time_constant_s), self._after(past) + KELVIN))
        self.world.set_temperature_course(course)
