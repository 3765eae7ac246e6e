"""What goes wrong with a command on its way, with the connection, and with new ones."""

from __future__ import annotations

import math

from tests.faults.exchange import Exchange

A_WHILE_S = 1.0


def byte_of_command_lost(on: Exchange) -> None:
    """What is left may still be a command: `CLOSE 14` becomes `CLOSE 1`."""
    on.hand_on(on.command[:-1])


def command_garbled(on: Exchange) -> None:
    on.hand_on(b"\x80" + on.command[1:])


def command_twice(on: Exchange) -> None:
    """The second one interrupts the reply to the first, where that takes time (IEEE 488.2, 6.3.2.3)."""
    on.hand_on(on.command)
    on.hand_on(on.command)


def deaf(on: Exchange) -> None:
    """The command is lost."""


def closed_before(on: Exchange) -> None:
    on.end()


def closed_after(on: Exchange) -> None:
    on.go_on()
    on.end()


def reset_before(on: Exchange) -> None:
    on.end(reset=True)


def reset_after(on: Exchange) -> None:
    on.go_on()
    on.end(reset=True)


def closed_while_idle(on: Exchange) -> None:
    on.go_on()
    on.end()


def forgotten_while_idle(on: Exchange) -> None:
    """As a firewall forgets a connection: neither end is told."""
    on.go_on()
    on.lose()


def turned_away(on: Exchange) -> None:
    on.turn_away(on.lasts_s or A_WHILE_S, "closed")
    on.end()


def refused(on: Exchange) -> None:
    on.turn_away(on.lasts_s or A_WHILE_S, "refused")
    on.end()


def unanswered(on: Exchange) -> None:
    on.turn_away(on.lasts_s or A_WHILE_S, "unanswered")
    on.end()


def unplugged(on: Exchange) -> None:
    on.vanish(on.lasts_s or A_WHILE_S)


def unplugged_for_good(on: Exchange) -> None:
    on.vanish(math.inf)
