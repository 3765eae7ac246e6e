"""The pins beside the one that is tried: left floating, pressed all the while, or pressed and released with it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from drivers.bench import Bench
from procedures.bus_check import RAIL_AGE_S
from procedures.settings import PressSettings
from results.record.trial import Trial

PRESSED = "pressed"
TOGETHER = "released together"


@contextmanager
def neighbours_held(bench: Bench, trial: Trial, settings: PressSettings) -> Iterator[None]:
    """Around a trial: its neighbours as its condition says; let go on the way out, whatever happened inside.

    They are pressed through their own hold relays. `released together`: they are let go right before the
    tested pin, a relay after the other, while the meter logs. Raises BenchError before anything is pressed where the
    bench cannot or may not hold them.
    """
    state = trial.condition.neighbours
    if state not in (PRESSED, TOGETHER) or trial.kind != "trial":
        yield
        return
    bench.deselect()
    rail_v = bench.rail_voltage(RAIL_AGE_S) if bench.rail_is_measurable else settings.rail_v
    with bench.held(settings.neighbours[trial.pin], rail_v, with_press=state == TOGETHER):
        yield
