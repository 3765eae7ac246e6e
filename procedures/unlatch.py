"""Take a latched pin below V_IL with resistors, the largest first: what a source would have to sink to unlatch it.

Pressed to ground it is taken above V_IH with resistors to the rail. Never by a current source: once the pin has let
go, a bare current would pull it below ground (or above the rail) through its clamp.
"""

from __future__ import annotations

from collections.abc import Mapping

from drivers.bench import Bench
from procedures.latching import made_ready, observed, pressing
from procedures.looks import Looks
from procedures.settings import PressSettings
from results.record.observation import Observation
from results.record.trial import NO_RESISTOR, Resistor, Trial


def unlatch(bench: Bench, trial: Trial, settings: PressSettings) -> Observation:
    """Press, release without a resistor, read; then fit one trial resistor after the other until the pin is low.

    Each time the node is given the plan's log time to come to rest, until the pin is low (pressed to ground: high). A
    pin that does not latch is read once and left alone. Only switched resistors are fitted. Raises as press_release
    does.
    """
    start = made_ready(bench, trial, settings)
    looks = Looks(bench, trial.pin, settings)
    with pressing(bench, trial, settings, start) as held:
        bench.release()
    latched_v = looks.look("released", wait_s=settings.log_s)
    if not settings.rests(latched_v):
        for name in largest_first(settings.resistors, bench.wiring.fit):
            bench.fit(name)
            if settings.rests_surely(looks.look("fitted", resistor=name, wait_s=settings.log_s)):
                break
        bench.fit(NO_RESISTOR)
    return observed(bench, trial, settings, start, held, looks, latched_v)


def largest_first(resistors: Mapping[str, Resistor], switched: Mapping[str, object]) -> list[str]:
    """The trial resistors that relays can fit, the largest first."""
    there = [resistor for name, resistor in resistors.items() if name in switched]
    return [resistor.name for resistor in sorted(there, key=lambda one: one.conductance_s)]
