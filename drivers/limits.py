"""The limits of a bench, which no plan exceeds. Checks are pure: no I/O, and before anything is sent."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from drivers.errors import LimitError

MINUTE_S = 60.0


@dataclass(frozen=True)
class Limits:
    """Volts, amperes, seconds, presses and relay cycles.

    `voltage_v`: of either sign. `current_a`: compliance of the source. `press_current_a`: what a press through the
    press resistor would drive into a pin that holds 0 V (an input set as output by mistake). `press_time_s`: bench
    seconds that a pin stays pressed. `presses_per_minute` is None where nobody limits them.

    `above_rail_v`: how far a source may force a pin above the rail as just measured, and below 0 V. `powered_share`:
    a board whose rail measures less than this share of what it is set to is not powered. `rail_age_s`: bench seconds
    for which a reading of the rail counts as just made. `relay_cycles_per_minute` (of each contact) and `contact_life`
    (closings) are None where nobody limits them; `contact_lives`: that of single contacts, "relay_board 1" say.
    """

    voltage_v: float = 5.5
    current_a: float = 1e-3
    press_time_s: float = 10.0
    presses_per_minute: float | None = None
    press_current_a: float = 20e-3
    above_rail_v: float = 0.3
    powered_share: float = 0.9
    rail_age_s: float = 60.0
    relay_cycles_per_minute: float | None = None
    contact_life: int | None = None
    contact_lives: Mapping[str, int] = field(default_factory=dict)

    def check_voltage(self, what: str, voltage_v: float) -> None:
        """Raises LimitError if the voltage is beyond the limit or not a number."""
        if not abs(voltage_v) <= self.voltage_v:
            raise LimitError(f"{what}: {voltage_v:.4g} V is beyond limits.voltage of {self.voltage_v:.4g} V")

    def check_current(self, what: str, current_a: float) -> None:
        """Raises LimitError if a source's current is beyond the limit or not a number."""
        if not abs(current_a) <= self.current_a:
            raise LimitError(
                f"{what}: {current_a * 1e3:.4g} mA is beyond limits.current of {self.current_a * 1e3:.4g} mA"
            )

    def check_press_resistor(self, what: str, level_v: float, ohm: float | None) -> None:
        """Raises LimitError if a pin that holds 0 V would draw too much through the press resistor (Ohm's law)."""
        current_a = abs(level_v) / ohm if ohm else math.inf
        if not current_a <= self.press_current_a:
            raise LimitError(
                f"{what}: {level_v:.4g} V through {ohm or 0:.4g} Ω could drive {current_a * 1e3:.4g} mA, "
                f"beyond limits.press_current of {self.press_current_a * 1e3:.4g} mA"
            )

    def check_press_time(self, what: str, seconds: float) -> None:
        """Raises LimitError if a pin would be, or has been, pressed for too long."""
        if not 0.0 <= seconds <= self.press_time_s:
            raise LimitError(f"{what}: {seconds:.4g} s is not within limits.press_time of {self.press_time_s:.4g} s")

    def life_of(self, contact: str) -> int | None:
        """The closings that this contact may make in its life; None where nobody limits them."""
        return self.contact_lives.get(contact, self.contact_life)

    def wait_before_press(self, presses_s: Sequence[float], now_s: float) -> float:
        """Bench seconds to wait so that no minute holds more presses than allowed.

        `presses_s`: when the presses so far were made, ascending. 0 where nothing limits them.
        """
        return _wait_s(self.presses_per_minute, presses_s, now_s)

    def wait_before_cycle(self, closings_s: Sequence[float], now_s: float) -> float:
        """The same for one contact, whose closings so far were at `closings_s`."""
        return _wait_s(self.relay_cycles_per_minute, closings_s, now_s)


def _wait_s(per_minute: float | None, times_s: Sequence[float], now_s: float) -> float:
    if per_minute is None:
        return 0.0
    # Below one a minute: one in a longer window keeps the same rate.
    allowed = max(1, math.floor(per_minute))
    if len(times_s) < allowed:
        return 0.0
    return max(0.0, times_s[-allowed] + window_s(per_minute) - now_s)


def window_s(per_minute: float | None) -> float:
    """The bench seconds in which a rate is counted: a minute, or longer where less than one a minute is allowed."""
    return MINUTE_S if per_minute is None else MINUTE_S * max(1.0, 1.0 / per_minute)
