"""The wiring: which channel selects, presses, discharges and fits. By name, never by a number compared as a float."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Literal

from drivers.errors import WiringError

Device = Literal["switch", "relay_board"]
End = Literal["rail", "ground"]

NOTHING = "none"
"""The name of the trial resistor that is not there."""


@dataclass(frozen=True)
class Channel:
    """One relay: its device and its number there, as the device writes it ("101", "3")."""

    device: Device
    number: str

    def __str__(self) -> str:
        return f"{self.device} {self.number}"


@dataclass(frozen=True)
class Wiring:
    """What is joined to what through which relay. An empty place means that the bench has no such relay.

    `select`: pin name to its relay. `fit`: trial resistor's name to its relay. Resistances in ohm; `press_u_ohm` and
    `source_u_ohm` are standard uncertainties. `source_ohm` is a resistor between source and bus.
    `press_to`: where a press leads; `resistors_to`: where discharge and trial resistors end, the level that a pin rests
    at. `hold`: pin name to the relay that holds it at the rail beside the bus, through `hold_ohm`.
    `add`: name of an added capacitor of `add_f` farad to its relay.
    """

    select: Mapping[str, Channel] = field(default_factory=dict)
    press: Channel | None = None
    press_ohm: float | None = None
    press_u_ohm: float | None = None
    discharge: Channel | None = None
    discharge_ohm: float | None = None
    rail: Channel | None = None
    rail_ohm: float | None = None
    source: Channel | None = None
    source_ohm: float = 0.0
    source_u_ohm: float = 0.0
    fit: Mapping[str, Channel] = field(default_factory=dict)
    press_to: End = "rail"
    resistors_to: End = "ground"
    hold: Mapping[str, Channel] = field(default_factory=dict)
    hold_ohm: Mapping[str, float] = field(default_factory=dict)
    add: Mapping[str, Channel] = field(default_factory=dict)
    add_f: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Raises WiringError where two wires lead to one channel, or a relay lacks its resistor's value."""
        seen: dict[Channel, str] = {}
        for wire, channel in self.wires():
            if channel in seen:
                raise WiringError(f"wiring: {wire} and {seen[channel]} are both on channel {channel}")
            seen[channel] = wire
        for wire, relay, ohm in (("press", self.press, self.press_ohm), ("rail", self.rail, self.rail_ohm)):
            if relay is not None and not (ohm is not None and ohm > 0.0):
                raise WiringError(f"wiring.{wire}: needs a resistor above 0 Ω: {ohm!r}")
        for name in self.add:
            if self.discharge is None or not self.discharge_ohm:
                raise WiringError(f"wiring.add.{name}: needs wiring.discharge: a capacitor is joined discharged only")
            if not self.add_f.get(name, 0.0) > 0.0:
                raise WiringError(f"wiring.add.{name}: needs a capacitance above 0 F: {self.add_f.get(name)!r}")
        if self.press_to == self.resistors_to:
            raise WiringError(
                f"wiring: press and trial resistors both lead to the {self.press_to}: nothing is released"
            )
        for pin in self.hold:
            if not self.hold_ohm.get(pin, 0.0) > 0.0:
                raise WiringError(f"wiring.hold.{pin}: needs a resistor above 0 Ω: {self.hold_ohm.get(pin)!r}")

    def wires(self) -> Iterator[tuple[str, Channel]]:
        """Every wire with its channel, named as the bench file names it."""
        for pin, channel in self.select.items():
            yield f"select.{pin}", channel
        for wire, relay in (
            ("press", self.press),
            ("discharge", self.discharge),
            ("rail", self.rail),
            ("source", self.source),
        ):
            if relay is not None:
                yield wire, relay
        for name, channel in self.fit.items():
            yield f"fit.{name}", channel
        for pin, channel in self.hold.items():
            yield f"hold.{pin}", channel
        for name, channel in self.add.items():
            yield f"add.{name}", channel

    def check_devices(self, present: tuple[str, ...]) -> None:
        """Raises WiringError naming the first wire on a device that the bench does not have."""
        for wire, channel in self.wires():
            if channel.device not in present:
                raise WiringError(f"wiring.{wire}: {channel}: this bench has no {channel.device}")


def names_of(wires: Iterable[str]) -> str:
    """The names of wires for a message; "none" where there are none."""
    return ", ".join(wires) or "none"
