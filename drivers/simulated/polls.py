"""Pins whose buffer firmware opens now and then to read them: each poll's edges, and what it read."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from drivers.simulated.agenda import Agenda
from drivers.simulated.board_file import Setup
from drivers.simulated.circuit import Wiring
from drivers.simulated.clock import on_grid


@dataclass
class Poll:
    """The polls of one pin since its setup was made: whether it read high at the end of the last one."""

    high: bool | None = None


class Polls:
    """`pin_v`: the volts of a pin at an instant, from what has happened until then."""

    def __init__(self, agenda: Agenda, wiring: Wiring, pin_v: Callable[[str, float], float]) -> None:
        self._agenda = agenda
        self._wiring = wiring
        self._pin_v = pin_v
        self._polls: dict[str, Poll] = {}

    def read_high(self, pin: str) -> bool | None:
        """Whether a polled pin was high at the end of its last poll; None before the first."""
        poll = self._polls.get(pin)
        return None if poll is None else poll.high

    def begin(self, setup: Setup, pin: str, begun_s: float) -> None:
        """The polls of a pin from then on, where its setup has any. Each edge puts in the next one, so that nothing is
        computed before somebody looks."""
        self._polls.pop(pin, None)
        self._wiring.pins[pin].polling = False
        if setup == "polled buffer":
            poll = self._polls[pin] = Poll()
            self._put_poll(pin, poll, begun_s + on_grid(self._wiring.board.unit.poll_period_s))

    def _put_poll(self, pin: str, poll: Poll, open_s: float) -> None:
        unit, wired, close_s = (
            self._wiring.board.unit,
            self._wiring.pins[pin],
            open_s + on_grid(self._wiring.board.unit.poll_open_s),
        )

        def opens() -> None:
            if self._polls.get(pin) is poll:
                wired.polling = True
                self._agenda.put(close_s, closes, touched=(pin,))

        def closes() -> None:
            if self._polls.get(pin) is poll:
                poll.high = self._pin_v(pin, close_s) > unit.input_threshold_v
                wired.polling = False
                self._put_poll(pin, poll, open_s + on_grid(unit.poll_period_s))

        self._agenda.put(open_s, opens, touched=(pin,))
