"""The limits of a bench, which no plan exceeds. Checks are pure: no I/O, and before anything is sent."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from drivers.errors import LimitError

MINUTE_S = 60.0


@dataclass(frozen=True)
class Limits:
    """Volts, amperes, seconds and presses a minute.

    `voltage_v`: of either sign. `current_a`: compliance of the source. `press_current_a`: what a press through the
    press resistor would drive into a pin that holds 0 V (an input set as output by mistake). `press_time_s`: bench
    seconds that a pin stays pressed. `presses_per_minute` is None where nobody limits them.
    """

    voltage_v: float = 5.5
    current_a: float = 1e-3
    press_time_s: float = 10.0
    presses_per_minute: float | None = None
    press_current_a: float = 20e-3

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

    def wait_before_press(self, presses_s: Sequence[float], now_s: float) -> float:
        """Bench seconds to wait so that no minute holds more presses than allowed.

        `presses_s`: when the presses so far were made, ascending. 0 where nothing limits them.
        """
        if self.presses_per_minute is None:
            return 0.0
        # Below one a minute: one press in a longer window keeps the same rate.
        allowed = max(1, math.floor(self.presses_per_minute))
        window_s = MINUTE_S * max(1.0, 1.0 / self.presses_per_minute)
        if len(presses_s) < allowed:
            return 0.0
        return max(0.0, presses_s[-allowed] + window_s - now_s)
