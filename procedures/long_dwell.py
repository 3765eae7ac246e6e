"""A long dwell: a press and release like any other, held for minutes and logged for minutes, to see what drifts."""

from __future__ import annotations

from dataclasses import replace

from drivers.bench import Bench
from procedures.errors import ProcedureError
from procedures.press_release import press_release
from procedures.settings import PressSettings
from results.record.observation import Observation
from results.record.trial import Trial


def long_dwell(bench: Bench, trial: Trial, settings: PressSettings) -> Observation:
    """Press, hold for as long as the plan's dwell says, release, and log for as long.

    Returns and raises what `press_release` does; ProcedureError where the plan asks for no dwell.
    """
    rules = settings.dwell
    if rules is None:
        raise ProcedureError(f"{trial.label}: the plan has no [dwell]")
    longer = replace(
        settings,
        hold_s=rules.hold_s,
        log_before_s=rules.before_s,
        log_s=rules.log_s,
        slack_s=rules.slack_s,
        interval_s=rules.interval_s,
        aperture_s=rules.aperture_s,
    )
    return press_release(bench, trial, longer)
