"""Find the lowest level that a pin must be pressed to before it latches: by the source, in ever smaller steps."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from drivers.bench import Bench
from drivers.errors import WiringError
from procedures.errors import ProcedureError
from procedures.latching import Held, Start, made_ready, observed
from procedures.looks import Looks
from procedures.press_release import level_while_held, rail_before, read_pin
from procedures.settings import PressSettings
from results.record.observation import Observation
from results.record.run_record import PressLevelRules
from results.record.trial import Trial

FLOOR_SHARE = 0.25
"""Of V_IL: the lowest level tried. A pin that latches from there is no longer pressed by anything but noise."""


def press_level(bench: Bench, trial: Trial, settings: PressSettings) -> Observation:
    """Press to a level, hold, release by the series relay, let it settle, read: latched or not; n times at each level.

    The first level is the rail (or the plan's press voltage), the second a quarter of V_IL; between the two the levels
    are halved until the edge is known to the plan's resolution. Where a level latches only sometimes, the edge above
    which it always does is looked for, too.

    A pin that goes up by itself once it was discharged needs no press to latch: it is pressed to the rail for the proof
    of contact, and no further. Raises as press_release does, and ProcedureError where the plan has no [press_level].
    """
    rules = settings.press_level
    if rules is None:
        raise ProcedureError(f"{trial.label}: the plan has no [press_level]")
    if bench.source is None:
        raise WiringError(f"{trial.label}: this bench has no source to press to a level with")
    settings = replace(settings, path="source")
    start = made_ready(bench, trial, settings)
    presses = _Presses(bench, trial, settings, rules, start, Looks(bench, trial.pin, settings))
    presses.search(settings.rests_below_v * FLOOR_SHARE)
    assert presses.held is not None
    return observed(bench, trial, settings, start, presses.held, presses.looks, presses.rest_v)


@dataclass
class _Presses:
    """The presses so far: how often each level has latched, and what was seen at the first of all."""

    bench: Bench
    trial: Trial
    settings: PressSettings
    rules: PressLevelRules
    start: Start
    looks: Looks
    latched: dict[float, int] = field(default_factory=dict)
    rises: bool = False
    presses: int = 0
    held: Held | None = None
    rest_v: float | None = None

    def search(self, floor_v: float) -> None:
        """All levels that are needed, counted from the level that the pin rests at. Nothing below the rail (pressed to
        ground: above ground) is tried on a pin that the rail itself does not latch."""
        top_v = self.settings.mirrored(self.start.level_v, self.start.rail_v)
        if not self.count(top_v) or self.rises or self.count(floor_v) == self.rules.repeats:
            return
        if not self.count(floor_v):
            self.halve(floor_v, top_v, lambda latched: latched > 0)
        unsure = [level for level, latched in self.latched.items() if latched < self.rules.repeats]
        if any(self.latched[level] for level in unsure) and self.count(top_v) == self.rules.repeats:
            sure = [level for level, latched in self.latched.items() if latched == self.rules.repeats]
            self.halve(max(unsure), min(level for level in sure if level > max(unsure)), self._always)

    def halve(self, low_v: float, high_v: float, beyond: Callable[[int], bool]) -> None:
        """Halve what lies between a level that is not beyond an edge and one that is."""
        while high_v - low_v > self.rules.resolution_v and not self.rises:
            middle_v = 0.5 * (low_v + high_v)
            low_v, high_v = (low_v, middle_v) if beyond(self.count(middle_v)) else (middle_v, high_v)

    def count(self, level_v: float) -> int:
        """In how many of the plan's presses to this level the pin stayed latched; pressed only once for all."""
        if level_v not in self.latched:
            self.latched[level_v] = sum(self._press(level_v, repeat) for repeat in range(1, self.rules.repeats + 1))
        return self.latched[level_v]

    def _always(self, latched: int) -> bool:
        return latched == self.rules.repeats

    def _press(self, from_rest_v: float, repeat: int) -> bool:
        bench, settings, looks = self.bench, self.settings, self.looks
        level_v = settings.mirrored(from_rest_v, self.start.rail_v)
        self._empty(repeat)
        with bench.pressed(self.trial.pin, "source", level_v, settings.hold_s):
            bench.clock.wait(settings.hold_s)
            looks.look("pressed", level_v=level_v, repeat=repeat, with_current=True)
            if self.held is None:
                level = level_while_held(bench, self.trial, settings, self.start.rail_v)
                self.held = Held(level, read_pin(bench, self.trial.pin))
            bench.release()
        rest_v = looks.look("released", level_v=level_v, repeat=repeat, wait_s=settings.log_s)
        if self.rest_v is None:
            self.rest_v = rest_v
        return not settings.rests(rest_v)

    def _empty(self, repeat: int) -> None:
        """Empty the node. Where it goes up again with nothing pressed, it latches from 0 V on (pressed to ground: it
        goes down again, from the rail on), and that is kept."""
        # A search may last longer than a reading of the rail counts. Each press has a label of its own, so that what
        # follows is the same whether the rail was due or not.
        rail_before(self.bench, self.trial, self.settings)
        self.presses += 1
        self.bench.label(f"{self.trial.label}, press {self.presses}")
        self.bench.discharge(self.settings.discharge_s)
        self.bench.clock.wait(self.settings.settle_s)
        if not self.settings.rests(self.bench.voltage()):
            self.looks.look("released", level_v=self.settings.mirrored(0.0, self.start.rail_v), repeat=repeat)
            self.rises = True
