"""When the bus is looked at: before the first trial and after the last, resistors too, and at each change of pin."""

from __future__ import annotations

from drivers.bench import Bench
from drivers.errors import WiringError
from procedures.bus_check import RAIL_AGE_S, bus_label, check_bus
from procedures.settings import PressSettings
from results.record.trial import NO_RESISTOR, Trial


class BusWatch:
    """Looks at the bus often enough that no trial rests on a bench that was found wrong only much later."""

    def __init__(self, bench: Bench, settings: PressSettings, gone_on: bool = False) -> None:
        """`gone_on`: the run has trials from before it was resumed, which its own last look did not cover."""
        self._bench = bench
        self._settings = settings
        self._resistors = [name for name in settings.resistors if name != NO_RESISTOR]
        self._of = ""
        self._looked_s = 0.0
        self._before: Trial | None = None
        self._gone_on = gone_on
        self._whole = True

    def before(self, trial: Trial, settings: PressSettings | None = None) -> None:
        """Look where pin, rail or temperature change, and where the last look is too old. Raises WiringError.

        `settings`: those of the trial's condition, from here on.
        """
        self._settings = settings or self._settings
        old = self._bench.clock.now() - self._looked_s > RAIL_AGE_S
        if self._whole or bus_label(trial) != self._of or old:
            self._of = bus_label(trial)
            self._look(self._resistors if self._whole else [], f"before {trial.label}")
            self._before, self._whole = trial, False

    def leave(self, trial: Trial) -> None:
        """Empty the pin on the bus where another one, or another condition, comes next. One that stays latched would
        draw from the board's supply in every trial of the others. Raises BenchError."""
        if self._bench.pin is not None and bus_label(trial) != self._of:
            self._bench.discharge(self._settings.discharge_s)

    def look_again(self) -> None:
        """The bench was prepared anew: the next look takes the trial resistors too."""
        self._whole = True

    def after_the_last(self) -> None:
        """Look once more: what went wrong since the last look must not pass unseen. Raises WiringError."""
        self._look(self._resistors, "after the last trial")

    def _look(self, resistors: list[str], when: str) -> None:
        self._bench.deselect()
        # A label of its own, and the same whenever it is looked: what a run sees there is no matter of when.
        self._bench.label(self._of)
        try:
            check_bus(self._bench, self._settings, resistors)
        except WiringError as exc:
            since = "; what was measured before the run was resumed is in doubt too" if self._gone_on else ""
            if self._before is not None:
                since = f"; last found in order before {self._before.label}, whatever was measured since is in doubt"
            raise WiringError(f"{exc} (found {when}{since})") from exc
        self._looked_s = self._bench.clock.now()
