"""Contacts of relays that are given time: each has operated and stopped bouncing before anything follows."""

from __future__ import annotations

from drivers.clock import Clock
from drivers.relays import Relays
from drivers.wiring import Channel


class Contacts:
    """Closes and opens one relay at a time, and waits `settle_s` bench seconds after each."""

    def __init__(self, relays: Relays, clock: Clock, settle_s: float) -> None:
        self.relays = relays
        self._clock = clock
        self._settle_s = settle_s

    def close(self, channel: Channel) -> None:
        self.relays.close(channel)
        self._clock.settle(self._settle_s)

    def open(self, channel: Channel) -> None:
        self.relays.open(channel)
        self._clock.settle(self._settle_s)
