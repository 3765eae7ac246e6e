"""What becomes of an instrument, and of the computer's clock, while a run goes on."""

from __future__ import annotations

from collections.abc import Callable

from tests.faults.exchange import Exchange


def restarts_before(on: Exchange) -> None:
    on.restart()
    on.go_on()


def restarts_after(on: Exchange) -> None:
    on.go_on()
    on.restart()


def restarts_and_drops(on: Exchange) -> None:
    on.restart(dropped=True)


_TURNED = {
    "meter": "SENS:VOLT:DC:RANG 100",
    "source": "SENS:CURR:PROT:LEV 1E-5",
    "switch": "ROUT:OPEN:ALL",
    "supply": "SOUR:VOLT:LEV:IMM:AMPL 3.0",
}


def knob_turned(on: Exchange) -> None:
    """Somebody at the instrument sets it otherwise."""
    on.behind(_TURNED[on.role])
    on.go_on()


def order_swapped(on: Exchange) -> None:
    """Somebody else sets the meter's byte order: it answers so from now on, and says so when it is asked."""
    on.behind("FORM:BORD SWAP")
    on.go_on()


def clock_set(seconds: float) -> Callable[[Exchange], None]:
    """The wall clock of the computer is set, between a command and its reply."""

    def act(on: Exchange) -> None:
        on.step_clock(seconds)
        on.go_on()

    return act
