"""A person as an instrument: connects, presses, lets go, fits. The voice is handed in; nothing here prints or waits."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager

from drivers.errors import WiringError
from drivers.wiring import NOTHING


class Operator:
    """Asks a person. `confirm` returns once it is done (and may raise StopRequestedError); `say` only tells.

    `ask` returns the line that is typed in; None where nobody can.
    """

    def __init__(
        self,
        say: Callable[[str], None],
        confirm: Callable[[str], None],
        ask: Callable[[str], str] | None = None,
    ) -> None:
        self._say = say
        self._confirm = confirm
        self._ask = ask

    def during(self, waiting: Callable[[], AbstractContextManager[None]]) -> Operator:
        """The same person, each wait for whom is made inside of `waiting`."""
        confirm, ask = self._confirm, self._ask

        def confirmed(text: str) -> None:
            with waiting():
                confirm(text)

        def asked(text: str) -> str:
            if ask is None:
                raise WiringError(f"nobody is here to answer: {text}")
            with waiting():
                return ask(text)

        return Operator(self._say, confirmed, None if ask is None else asked)

    def do(self, text: str) -> None:
        """Have something done, told in a sentence; returns when done."""
        self._confirm(text)

    def type_in(self, text: str) -> str:
        """What a person types in when asked. Raises WiringError where nobody can."""
        if self._ask is None:
            raise WiringError(f"nobody is here to answer: {text}")
        return self._ask(text)

    def set_rail(self, volts: float) -> None:
        """Have the board's rail set to this many volts; returns when done."""
        self._confirm(f"Set the rail of the board to {volts:.4g} V, with the current limit as before.")

    def connect(self, pin: str) -> None:
        """Have the bus put on this pin; returns when done."""
        self._confirm(f"Connect the bench to pin {pin}.")

    def press_now(self, pin: str, to: str = "rail") -> None:
        """Have the pin pressed to the rail, or to ground; returns when it is held."""
        self._confirm(f"Press pin {pin} to {_end(to)} and keep it pressed.")

    def let_go(self, pin: str) -> None:
        """Tell the person to let go; returns at once, because the meter is logging and the edge is in its trace."""
        self._say(f"Let go of pin {pin} now.")

    def add(self, capacitor: str) -> None:
        """Have this capacitor joined from the bus to ground, discharged, in place of any other; returns when done."""
        if capacitor == NOTHING:
            self._confirm("Take every added capacitor off the bus, and discharge it through a resistor.")
        else:
            text = f"Discharge the capacitor {capacitor} through a resistor and join it from the bus to ground"
            self._confirm(f"{text}, and no other.")

    def fit(self, resistor: str, to: str = "ground") -> None:
        """Have this trial resistor fitted from the bus to ground, or to the rail, in place of any other; returns when
        done."""
        if resistor == NOTHING:
            self._confirm("Take every trial resistor off the bus.")
        else:
            self._confirm(f"Fit the trial resistor {resistor} from the bus to {_end(to)}, and no other.")


def _end(to: str) -> str:
    return "the rail" if to == "rail" else to
