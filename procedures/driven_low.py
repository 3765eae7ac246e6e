"""Join a source at 0 V to a latched pin: what a source that drives low as well does to it, and what that takes."""

from __future__ import annotations

from drivers.bench import Bench
from drivers.errors import WiringError
from procedures.errors import TooLateError
from procedures.latching import made_ready, observed, pressing
from procedures.looks import Looks
from procedures.press_release import samples_for
from procedures.settings import PressSettings
from results.record.observation import Observation
from results.record.trial import Trial

FIRST_READINGS = 3
"""Of the source's current, as soon as it has been joined."""


def driven_low(bench: Bench, trial: Trial, settings: PressSettings) -> Observation:
    """Press, release, read; then, while the meter logs, the source joins at 0 V; read node and current; let go; read.

    A pin that is pressed to ground is driven to the rail as measured. To limits and leases the source is a press like
    any other, with the bench's compliance. Looks in order: the
    latched node; the log, from before the source joins; its first currents; node and current at rest; the node after
    the source has gone. Raises as press_release does.
    """
    if bench.source is None:
        raise WiringError(f"{trial.label}: this bench has no source to drive a pin low with")
    start = made_ready(bench, trial, settings)
    looks = Looks(bench, trial.pin, settings)
    with pressing(bench, trial, settings, start) as held:
        bench.release()
    latched_v = looks.look("released", wait_s=settings.log_s)
    level_v = settings.mirrored(0.0, start.rail_v)
    joined_after_s, notes = _joined(bench, trial, settings, looks, level_v)
    looks.look("released", repeat=2, wait_s=settings.log_s)
    return observed(bench, trial, settings, start, held, looks, latched_v, released_after_s=joined_after_s, notes=notes)


def _joined(
    bench: Bench, trial: Trial, settings: PressSettings, looks: Looks, level_v: float
) -> tuple[float, list[str]]:
    """The log with the source joining in it at `level_v`, and the looks while it is there; when it joined, on the
    log's time axis, and what a reader must know of it.

    Raises TooLateError where it joined so late that the log does not show what followed.
    """
    assert bench.source is not None
    joined_s = settings.allowed_s + settings.slack_s
    samples = samples_for(settings.log_before_s + joined_s, settings.interval_s)
    started_s = bench.clock.now()
    bench.start_log(settings.interval_s, samples, settings.aperture_s)
    bench.clock.wait(settings.log_before_s)
    with bench.pressed(trial.pin, "source", level_v, joined_s):
        after_s = bench.clock.now() - started_s
        first = [(bench.clock.now(), bench.source.read()[1]) for _ in range(FIRST_READINGS)]
        looks.add_log("driven low", bench.read_log(), started_s)
        looks.add_currents("driven low", first, level_v=level_v)
        looks.look("driven low", level_v=level_v, repeat=2, with_current=True)
        limited = bench.source.in_compliance()
    if after_s > settings.log_before_s + settings.slack_s:
        raise TooLateError(
            f"{trial.label}: the source joined {after_s:.3g} s into the log, must not be later than "
            f"{settings.log_before_s + settings.slack_s:.3g} s"
        )
    said = f"the source was at its current limit while it drove the pin {settings.reads_released}"
    return after_s, [said] if limited else []
