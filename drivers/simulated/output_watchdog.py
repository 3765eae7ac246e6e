"""The output watchdog of a simulated instrument: it hears nothing for so long, and its output goes off by itself.

    OUTPut:PROTection:WATChdog <seconds>     armed anew, and no longer tripped; 0: off, as after *RST
    OUTPut:PROTection:WATChdog?              the seconds
    OUTPut:PROTection:WATChdog:TRIPped?      1 where it has switched the output off since it was armed

Every message feeds it. Seconds of bench time.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from drivers.simulated.clock import on_grid
from drivers.simulated.command import Argument
from drivers.simulated.instrument import Instrument
from drivers.simulated.parameter import bare, number, query_number
from drivers.simulated.response import number_text

MOST_S = 3600.0


class OutputWatchdog:
    """Watches over one instrument; `trip` switches its output off."""

    def __init__(self, instrument: Instrument, name: str, trip: Callable[[], None]) -> None:
        self._world = instrument.world
        self._name = name
        self._trip = trip
        self._seconds = 0.0
        self._tripped = False
        root = "OUTPut:PROTection:WATChdog"
        instrument.add(root, self._arm, lambda a: number_text(query_number(a, self._seconds, 0.0, MOST_S)))
        instrument.add(f"{root}:TRIPped", get=bare(lambda: str(int(self._tripped))))

    def reset(self) -> None:
        """Off."""
        self._seconds, self._tripped = 0.0, False
        self.heard()

    def heard(self) -> None:
        """A message has come: from here it waits anew."""
        until_s = self._world.now_s + on_grid(self._seconds) if self._seconds > 0 and not self._tripped else None
        self._world.set_timer(self._name, until_s, self._went_off)

    def _arm(self, arguments: Sequence[Argument]) -> None:
        self._seconds, self._tripped = number(arguments, 0.0, MOST_S, "S"), False
        self.heard()

    def _went_off(self) -> None:
        self._tripped = True
        self._trip()
