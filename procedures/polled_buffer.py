"""Press and release a pin whose firmware opens the input buffer only while it reads, and hear what it reads."""

from __future__ import annotations

from drivers.bench import Bench
from drivers.errors import WiringError
from procedures.errors import ProcedureError, TooLateError
from procedures.latching import made_ready, observed, pressing
from procedures.looks import Looks
from procedures.press_release import read_pin, samples_for
from procedures.settings import PressSettings
from results.record.observation import Observation, Reading
from results.record.run_record import RemedyRules
from results.record.trial import Trial

FOLLOWS_WITHIN = 3.0
"""Poll periods after which a board that still does not read the release is not waited for any longer."""

ASKED_EVERY = 0.02
"""Of a poll period passes between two questions to the board: it reads nothing new in between."""


def polled_buffer(bench: Bench, trial: Trial, settings: PressSettings) -> Observation:
    """Set the polling up; press, read N polls; release while the meter logs, the board asked until it follows; read N
    polls more.

    Looks in order: each poll while pressed (`level_v` is the press level); the log of the release; with `repeat` 0 and
    without voltages, when the release was commanded and had been made, and when the board was asked and had answered,
    until it follows; each poll while released. Raises as press_release does, and ProcedureError
    where the plan has no [remedies].
    """
    rules = settings.remedies
    if rules is None:
        raise ProcedureError(f"{trial.label}: the plan has no [remedies]")
    if bench.board is None:
        raise WiringError(f"{trial.label}: this bench has no console to set the polling up with")
    start = made_ready(bench, trial, settings, rules.polled_setup)
    looks = Looks(bench, trial.pin, settings)
    bench.clock.wait(2.0 * rules.poll_period_s)
    samples = samples_for(settings.log_before_s + settings.log_s + settings.slack_s, settings.interval_s)
    with pressing(bench, trial, settings, start) as held:
        for number in range(1, rules.polls + 1):
            looks.poll(rules.poll_period_s, start.level_v, number)
        started_s = bench.clock.now()
        bench.start_log(settings.interval_s, samples, settings.aperture_s)
        bench.clock.wait(settings.log_before_s)
        after_s = bench.release() - started_s
        opened_s = bench.clock.now() - started_s
    released_s = bench.clock.now()
    read = _follow(bench, trial, settings, rules, released_s)
    looks.add_log("released", bench.read_log(), started_s)
    looks.add_times("released", [started_s + after_s, released_s])
    for asked_s, answered_s, reads in read:
        looks.add_times("polled", [asked_s, answered_s], reads)
    if opened_s > settings.log_before_s + settings.slack_s:
        raise TooLateError(
            f"{trial.label}: the release came {opened_s:.3g} s into the log, must not be later than "
            f"{settings.log_before_s + settings.slack_s:.3g} s"
        )
    for number in range(1, rules.polls + 1):
        looks.poll(rules.poll_period_s, None, number)
    return observed(bench, trial, settings, start, held, looks, looks.voltage_v[-1], released_after_s=after_s)


def _follow(
    bench: Bench, trial: Trial, settings: PressSettings, rules: RemedyRules, released_s: float
) -> list[tuple[float, float, Reading]]:
    """When the board was asked, when it had answered, and what, until it reads the release or has had time enough."""
    read: list[tuple[float, float, Reading]] = []
    longest_s = FOLLOWS_WITHIN * rules.poll_period_s
    while not read or (read[-1][2] != settings.reads_released and read[-1][0] - released_s < longest_s):
        bench.clock.wait(ASKED_EVERY * rules.poll_period_s if read else 0.0)
        asked_s = bench.clock.now()
        reads = read_pin(bench, trial.pin)
        read.append((asked_s, bench.clock.now(), reads))
    return read
