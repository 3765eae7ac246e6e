"""How many connections an instrument of the simulated bench takes at a time."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from drivers.simulated.board_file import Clients
from drivers.simulated.clock import ScaledClock
from drivers.simulated.port import Ports, scpi_session
from drivers.simulated.switch import Switch
from drivers.simulated.world import World
from tests.drivers.simulated.by_hand import board
from tests.drivers.simulated.test_serve import Peer

IDENTITY = "Invented Instruments,One,1,1"


@contextmanager
def served(clients: Clients) -> Iterator[str]:
    world = World(board('[[pins]]\nname = "D1"\n'))
    with Ports(world, ScaledClock(10.0), pty=False) as ports:
        yield f"TCPIP::127.0.0.1::{ports.tcp(scpi_session(Switch(world, IDENTITY)), clients)}::SOCKET"


def test_many_are_answered_at_once() -> None:
    with served("many") as resource:
        peers = [Peer(resource) for _ in range(3)]
        assert [peer.ask("*IDN?") for peer in peers] == [IDENTITY] * 3
        for peer in peers:
            peer.close()


def test_a_second_client_waits_until_the_first_has_gone() -> None:
    with served("one, others wait") as resource:
        first, second = Peer(resource), Peer(resource)
        assert first.ask("*IDN?") == IDENTITY
        second.socket.settimeout(0.2)
        with pytest.raises(TimeoutError):
            second.ask("*IDN?")
        second.socket.settimeout(10.0)
        first.close()
        third = Peer(resource)
        assert second.socket.recv(100).decode().strip() == IDENTITY  # asked while it waited
        second.close()
        assert third.ask("*IDN?") == IDENTITY
        third.close()


def test_a_second_client_is_closed_at_once() -> None:
    with served("one, others are refused") as resource:
        first, second = Peer(resource), Peer(resource)
        assert first.ask("*IDN?") == IDENTITY
        assert second.socket.recv(100) == b""
        second.close()
        first.close()
        assert _answered_again(resource) == IDENTITY


def _answered_again(resource: str) -> str:
    """It takes a moment to see that the first one has gone, as a real one does."""
    for _ in range(2000):
        peer = Peer(resource)
        try:
            if answer := peer.ask("*IDN?"):
                return answer
        except ConnectionError:
            pass
        finally:
            peer.close()
    raise AssertionError("never answered again")
