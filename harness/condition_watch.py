"""When the condition is changed: a rail or a temperature that the trial before did not have. The run's only memory of
temperatures; the rail is remembered by the bench."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from drivers.bench import Bench
from harness.plan import Plan
from procedures.conditions import SoakRules, set_rail, soak, thermometer_of
from results.quantity import show
from results.record.observation import Observation
from results.record.trial import Trial


class ConditionWatch:
    """Brings the board under the condition of each trial; `notes` says what a reader of the run must know of it."""

    def __init__(self, bench: Bench, plan: Plan, say: Callable[[str], None]) -> None:
        self.notes: list[str] = []
        self._bench = bench
        self._say = say
        asked = plan.temperature
        self._rules = SoakRules(asked.soak_s, asked.stable_c, asked.within_c, asked.longest_s)
        self._steps_rail = bool(plan.rail.steps_v)
        self._step_c: float | None = None
        self._measured_c: float | None = None

    def before(self, trial: Trial) -> None:
        """The temperature first, which takes longest, then the rail. Raises BenchError."""
        step_c, rail_v = trial.condition.temperature_c, trial.condition.rail_v
        if step_c != self._step_c:
            self._leave()
            if step_c is not None:
                by = thermometer_of(self._bench, self._rules)
                self._measured_c = soak(self._bench, by, step_c, self._rules, self._say)
            self._step_c = step_c
        # The bench is asked, because a procedure of one's own may have set another rail.
        if rail_v != self._bench.rail_set_v and (self._steps_rail or self._bench.has_supply):
            set_rail(self._bench, rail_v)

    def look_again(self) -> None:
        """The bench was made safe meanwhile, and its chamber switched off: a temperature is to be reached anew."""
        if self._bench.chamber is not None:
            self._step_c = self._measured_c = None

    def after_the_last(self) -> None:
        """The temperature once more, so that a drift over the trials is known."""
        self._leave()

    def noted(self, observation: Observation) -> Observation:
        """The observation with the temperature measured, where its procedure has not brought one itself."""
        if self._measured_c is None or observation.temperature_c is not None:
            return observation
        return replace(observation, temperature_c=self._measured_c)

    def _leave(self) -> None:
        """Before a temperature is left: is it still what it was?"""
        if self._step_c is None or self._measured_c is None:
            return
        step, was_c = show(self._step_c, "°C"), self._measured_c
        self._measured_c = None
        now_c = thermometer_of(self._bench, self._rules).read(f"The trials at {step} are made.")
        if abs(now_c - was_c) > self._rules.stable_c:
            self.notes.append(
                f"temperature step {step}: {show(was_c, '°C')} when soaked, {show(now_c, '°C')} after the trials, "
                f"more than {show(self._rules.stable_c, '°C')} apart"
            )
