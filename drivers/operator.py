"""A person as an instrument: connects, presses, lets go, fits. The voice is handed in; nothing here prints or waits."""

from __future__ import annotations

from collections.abc import Callable

from drivers.wiring import NOTHING


class Operator:
    """Asks a person. `confirm` returns once it is done (and may raise StopRequestedError); `say` only tells."""

    def __init__(self, say: Callable[[str], None], confirm: Callable[[str], None]) -> None:
        self._say = say
        self._confirm = confirm

    def connect(self, pin: str) -> None:
        """Have the bus put on this pin; returns when done."""
        self._confirm(f"Connect the bench to pin {pin}.")

    def press_now(self, pin: str) -> None:
        """Have the pin pressed; returns when it is held."""
        self._confirm(f"Press pin {pin} to the rail and keep it pressed.")

    def let_go(self, pin: str) -> None:
        """Tell the person to let go; returns at once, because the meter is logging and the edge is in its trace."""
        self._say(f"Let go of pin {pin} now.")

    def fit(self, resistor: str) -> None:
        """Have this trial resistor fitted from the bus to ground, in place of any other; returns when done."""
        if resistor == NOTHING:
            self._confirm("Take every trial resistor off the bus.")
        else:
            self._confirm(f"Fit the trial resistor {resistor} from the bus to ground, and no other.")
