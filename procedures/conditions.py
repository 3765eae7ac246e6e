"""Bring the board under a condition before its trials: a rail, a temperature. One step after the other, with proof."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from drivers.bench import Bench
from drivers.chamber import Chamber
from drivers.errors import BenchError, WiringError
from drivers.operator import Operator
from results.errors import QuantityError
from results.quantity import parse, show

CAUTION = (
    "Keep within the ratings of board, fixture and leads; hot and cold parts burn; a cold board gathers water when it "
    "is opened to the room, so let it warm up dry; the rules of your lab come first."
)

LOOKS = 20
"""How often a chamber is read within a soak while it is on its way to a temperature."""


@dataclass(frozen=True)
class SoakRules:
    """When a temperature counts as reached.

    `within_c`: how far the measured one may be from the step. `soak_s`: bench seconds between two readings that may
    differ by `stable_c` at most; the board is at its temperature where they do. `longest_s`: the wait for all of that,
    where no person can give up.
    """

    soak_s: float
    stable_c: float
    within_c: float
    longest_s: float = 7200.0


class Thermometer(Protocol):
    """What brings the board to a temperature, and reads it, in °C."""

    def bring(self, step_c: float) -> float:
        """Bring the board to a temperature; the first reading there."""
        ...

    def read(self, said: str) -> float:
        """One reading; `said` is what a person is told first."""
        ...

    def check_time(self, step_c: float) -> None:
        """Raises BenchError where it takes too long, and nobody is there to give up."""
        ...


def set_rail(bench: Bench, volts: float) -> None:
    """Every pin off the bus, then the rail to `volts`: by the supply, else by a person. Raises BenchError."""
    bench.deselect()
    bench.set_rail(volts)


def thermometer_of(bench: Bench, rules: SoakRules) -> Thermometer:
    """The chamber of the bench, else its person. Raises WiringError where neither is there."""
    if bench.chamber is not None:
        return InChamber(bench, bench.chamber, rules)
    if bench.operator is None:
        raise WiringError("temperature: this bench has no [chamber], and nobody is here to set and measure it")
    return ByHand(bench.operator)


def soak(bench: Bench, by: Thermometer, step_c: float, rules: SoakRules, say: Callable[[str], None]) -> float:
    """Have the board brought to a temperature and soaked; the temperature read last, in °C.

    Two readings, `soak_s` apart, must lie within `within_c` of the step and within `stable_c` of one another; a pair
    that does not is followed by another soak. Nothing is pressed meanwhile. Raises StopRequestedError where a person
    gives up, BenchError where a chamber takes too long.
    """
    bench.deselect()
    wanted = show(step_c, "°C")
    before_c = by.bring(step_c)
    while True:
        say(f"Soaking at {wanted} for {show(rules.soak_s, 's')}; leave the board alone.")
        bench.clock.wait(rules.soak_s)
        now_c = by.read(f"Soaked at {wanted}.")
        off_c, moved_c = abs(now_c - step_c), abs(now_c - before_c)
        if off_c <= rules.within_c and moved_c <= rules.stable_c:
            return now_c
        if off_c > rules.within_c:
            say(f"{show(now_c, '°C')} is more than {show(rules.within_c, '°C')} from {wanted}.")
        else:
            say(f"It moved by {show(moved_c, '°C', 2)}, more than {show(rules.stable_c, '°C')}: not yet soaked.")
        by.check_time(step_c)
        before_c = now_c


class ByHand:
    """A person sets the temperature, measures it at the board and types it in."""

    def __init__(self, person: Operator) -> None:
        self._person = person

    def bring(self, step_c: float) -> float:
        return self.read(f"Bring the board to {show(step_c, '°C')}. {CAUTION}")

    def read(self, said: str) -> float:
        """Asked again until it can be read."""
        question = f"{said} Type the temperature measured at the board, such as 24.6 °C."
        while True:
            text = self._person.type_in(question)
            try:
                return parse(text if "C" in text or "℃" in text else f"{text.strip()} °C", "°C")
            except QuantityError as exc:
                question = f"{exc}. Type the temperature again."

    def check_time(self, step_c: float) -> None:
        """A person gives up by stopping the run."""


class InChamber:
    """A chamber sets the temperature and measures it, as near to the board as its sensor is."""

    def __init__(self, bench: Bench, chamber: Chamber, rules: SoakRules) -> None:
        self._clock = bench.clock
        self._chamber = chamber
        self._rules = rules
        self._until_s = 0.0

    def bring(self, step_c: float) -> float:
        """Raises LimitError beyond the chamber's limits, BenchError where it does not come near in time."""
        self._until_s = self._clock.now() + self._rules.longest_s
        self._chamber.set_temperature(step_c)
        while abs((now_c := self._chamber.temperature()) - step_c) > self._rules.within_c:
            self.check_time(step_c)
            self._clock.wait(max(1.0, self._rules.soak_s / LOOKS))
        return now_c

    def read(self, said: str) -> float:
        return self._chamber.temperature()

    def check_time(self, step_c: float) -> None:
        if self._clock.now() > self._until_s:
            raise BenchError(
                f"chamber: not soaked at {show(step_c, '°C')} within temperature.longest of "
                f"{show(self._rules.longest_s, 's')}: it stands at {show(self._chamber.temperature(), '°C')}"
            )
