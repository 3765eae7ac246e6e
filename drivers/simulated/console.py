"""The line devices of the simulated bench: relay board, console of the board under test, and a person's hand.

Each takes one line (text without its terminator) and returns one; like the instruments, by a generator that yields
the bench time to wait for. All three refuse what they do not know in one line, each in its own words.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Generator, Mapping
from typing import get_args

from drivers.simulated.board_file import Setup
from drivers.simulated.clock import on_grid
from drivers.simulated.world import NoSuchNameError, World

Answer = Generator[float, None, str | None]
"""None: no answer at all."""

RELAYS = 16


class RelayBoard:
    """`IDN?`, `CLOSE n`, `OPEN n`, `OPEN ALL`, `CLOSED?`; wrong: `ERR <number> <text>`. Relays 1 to 16."""

    def __init__(self, world: World, identity: str) -> None:
        self.world = world
        self.identity = identity
        wired = world.board.contacts().items()
        self._contacts = {channel.number: name for name, channel in wired if channel.device == "relay_board"}
        self._closed = dict.fromkeys(sorted({*range(1, RELAYS + 1), *self._contacts}), False)

    def run(self, line: str) -> Answer:
        yield from ()
        return self._answer(line.split())

    def restart(self) -> None:
        """As after its power came back: every coil is without current."""
        self._answer(["OPEN", "ALL"])

    def _answer(self, words: list[str]) -> str:
        match words:
            case ["IDN?"]:
                return self.identity
            case ["CLOSED?"]:
                return " ".join(str(number) for number, closed in self._closed.items() if closed) or "NONE"
            case ["OPEN", "ALL"]:
                for number, closed in self._closed.items():
                    if closed:
                        self._set(number, False)
                return "OK"
            case ["CLOSE" | "OPEN" as verb, number]:
                if not (number.isascii() and number.isdigit()):
                    return f"ERR 2 not a relay number: {number}"
                if int(number) not in self._closed:
                    return f"ERR 3 no relay {number}"
                self._set(int(number), verb == "CLOSE")
                return "OK"
            case _:
                return "ERR 1 unknown command"

    def _set(self, number: int, close: bool) -> None:
        self._closed[number] = close
        if number in self._contacts:
            self.world.set_contact(self._contacts[number], close)


class BoardConsole:
    """The unit's own console: `id`, `reset`, `setup <pin> <name>`, `setup? <pin>`, `read <pin>`.

    Wrong: `error: <text>`. Without power it says nothing.
    """

    def __init__(self, world: World) -> None:
        self.world = world
        self._starts = 0
        self._booted_s = 0.0

    def restart(self) -> None:
        """The unit resets itself (its watchdog, say): every pin at its default, and it has to boot."""
        self._starts += 1
        self._booted_s = self.world.now_s + self.world.board.unit.boot_time_s
        self.world.set_setup("reset default", *self.world.setups)

    def run(self, line: str) -> Answer:
        words = line.split()
        if not self.world.is_up():
            return None
        while self.world.now_s < (booted_s := max(self.world.booted_s(), self._booted_s)):
            yield booted_s
        try:
            if words == ["reset"]:
                return (yield from self._reset())
            return self._answer(words)
        except NoSuchNameError as exc:
            return f"error: {exc}"

    def _reset(self) -> Answer:
        starts = self._starts
        ready_s = self.world.now_s + on_grid(self.world.board.unit.boot_time_s)
        while self.world.now_s < ready_s:
            yield ready_s
        if self._starts != starts:
            return None  # it restarted meanwhile, and knows of no command any more
        self.world.set_setup("reset default", *self.world.setups)
        return "ok"

    def _answer(self, words: list[str]) -> str:
        match words:
            case ["id"]:
                unit = self.world.board.unit
                return f"{unit.name},{unit.revision},{unit.serial},{unit.firmware}"
            case ["setup?", pin]:
                self.world.pin_part(pin)
                return self.world.setups[pin]
            case ["read", pin]:
                return self._read(pin)
            case ["setup", pin, *name]:
                self.world.pin_part(pin)
                setup = next((s for s in get_args(Setup) if s == " ".join(name)), None)
                if setup is None:
                    return f"error: no setup {' '.join(name)!r}"
                self.world.set_setup(setup, pin)
                return "ok"
            case _:
                return "error: unknown command"

    def _read(self, pin: str) -> str:
        volts = self.world.pin_v(pin)
        if self.world.setups[pin] == "buffer off":
            return "off"
        if self.world.setups[pin] == "polled buffer":
            high = self.world.polled_high(pin)
            return "off" if high is None else "high" if high else "low"
        return "high" if volts > self.world.board.unit.input_threshold_v else "low"


class Hand:
    """A person at the bench: `CLIP`, `PRESS`, `RELEASE`, `FIT`, `CLEAN`, `LIFT`, `TEMPERATURE`, `RESTART`, `LOOK` (see
    serve.py).

    `restarts`: role -> what makes that instrument restart, told whether its connections break. Wrong: `ERR <text>`.
    """

    def __init__(self, world: World, restarts: Mapping[str, Callable[[bool], None]] | None = None) -> None:
        self.world = world
        self._restarts = restarts or {}

    def run(self, line: str) -> Answer:
        yield from ()
        words = line.split()
        if words == ["LOOK"]:
            return json.dumps(self.world.seen())
        try:
            self._act(words)
        except (NoSuchNameError, ValueError) as exc:
            return f"ERR {exc}"
        return "OK"

    def _act(self, words: list[str]) -> None:
        world = self.world
        match words:
            case ["CLIP", "none"]:
                world.clip(None)
            case ["CLIP", pin]:
                world.clip(pin)
            case ["PRESS", pin]:
                world.clip(pin)
                world.set_contact("button", True)
            case ["RELEASE"]:
                world.set_contact("button", False)
            case ["FIT", pin, ohm]:
                resistance_ohm = None if ohm == "none" else _positive(ohm)
                world.clip(pin)
                world.fit_by_hand(pin, resistance_ohm)
            case ["CLEAN", pin]:
                world.clean(pin)
            case ["LIFT", pin, "pad" | "pin" as where]:
                world.lift(pin, where)
            case ["TEMPERATURE", kelvin]:
                world.set_temperature(_positive(kelvin))
            case ["RESTART", role, *rest] if rest in ([], ["dropped"]):
                if role not in self._restarts:
                    raise ValueError(f"no instrument {role!r} restarts; there are {', '.join(self._restarts)}")
                self._restarts[role](bool(rest))
            case _:
                raise ValueError("unknown command")


def _positive(text: str) -> float:
    """A number above zero. Raises ValueError in one line."""
    try:
        value = float(text)
    except ValueError:
        raise ValueError(f"not a number: {text}") from None
    if not 0 < value < math.inf:
        raise ValueError(f"must be above zero: {text}")
    return value
