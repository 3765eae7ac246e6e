"""The board file: the hidden truth of a simulated bench, in TOML. Plain SI numbers, no quantity texts.

    seed = 24017                      # all randomness comes from (seed, text on the meter's display, purpose)
    speed = 10.0                      # bench seconds a real second
    temperature_k = 296.15

    [unit]       name, revision, serial, firmware; boot_time_s, input_threshold_v, output_ohm, brownout_v, quiescent_a,
                 shoot_through_a, shoot_through_width_v, poll_period_s, poll_open_s
    [rail]       voltage_v
    [supply]     on, slew_v_per_s, gain_error, gain_error_a, offset_error_a, noise_a
                 # left out: the rail is always there, and nothing sets it
    [[lines]]    name, voltage_v, resistance_ohm      # a line that is high: feeds the rail through a pin's clamp
    [chamber]    time_constant_s      # left out: only the hand changes the temperature
    [fixture]    capacitance_f, leakage_resistance_ohm
    [meter]      input_resistance_ohm, noise_v, flicker_v, hum_v, line_frequency_hz, gain_error, offset_error_v,
                 timebase_error, step_response_s, reading_memory, fastest_interval_s, arming_time_s
    [source]     output_ohm, slew_v_per_s, off_ramp_s, noise_v, noise_a, gain_error,
                 offset_error_a
    [relays]     operate_s, release_s, spread, closing_bounces, opening_bounces, bounce_s, on_ohm, off_ohm
    [button]     the same for the hand's push button
    [faults]     welded = ["press"], never_closes = ["select D4"]
    [ports]      clients = "many"     # how many connections each SCPI instrument takes at a time; or "one, others wait"
                                      # (until the first one ends), or "one, others are refused"

    [wiring]     hand_press_resistor_ohm = 1000.0
    press_to = "rail"                 # or "ground": where press and push button lead
    resistors_to = "ground"           # or "rail": where discharge and trial resistors end
    press     = { channel = "relay_board 1", resistor_ohm = 1000.0, tolerance = 0.01 }
    discharge = { channel = "relay_board 2", resistor_ohm = 1000.0 }
    rail      = { channel = "relay_board 3", resistor_ohm = 10000.0 }
    source    = { channel = "switch 201", resistor_ohm = 0.0 }
    [wiring.select]                   # left out: the pins in order on "switch 101", "switch 102", …
    D1 = "switch 101"
    [wiring.hold]                     # holds that pin at the rail beside the bus
    D2 = { channel = "relay_board 9", resistor_ohm = 1000.0 }
    [[wiring.fit]]
    nominal_ohm = 8200.0
    channel = "relay_board 7"
    tolerance = 0.01                  # the true value is drawn within it, from the seed
    true_ohm = 8211.0                 # or stated
    [[wiring.add]]                    # a capacitor to ground
    nominal_f = 1e-7
    channel = "relay_board 9"
    tolerance = 0.01                  # or true_f, as above

    [[pins]]
    name = "D1"
    node_capacitance_f = 1e-8
    series_resistance_ohm = 0.0       # between what the needle touches and the pin
    rail_resistance_ohm = 1000.0      # a leak to the rail; left out: none
    couplings = { D2 = 150e3 }        # dirt of so many ohms between the two pins
    needle = "ok"                     # or "open"
    setup = "reset default"           # what it has at power-up
    leak_probability = 1.0            # the leak is there in this share of the trials
    leak_doubling_k = 10.0            # left out: no dependence on temperature; 1 at leak_reference_k
    leak_reference_k = 296.15
    leak_drift = { factor = 1.5, time_constant_s = 40.0, above_v = 0.5, width_v = 0.05 }
                                      # while the node is above above_v the leak goes to factor times itself, and back
                                      # while it is below: it warms or charges up; left out: it does neither
    leak_rail_v = 3.3                 # the rail at which the leak is as stated: its volts and amperes scale with the
                                      # rail; left out: they do not
    pulls = "down"                    # or "up": pull_down is a pull-up, leak leads to ground, all laws over rail - V
    pull_down = { kind = "linear", resistance_ohm = 6e4 }
              # { kind = "mos", transconductance_a_per_v2 = 8e-6, overdrive_v = 2.0 }    { kind = "missing" }
    leak      = { kind = "none" }
              # { kind = "mid level", plateau_a = 1.2e-4, up_v = 0.75, up_width_v = 0.06, down_v = 2.0,
              #   down_width_v = 0.05 }
              # { kind = "plain", current_a = 34e-6, knee_v = 0.05, gone_v = 2.6, gone_width_v = 0.04 }
              # { kind = "table", voltage_v = [0.0, 1.0, 3.3], current_a = [0.0, 5e-5, 0.0] }

    [[coupons]]                       # a check coupon on the fixture, which is no pin of the unit
    name = "released"                 # or "stuck"
    channel = "switch 125"
    resistance_ohm = 33e3             # to ground; where press_to is "ground" to the rail, and its leak to ground
    capacitance_f = 220e-9
    leak = { kind = "none" }          # one that latches: a leak as of a pin

A channel is "switch <number>" or "relay_board <number>". The contacts are called, in [faults] and in errors, press,
discharge, rail, source, `select <pin>`, `select coupon-<name>`, `hold <pin>`, `fit <nominal ohm>`,
`add <nominal farad>` and button. Every key but `pins` has a default; an unknown key is refused.
"""

from __future__ import annotations

import os
import stat
import tomllib
from collections import Counter
from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

Setup = Literal["reset default", "buffer off", "pull-down off", "output low", "polled buffer"]
"""`polled buffer`: the input buffer is on for poll_open_s of every poll_period_s only; the pin is read at the end of
that. The pull-down is on throughout."""
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]


MAX_BYTES = 1_000_000
"""No board file comes near this; a log or a disk image given by mistake does."""

_SHOWN_CHARACTERS = 80


class BoardFileError(Exception):
    """The board file cannot be read or breaks a rule; one line with file, key, rule and value."""


class Channel(NamedTuple):
    """Where a contact is driven from: the device and its channel number."""

    device: Literal["switch", "relay_board"]
    number: int


class Part(BaseModel):
    """A piece of the board file: no unknown keys, not changed once read."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class UnitPart(Part):
    """`brownout_v`: below this rail the unit is dead, and comes up anew above it. `quiescent_a`: what it draws at the
    nominal rail, as a conductance. `shoot_through_a`: what an input buffer takes from the rail besides at the
    threshold, both its transistors conducting; it falls as a bell of `shoot_through_width_v` around it."""

    name: str = "Fernhill irrigation controller"
    revision: str = "C"
    serial: str = "FH-2417-001"
    firmware: str = "1.4"
    boot_time_s: NotNegative = 5e-3
    input_threshold_v: Positive = 1.4
    output_ohm: Positive = 50.0
    brownout_v: NotNegative = 1.0
    quiescent_a: NotNegative = 0.0
    shoot_through_a: NotNegative = 0.0
    shoot_through_width_v: Positive = 0.35
    poll_period_s: Positive = 50e-3
    poll_open_s: Positive = 20e-6

    @model_validator(mode="after")
    def _closes_in_time(self) -> UnitPart:
        if self.poll_open_s >= self.poll_period_s:
            raise ValueError(f"poll_open_s must be below poll_period_s of {self.poll_period_s}: {self.poll_open_s}")
        return self


class RailPart(Part):
    voltage_v: Positive = 3.3


class SupplyPart(Part):
    """`on`: whether it is when the bench starts, at the rail's voltage. Errors are limits, drawn from the seed:
    `gain_error` of the voltage, `gain_error_a` and `offset_error_a` of the current that it measures."""

    on: bool = False
    slew_v_per_s: Positive = 500.0
    gain_error: NotNegative = 0.0
    gain_error_a: NotNegative = 0.0
    offset_error_a: NotNegative = 0.0
    noise_a: NotNegative = 0.0


class LinePart(Part):
    """A line of other equipment that is high and leads to an input of the unit: through that pin's clamp it feeds the
    rail wherever its supply does not hold it up. `resistance_ohm`: of the line's output."""

    name: str
    voltage_v: Positive
    resistance_ohm: NotNegative = 100.0


class ChamberPart(Part):
    """`time_constant_s`: how fast the board follows what is set."""

    time_constant_s: Positive = 60.0


class FixturePart(Part):
    capacitance_f: Positive = 120e-12
    leakage_resistance_ohm: Positive = 10e9


class MeterPart(Part):
    """`noise_v`: rms of a reading of 0.1 ms aperture (falls with the root of the aperture); `flicker_v`: rms of the 1/f
    noise over one log; `gain_error`, `offset_error_v`: limits, the value is drawn from the seed; `step_response_s`: the
    time constant of the input (0: none)."""

    input_resistance_ohm: Positive = 10e6
    noise_v: NotNegative = 0.0
    flicker_v: NotNegative = 0.0
    hum_v: NotNegative = 0.0
    line_frequency_hz: Positive = 50.0
    gain_error: NotNegative = 0.0
    offset_error_v: NotNegative = 0.0
    timebase_error: float = 0.0
    step_response_s: NotNegative = 0.0
    reading_memory: Annotated[int, Field(ge=2)] = 10_000
    fastest_interval_s: Positive = 50e-6
    arming_time_s: NotNegative = 2e-3


class SourcePart(Part):
    output_ohm: Positive = 0.1
    slew_v_per_s: Positive = 1e4
    off_ramp_s: Positive = 5e-3
    noise_v: NotNegative = 0.0
    noise_a: NotNegative = 0.0
    gain_error: NotNegative = 0.0
    offset_error_a: NotNegative = 0.0


class ContactPart(Part):
    """A contact's times and resistances. `spread`: half width, as a share, of the drawn operate and release times.
    `closing_bounces`, `opening_bounces`: the most there can be; `bounce_s`: the longest that all of them take."""

    operate_s: NotNegative = 1e-3
    release_s: NotNegative = 0.5e-3
    spread: Annotated[float, Field(ge=0, lt=1)] = 0.1
    closing_bounces: Annotated[int, Field(ge=0)] = 3
    opening_bounces: Annotated[int, Field(ge=0)] = 1
    bounce_s: Positive = 0.4e-3
    on_ohm: Positive = 0.1
    off_ohm: Positive = 1e12


class ButtonPart(ContactPart):
    operate_s: NotNegative = 0.0
    release_s: NotNegative = 0.0
    closing_bounces: Annotated[int, Field(ge=0)] = 6
    opening_bounces: Annotated[int, Field(ge=0)] = 3
    bounce_s: Positive = 3e-3


class FaultsPart(Part):
    welded: tuple[str, ...] = ()
    never_closes: tuple[str, ...] = ()


def parse_channel(text: Any) -> Channel:
    """ "switch 101" -> Channel("switch", 101). Raises ValueError with the rule."""
    if isinstance(text, Channel):
        return text
    device, _, number = str(text).partition(" ")
    if device not in ("switch", "relay_board") or not number.isdigit():
        raise ValueError("must read 'switch <number>' or 'relay_board <number>'")
    return Channel("switch" if device == "switch" else "relay_board", int(number))


Clients = Literal["many", "one, others wait", "one, others are refused"]


class PortsPart(Part):
    clients: Clients = "many"


class PathPart(Part):
    """A relay and the resistor in series with it; its true value is drawn within `tolerance`, or `true_ohm` says it."""

    channel: Channel
    resistor_ohm: NotNegative = 1000.0
    tolerance: Annotated[float, Field(ge=0, lt=1)] = 0.0
    true_ohm: Positive | None = None

    _channel = field_validator("channel", mode="before")(parse_channel)


class FitPart(Part):
    channel: Channel
    nominal_ohm: Positive
    tolerance: Annotated[float, Field(ge=0, lt=1)] = 0.0
    true_ohm: Positive | None = None

    _channel = field_validator("channel", mode="before")(parse_channel)


class AddPart(Part):
    channel: Channel
    nominal_f: Positive
    tolerance: Annotated[float, Field(ge=0, lt=1)] = 0.0
    true_f: Positive | None = None

    _channel = field_validator("channel", mode="before")(parse_channel)


class WiringPart(Part):
    press: PathPart | None = None
    discharge: PathPart | None = None
    rail: PathPart | None = None
    source: PathPart | None = None
    select: dict[str, Channel] | None = None
    fit: tuple[FitPart, ...] = ()
    add: tuple[AddPart, ...] = ()
    hold: dict[str, PathPart] = {}
    hand_press_resistor_ohm: Positive = 1000.0
    press_to: Literal["rail", "ground"] = "rail"
    resistors_to: Literal["ground", "rail"] = "ground"

    @field_validator("select", mode="before")
    @classmethod
    def _select(cls, value: Any) -> Any:
        return {name: parse_channel(text) for name, text in value.items()} if isinstance(value, dict) else value


class LinearPullDown(Part):
    kind: Literal["linear"] = "linear"
    resistance_ohm: Positive = 60e3


class MosPullDown(Part):
    """I = k (Vov V − V²/2) up to Vov, k Vov²/2 above it: the long-channel MOS transistor, triode and saturation."""

    kind: Literal["mos"]
    transconductance_a_per_v2: Positive
    overdrive_v: Positive


class MissingPullDown(Part):
    kind: Literal["missing"]


class NoLeak(Part):
    kind: Literal["none"] = "none"


class MidLevelLeak(Part):
    """plateau / (1 + exp(−(V − up)/up_width)) / (1 + exp((V − down)/down_width))"""

    kind: Literal["mid level"]
    plateau_a: Positive
    up_v: Positive
    up_width_v: Positive
    down_v: Positive
    down_width_v: Positive


class PlainLeak(Part):
    """current · tanh(V/knee), and where `gone_v` is given / (1 + exp((V − gone)/gone_width))"""

    kind: Literal["plain"]
    current_a: Positive
    knee_v: Positive = 0.05
    gone_v: Positive | None = None
    gone_width_v: Positive = 0.05


class TableLeak(Part):
    """Points joined by straight lines, constant beyond both ends; `voltage_v` must rise."""

    kind: Literal["table"]
    voltage_v: tuple[float, ...]
    current_a: tuple[float, ...]

    @model_validator(mode="after")
    def _shape(self) -> TableLeak:
        if len(self.voltage_v) != len(self.current_a) or len(self.voltage_v) < 2:
            raise ValueError(
                f"needs as many currents as voltages, two or more: {len(self.voltage_v)}, {len(self.current_a)}"
            )
        if any(b <= a for a, b in zip(self.voltage_v, self.voltage_v[1:], strict=False)):
            raise ValueError(f"voltage_v must rise: {list(self.voltage_v)}")
        return self


class LeakDrift(Part):
    """leak · (1 + (factor − 1) s), ds/dt = (1 / (1 + exp(−(V − above_v)/width_v)) − s)/time_constant; s = 0 at
    power-up."""

    factor: NotNegative
    time_constant_s: Positive
    above_v: NotNegative = 0.5
    width_v: Positive = 0.05


PullDown = Annotated[LinearPullDown | MosPullDown | MissingPullDown, Field(discriminator="kind")]
Leak = Annotated[NoLeak | MidLevelLeak | PlainLeak | TableLeak, Field(discriminator="kind")]


class PinPart(Part):
    name: Annotated[str, Field(pattern=r"^\S+$")]
    node_capacitance_f: Positive = 10e-12
    series_resistance_ohm: NotNegative = 0.0
    rail_resistance_ohm: Positive | None = None
    needle: Literal["ok", "open"] = "ok"
    setup: Setup = "reset default"
    pulls: Literal["down", "up"] = "down"
    pull_down: PullDown = LinearPullDown()
    leak: Leak = NoLeak()
    leak_probability: Annotated[float, Field(ge=0, le=1)] = 1.0
    leak_doubling_k: Positive | None = None
    leak_reference_k: Positive = 296.15
    leak_rail_v: Positive | None = None
    couplings: dict[str, Positive] = {}
    leak_drift: LeakDrift | None = None


class CouponPart(Part):
    """A known network on a select relay of its own; `resistance_ohm` to ground, or (pressed to ground) to the rail."""

    name: Literal["released", "stuck"]
    channel: Channel
    resistance_ohm: Positive = 33e3
    capacitance_f: Positive = 220e-9
    leak: Leak = NoLeak()

    _channel = field_validator("channel", mode="before")(parse_channel)

    def node(self, pulls: Literal["down", "up"] = "down") -> PinPart:
        """The network as a node of the world, under a name that no console answers to."""
        return PinPart(
            name=f"coupon-{self.name}",
            node_capacitance_f=self.capacitance_f,
            pulls=pulls,
            pull_down=LinearPullDown(resistance_ohm=self.resistance_ohm),
            leak=self.leak,
        )


class Board(Part):
    """All of a board file."""

    seed: Annotated[int, Field(ge=-(2**63), lt=2**63)] = 1
    speed: Positive = 1.0
    temperature_k: Positive = 296.15
    unit: UnitPart = UnitPart()
    rail: RailPart = RailPart()
    supply: SupplyPart | None = None
    lines: tuple[LinePart, ...] = ()
    chamber: ChamberPart | None = None
    fixture: FixturePart = FixturePart()
    meter: MeterPart = MeterPart()
    source: SourcePart = SourcePart()
    relays: ContactPart = ContactPart()
    button: ButtonPart = ButtonPart()
    faults: FaultsPart = FaultsPart()
    ports: PortsPart = PortsPart()
    wiring: WiringPart = WiringPart()
    pins: Annotated[tuple[PinPart, ...], Field(min_length=1)]
    coupons: tuple[CouponPart, ...] = ()

    def nodes(self) -> tuple[PinPart, ...]:
        """All that a relay can put on the bus: the pins of the unit, then the coupons."""
        pulls: Literal["down", "up"] = "down" if self.wiring.press_to == "rail" else "up"
        return (*self.pins, *(coupon.node(pulls) for coupon in self.coupons))

    def select_channels(self) -> dict[str, Channel]:
        """Pin name -> the channel of its select relay; pins in order from switch 101 on where the file says nothing."""
        if self.wiring.select is not None:
            return dict(self.wiring.select)
        return {pin.name: Channel("switch", 101 + index) for index, pin in enumerate(self.pins)}

    def contacts(self) -> dict[str, Channel]:
        """Contact name -> channel, of every contact that a channel drives (the push button has none)."""
        paths = {name: getattr(self.wiring, name) for name in ("press", "discharge", "rail", "source")}
        channels = {name: path.channel for name, path in paths.items() if path is not None}
        channels.update({f"select {pin}": channel for pin, channel in self.select_channels().items()})
        channels.update({f"hold {pin}": path.channel for pin, path in self.wiring.hold.items()})
        channels.update({f"select {each.node().name}": each.channel for each in self.coupons})
        channels.update({f"fit {part.nominal_ohm:.12g}": part.channel for part in self.wiring.fit})
        channels.update({f"add {part.nominal_f:.12g}": part.channel for part in self.wiring.add})
        return channels

    @model_validator(mode="after")
    def _consistent(self) -> Board:
        names = [pin.name for pin in self.nodes()]
        twice = [name for name, count in Counter(names).items() if count > 1]
        if twice:
            raise ValueError(f"pins: two pins are called {twice[0]}")
        known = set(names)
        pins = {pin.name for pin in self.pins}
        for name in self.select_channels():
            if name not in pins:
                raise ValueError(f"wiring.select: there is no pin {name}")
        beside = [(f"wiring.hold: {name}", name) for name in self.wiring.hold]
        beside += [(f"pins: {pin.name}: couplings", other) for pin in self.pins for other in pin.couplings]
        for where, name in beside:
            if name not in known:
                raise ValueError(f"{where}: there is no pin {name}")
        for ohm, count in Counter(part.nominal_ohm for part in self.wiring.fit).items():
            if count > 1:
                raise ValueError(f"wiring.fit: two resistors of {ohm:.12g} ohm")
        for farad, count in Counter(part.nominal_f for part in self.wiring.add).items():
            if count > 1:
                raise ValueError(f"wiring.add: two capacitors of {farad:.12g} F")
        taken: dict[Channel, str] = {}
        for contact, channel in self.contacts().items():
            if channel in taken:
                raise ValueError(
                    f"wiring: {channel.device} {channel.number} drives both {taken[channel]} and {contact}"
                )
            taken[channel] = contact
        for contact in (*self.faults.welded, *self.faults.never_closes):
            if contact not in self.contacts() and contact != "button":
                raise ValueError(f"faults: there is no contact {contact!r}")
        return self


def parse_board(text: str, name: str = "board.toml") -> Board:
    """The board file's text, validated. Raises BoardFileError: one line `name: key: rule: value`."""
    try:
        return Board.model_validate(tomllib.loads(text))
    except ValidationError as exc:
        raise BoardFileError(_one_line(f"{name}: {_first_line(exc)}")) from exc
    except ValueError as exc:
        raise BoardFileError(_one_line(f"{name}: not TOML: {exc}")) from exc
    except RecursionError as exc:
        raise BoardFileError(f"{name}: not TOML: nested too deeply") from exc


def read_board_file(path: Path) -> Board:
    """As `parse_board`, from a file; a file that cannot be read is a BoardFileError too."""
    try:
        # A pipe is not waited for, and a device has no end.
        with os.fdopen(os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0)), "rb") as file:
            plain = stat.S_ISREG(os.fstat(file.fileno()).st_mode)
            raw = file.read(MAX_BYTES + 1) if plain else b""
    except (OSError, ValueError) as exc:
        reason = getattr(exc, "strerror", None) or exc
        raise BoardFileError(_one_line(f"{path}: cannot be read: {reason}")) from exc
    if not plain:
        raise BoardFileError(_one_line(f"{path}: cannot be read: is not a regular file"))
    if len(raw) > MAX_BYTES:
        raise BoardFileError(_one_line(f"{path}: must not be larger than {MAX_BYTES} bytes"))
    try:
        return parse_board(raw.decode("utf-8"), str(path))
    except UnicodeDecodeError as exc:
        raise BoardFileError(_one_line(f"{path}: cannot be read: is not UTF-8")) from exc


def _first_line(exc: ValidationError) -> str:
    """The first finding of pydantic as `key: rule: value`."""
    error = exc.errors(include_url=False)[0]
    key = ".".join(str(part) for part in error["loc"])
    if error["type"] == "extra_forbidden":
        return f"{key}: unknown key"
    rule = error["msg"].removeprefix("Value error, ")
    value = error["input"]
    shown = "" if isinstance(value, (dict, list)) or error["type"] == "missing" else f": {_shown(value)}"
    return (f"{key}: " if key else "") + rule + shown


def _shown(value: object) -> str:
    try:
        text = repr(value)
    except ValueError:
        return "a number of thousands of digits"
    return text if len(text) <= _SHOWN_CHARACTERS else f"{text[: _SHOWN_CHARACTERS - 1]}…"


def _one_line(text: str) -> str:
    """A message holds keys and names of the file: what a terminal would obey is shown by its code."""
    return "".join(letter if letter.isprintable() else f"[U+{ord(letter):04X}]" for letter in text)
