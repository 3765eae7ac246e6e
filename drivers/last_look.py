"""The bus, read once everything is open: a query tells what drives a relay's coil, the bus what its contact does.

What it can tell: whether anything drives the bus, a welded press, rail or source relay say. What it cannot: a hold
relay (it is not on the bus), a press relay that leads to ground (the bus rests there anyway), a source that forces 0 V,
and anything at all where the meter's input of gigaohms or a person's clip holds the bus where it is.
"""

from __future__ import annotations

import math
import threading

from drivers.clock import Clock
from drivers.errors import BenchError, InstrumentError, LinkError
from drivers.free_bus import FREE_V
from drivers.making_safe import awake
from drivers.meter import Meter
from drivers.ways_to_rail import BUS_FALL_S, FALLS_BELOW_OHM
from drivers.wiring import End

LOOK_S = 3.0
"""Real seconds that the meter may take; then the supply goes off without it."""


class LastLook:
    """One reading of the bus, between the relays and the supply. Never raises.

    `bare`: whether nothing is on the bus that only a person can take off.
    """

    def __init__(
        self, *, meter: Meter, clock: Clock, settle_s: float, meter_input_ohm: float | None, bare: bool, press_to: End
    ) -> None:
        self.volts: float | None = None
        """As read; NaN where it is beyond the meter's range, None where it was not read."""
        self.not_told = ""
        """Why the bus tells nothing; empty where it does."""
        self._meter = meter
        self._clock = clock
        self._settle_s = settle_s
        self._press_to = press_to
        if math.isnan(meter.aperture_s):
            self.not_told = "the meter was never prepared"
        elif not bare:
            self.not_told = "only a person can take off what is on the bus"
        elif meter_input_ohm is None or meter_input_ohm > FALLS_BELOW_OHM:
            self.not_told = "the meter's input does not bring the bus down by itself"

    def take(self) -> None:
        """Read the bus, within LOOK_S. What comes later counts no more: the rail may be off by then."""
        if self.not_told:
            return
        found: list[float | str] = []
        thread = threading.Thread(target=lambda: found.append(self._read()), name="last look", daemon=True)
        try:
            thread.start()
            thread.join(LOOK_S)
        except (RuntimeError, MemoryError):
            found.append("no thread was to be had for the meter")
        taken = found[0] if found else f"the meter did not answer within {LOOK_S:g} s"
        if isinstance(taken, str):
            self.not_told = taken
        else:
            self.volts = taken

    def problem(self, *, opened: bool, power_is_off: bool) -> str:
        """What is wrong with the bus, empty where nothing is known to be. `opened`: every relay reports open."""
        if self.volts is None or abs(self.volts) <= FREE_V:
            return ""
        reads = "is beyond the meter's range" if math.isnan(self.volts) else f"reads {_text(self.volts)}"
        why = ": it is still driven"
        if opened:
            why = " after every relay reports open: a contact is welded, or something else drives the bus"
        then = "the supply of the unit was switched off" if power_is_off else "take the rail away from the unit"
        return f"bus: {reads}{why}; {then}"

    def proof(self) -> str:
        """What the bus told, for a person; why it told nothing where it did not."""
        if self.volts is None:
            return f"not proven at the contacts: {self.not_told}"
        if self._press_to == "ground":
            return f"the bus reads {_text(self.volts)}, which tells nothing of a press relay to ground"
        return f"the bus reads {_text(self.volts)}"

    def _read(self) -> float | str:
        try:
            awake(self._meter.instrument)
            self._clock.settle(self._settle_s + BUS_FALL_S)
            return self._meter.read()
        except (LinkError, InstrumentError) as exc:
            return f"the meter could not be read: {exc}"
        except BenchError:
            return math.nan  # an overload: the bus is beyond the range, and so not at 0 V
        except Exception as exc:  # noqa: BLE001 - whatever it is, making safe goes on
            return f"the meter could not be read: {type(exc).__name__}: {exc}"


def _text(volts: float) -> str:
    return f"{round(volts, 3) + 0.0:.3f} V"  # no -0.000
