"""Bring the board under a condition before its trials: a rail, a temperature. One step after the other, with proof."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from drivers.bench import Bench
from drivers.errors import WiringError
from drivers.operator import Operator
from results.errors import QuantityError
from results.quantity import parse, show

CAUTION = (
    "Keep within the ratings of board, fixture and leads; hot and cold parts burn; a cold board gathers water when it "
    "is opened to the room, so let it warm up dry; the rules of your lab come first."
)


@dataclass(frozen=True)
class SoakRules:
    """When a temperature counts as reached.

    `within_c`: how far the measured one may be from the step. `soak_s`: bench seconds between two readings that may
    differ by `stable_c` at most; the board is at its temperature where they do.
    """

    soak_s: float
    stable_c: float
    within_c: float


def set_rail(bench: Bench, volts: float) -> None:
    """Every pin off the bus, then the rail to `volts`: by the supply, else by a person. Raises BenchError."""
    bench.deselect()
    bench.set_rail(volts)


def soak(bench: Bench, operator: Operator, step_c: float, rules: SoakRules, say: Callable[[str], None]) -> float:
    """Have the board brought to a temperature and soaked; the temperature typed in last, in °C.

    Two readings, `soak_s` apart, must lie within `within_c` of the step and within `stable_c` of one another; a pair
    that does not is followed by another soak. Nothing is pressed meanwhile. Raises StopRequestedError where a person
    gives up.
    """
    bench.deselect()
    wanted = show(step_c, "°C")
    before_c = read_temperature(operator, f"Bring the board to {wanted}. {CAUTION}")
    while True:
        say(f"Soaking at {wanted} for {show(rules.soak_s, 's')}; leave the board alone.")
        bench.clock.wait(rules.soak_s)
        now_c = read_temperature(operator, f"Soaked at {wanted}.")
        off_c, moved_c = abs(now_c - step_c), abs(now_c - before_c)
        if off_c <= rules.within_c and moved_c <= rules.stable_c:
            return now_c
        if off_c > rules.within_c:
            say(f"{show(now_c, '°C')} is more than {show(rules.within_c, '°C')} from {wanted}.")
        else:
            say(f"It moved by {show(moved_c, '°C', 2)}, more than {show(rules.stable_c, '°C')}: not yet soaked.")
        before_c = now_c


def read_temperature(operator: Operator, said: str) -> float:
    """The temperature as a person measures it at the board, in °C; asked again until it can be read."""
    question = f"{said} Type the temperature measured at the board, such as 24.6 °C."
    while True:
        text = operator.type_in(question)
        try:
            return parse(text if "C" in text or "℃" in text else f"{text.strip()} °C", "°C")
        except QuantityError as exc:
            question = f"{exc}. Type the temperature again."


def operator_of(bench: Bench) -> Operator:
    """The person at the bench. Raises WiringError where nobody is there."""
    if bench.operator is None:
        raise WiringError("temperature: nobody is at this bench to set and measure it")
    return bench.operator
