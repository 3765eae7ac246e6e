"""A procedure of one's own: as press_release, but held for two seconds.

A debounce capacitor that soaks for long gives charge back after the release (dielectric absorption), and a leak that
warms its own pin grows while it is held. A press of 20 ms shows neither.

On the simulated bench (`stuckpin simulate --files bench` in another terminal):

    stuckpin run examples/own_procedure/plan.toml --bench bench/bench.toml --procedures examples/own_procedure
"""

from __future__ import annotations

from dataclasses import replace

from drivers.bench import Bench
from procedures.press_release import press_release
from procedures.settings import PressSettings
from results.record.observation import Observation
from results.record.trial import Trial

LONG_HOLD_S = 2.0


def long_hold(bench: Bench, trial: Trial, settings: PressSettings) -> Observation:
    """Hold for two seconds at least, then let go and log as ever."""
    longer = replace(settings, hold_s=max(settings.hold_s, LONG_HOLD_S))
    observation = press_release(bench, trial, longer)
    return replace(observation, notes=(*observation.notes, f"held for {longer.hold_s:g} s"))
