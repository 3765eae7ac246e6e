"""The rail of the board: steady, or ramping after its supply; and whether the unit is up by it."""

from __future__ import annotations

from drivers.simulated.agenda import Agenda, Change
from drivers.simulated.circuit import Drive, Wiring
from drivers.simulated.clock import on_grid

RAIL = "the rail"

RAIL_STEPS = 16
"""A rail that ramps goes in so many steps: the circuit is constant between two events."""

SAME_V = 1e-6
"""A rail that would move by less stays where it is."""


class Power:
    """Volts and bench seconds."""

    def __init__(self, agenda: Agenda, wiring: Wiring) -> None:
        self._agenda = agenda
        self._wiring = wiring
        self._rail = Drive("voltage", to_v=wiring.rail_v)
        self._up_s = 0.0
        self._supplied_v = wiring.rail_v

    def set(self, volts: float, over_s: float, now_s: float) -> bool:
        """The rail goes to `volts` within `over_s`. Returns whether the unit comes up by it, its pins at defaults."""
        self._agenda.forget(RAIL, now_s)
        from_v, was_up = self.volts(now_s), self.is_up(now_s)
        end_s = now_s + on_grid(over_s)
        self._rail = Drive("voltage", from_v, volts, now_s, end_s)
        for step in range(1, RAIL_STEPS + 1) if over_s > 0 else [RAIL_STEPS]:
            share = step / RAIL_STEPS
            # The last one exactly: where the rail ends must not depend on where it came from.
            to_v = volts if step == RAIL_STEPS else from_v + (volts - from_v) * share
            due_s = now_s + on_grid(over_s * share)
            self._agenda.put(due_s, self._supplying(to_v), contact=RAIL, touched=tuple(self._wiring.pins))
        if volts < self._wiring.board.unit.brownout_v or was_up:
            return False
        self._up_s = end_s
        return self._up_s > 0

    def volts(self, now_s: float) -> float:
        """The rail now: as supplied, or as fed by something else where that is higher."""
        supplied_v = self._rail.volts(now_s)
        return self._wiring.rail_v if self._wiring.rail_v > self._supplied_v else supplied_v

    def fed(self, now_s: float) -> Change | None:
        """What changes the rail now, since something feeds it, or feeds it no more; None where nothing does."""
        if self._wiring.board.supply is None:
            return None
        rail_v = max(self._supplied_v, self._wiring.fed_v(now_s, self._supplied_v))
        if abs(rail_v - self._wiring.rail_v) <= SAME_V:
            return None
        return lambda: setattr(self._wiring, "rail_v", rail_v)

    def _supplying(self, volts: float) -> Change:
        def change() -> None:
            self._supplied_v = volts
            self._wiring.rail_v = volts

        return change

    def is_up(self, now_s: float) -> bool:
        """Whether the unit has power."""
        return self._wiring.board.supply is None or self.volts(now_s) >= self._wiring.board.unit.brownout_v

    def booted_s(self) -> float:
        """When the unit was, or will be, up after its power came."""
        return self._up_s + on_grid(self._wiring.board.unit.boot_time_s) if self._up_s > 0 else 0.0
