"""What a pin draws at 0 V and at the rail, to be compared before and after all that is done to it.

An input that was damaged by its test (static discharge, a press beyond what it bears) leaks from then on, mostly at
both ends of its range, whatever it does in between.
"""

from __future__ import annotations

from dataclasses import replace

from drivers.bench import Bench
from drivers.errors import WiringError
from procedures.latching import made_ready
from procedures.looks import Looks
from procedures.settings import PressSettings
from results.record.observation import Observation
from results.record.trial import Trial


def pin_leakage(bench: Bench, trial: Trial, settings: PressSettings) -> Observation:
    """Discharge, reset, set up; force 0 V and read the current, force the rail and read it again; let go.

    Two probes, 0 V and the rail, each with the source's current beside the node. Raises BenchError as a press does.
    """
    if bench.source is None:
        raise WiringError(f"{trial.label}: this bench has no source to measure a leakage with")
    settings = replace(settings, path="source")
    start = made_ready(bench, trial, settings)
    looks = Looks(bench, trial.pin, settings)
    with bench.pressed(trial.pin, "source", 0.0, settings.hold_s):
        looks.look("pressed", level_v=0.0, with_current=True, wait_s=settings.hold_s)
        rail_v = start.level_v if settings.press_to == "rail" else settings.mirrored(0.0, start.rail_v)
        bench.force(rail_v)
        looks.look("pressed", level_v=rail_v, with_current=True, wait_s=settings.hold_s)
    return Observation(
        trace=looks.trace(),
        rail_v=start.rail_v,
        before_v=start.before_v,
        reads_before=start.reads_before,
        notes=start.notes,
        probes=tuple(looks.probes),
    )
