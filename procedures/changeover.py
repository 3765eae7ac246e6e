"""Release a pin into a contact that grounds it at rest, as a changeover contact does: break before make.

Of a bench for pull-up inputs the discharge relay leads to the rail, and so does the contact at rest.
"""

from __future__ import annotations

import math

from drivers.bench import Bench
from procedures.errors import TooLateError
from procedures.latching import made_ready, observed, pressing
from procedures.looks import Looks
from procedures.press_release import samples_for
from procedures.settings import PressSettings
from results.record.observation import Observation
from results.record.trial import Trial


def changeover(bench: Bench, trial: Trial, settings: PressSettings) -> Observation:
    """Press; start the log; release; the discharge relay closes, stays for the plan's log time, and opens; log on.

    The press contact is open, and says so, before the ground contact is told to close. Looks in order: four parts of
    the log, as the host's clock knows them (pressed, released, grounded, released again); the node once the log has
    ended. Raises as press_release does.
    """
    start = made_ready(bench, trial, settings)
    looks = Looks(bench, trial.pin, settings)
    samples = samples_for(settings.log_before_s + 2.0 * settings.log_s + settings.slack_s, settings.interval_s)
    with pressing(bench, trial, settings, start) as held:
        started_s = bench.clock.now()
        bench.start_log(settings.interval_s, samples, settings.aperture_s)
        bench.clock.wait(settings.log_before_s)
        released_s = bench.release() - started_s
        # At once: the press contact has said that it is open, whatever else a press has to put away.
        with bench.grounded():
            grounded_s = bench.clock.now() - started_s
            bench.clock.wait(settings.log_s)
            parted_s = bench.clock.now() - started_s
    readings = bench.read_log()
    if parted_s > settings.log_before_s + settings.log_s + settings.slack_s:
        raise TooLateError(
            f"{trial.label}: the ground contact opened {parted_s:.3g} s into the log, must not be later than "
            f"{settings.log_before_s + settings.log_s + settings.slack_s:.3g} s"
        )
    looks.add_log("pressed", readings, started_s, until_s=released_s)
    looks.note_log("released", released_s, grounded_s)
    looks.note_log("grounded", grounded_s, parted_s)
    looks.note_log("released", parted_s, math.inf, repeat=2)
    rest_v = looks.look("released", repeat=3)
    return observed(bench, trial, settings, start, held, looks, rest_v, released_after_s=released_s)
