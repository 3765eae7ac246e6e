"""All relays of a bench behind one interface, whichever device each of them sits on."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from drivers.errors import WiringError
from drivers.instrument import Instrument
from drivers.interlock import Interlock
from drivers.wiring import Channel, Device


class RelayDevice(Protocol):
    """A device that closes and opens relays, one a command, and says which are closed."""

    @property
    def instrument(self) -> Instrument: ...

    def reset(self) -> None:
        """Every relay open, verified; settings as after power-up where the device has any."""
        ...

    def close(self, number: str) -> None:
        """Close one relay. Raises WiringError unless the device then says that it is closed."""
        ...

    def open(self, number: str) -> None:
        """Open one relay. Raises WiringError unless the device then says that it is open."""
        ...

    def open_all(self) -> None:
        """Open every relay. Raises WiringError unless the device then says that none is closed."""
        ...

    def prove_as_set(self) -> None:
        """Raises NotAsSetError where other relays are closed than those that were told to be."""
        ...

    def closed(self) -> frozenset[str]:
        """The numbers of the closed relays, as the device says."""
        ...


class Relays:
    """Routes each channel to its device. `interlock` says when a contact may close again, and counts."""

    def __init__(self, devices: Mapping[Device, RelayDevice], interlock: Interlock) -> None:
        self.devices = dict(devices)
        self.interlock = interlock

    def close(self, channel: Channel) -> None:
        """Close one relay, verified; where it would close too often in a minute, it waits. Opening never waits.

        Raises WiringError, and LimitError where the life of the contact is over.
        """
        device = self._device(channel)
        self.interlock.pace(channel)
        device.close(channel.number)

    def open(self, channel: Channel) -> None:
        """Open one relay, verified. Raises WiringError."""
        self._device(channel).open(channel.number)

    def _device(self, channel: Channel) -> RelayDevice:
        if channel.device not in self.devices:
            raise WiringError(f"{channel}: this bench has no {channel.device}")
        return self.devices[channel.device]
