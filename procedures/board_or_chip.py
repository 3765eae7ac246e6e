"""One step of the checklist that tells a leak of the board from one of the chip: a person does something, then a press.

The steps are made one after the other for all pins that are listed: as it stands, buffer off, cleaned, pad, lifted pin.
Each press is that of any trial, so that the leaks compare.
"""

from __future__ import annotations

from dataclasses import replace

from drivers.bench import Bench
from drivers.errors import WiringError
from drivers.operator import Operator
from procedures.errors import ProcedureError
from procedures.press_release import press_release
from procedures.settings import PressSettings
from results.errors import QuantityError
from results.quantity import parse
from results.record.observation import Observation
from results.record.trial import Handling, Trial

OFF_FIRST = "Take charge off yourself before you touch the board (ESD). The rules of your lab come first."

PROMPTS: dict[Handling, str] = {
    "cleaned": (
        "The board is without power. Clean it around pin {pin} (the pads, what lies beside them, the needle), rinse, "
        "and dry it until no moisture is left under the parts either. Solvents burn and harm: only those that the "
        "board and your lab allow, in moving air, away from sparks and skin; let all vapour go before power comes "
        f"back. {OFF_FIRST}"
    ),
    "pad": (
        "The board is without power. Lift pin {pin} of the chip off its pad, so that nothing joins the two, and leave "
        f"the needle on the pad. Mind the hot iron, its fumes, and the pins beside it. {OFF_FIRST}"
    ),
    "lifted pin": (
        "The board is without power. Take the bench's wire of pin {pin} off the pad and put it on the lifted pin of "
        f"the chip itself, off the board. {OFF_FIRST}"
    ),
}
"""What a person is asked to do before the first press of a step; the other steps ask for nothing at the board."""

AIR_ASKED: frozenset[Handling] = frozenset({"as it stands", "cleaned"})
"""Before these steps the humidity is noted: a film of water leaks, and goes with the weather."""


def board_or_chip(bench: Bench, trial: Trial, settings: PressSettings) -> Observation:
    """One press of one step: without power, have the board handled; with power, press and release.

    The board is handled, and the humidity asked for, before the first press of a step only. With the pin lifted off
    its pad there is no chip on the node that could prove contact: then the observation says `not proven`. Raises
    WiringError where nobody is at the bench, BenchError as any press.
    """
    if not trial.handling:
        raise ProcedureError(f"{trial.label}: a step of the checklist needs to say which")
    person = bench.operator
    if person is None:
        raise WiringError(f"{trial.label}: nobody is at this bench to handle the board")
    humidity = None
    if trial.repeat == 1:
        if trial.handling in PROMPTS:
            _handle(bench, person, trial, settings)
        if trial.handling in AIR_ASKED:
            humidity = read_humidity(person)
    setup = settings.buffer_off if trial.handling == "buffer off" else trial.condition.pin_setup
    observation = press_release(bench, replace(trial, condition=replace(trial.condition, pin_setup=setup)), settings)
    if trial.handling == "pad" and observation.outcome == "no contact":
        observation = replace(observation, outcome="measured", contact="not proven")
    return replace(observation, humidity=humidity)


def read_humidity(person: Operator) -> float:
    """The relative humidity, 0 to 1, as a person reads it; asked again until it can be read."""
    question = "Type the relative humidity of the air at the bench, such as 45 %."
    while True:
        text = person.type_in(question).strip()
        try:
            share = parse(text if "%" in text else f"{text} %", "%")
        except QuantityError as exc:
            question = f"{exc}. Type the relative humidity again."
            continue
        if 0.0 <= share <= 1.0:
            return share
        question = f"{text}: must be 0 % to 100 %. Type the relative humidity again."


def _handle(bench: Bench, person: Operator, trial: Trial, settings: PressSettings) -> None:
    """Nothing on the bus, power off, the person, power on."""
    bench.deselect()
    bench.power_off()
    person.do(PROMPTS[trial.handling].format(pin=trial.pin))
    bench.set_rail(settings.rail_v)
