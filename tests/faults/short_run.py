"""A short run of known truth with a wire of ours in front of every instrument: four trials, every role in use."""

from __future__ import annotations

import socket
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from harness.demo import simulated_bench
from harness.run import RunResult
from tests.faults.armed import Armed
from tests.faults.wall_clock import WallClock
from tests.faults.wire import Wire
from tests.harness.whole_bench import LATCHES, SOUND, SPEED, bench_text, board_text, plan_text, run_plan

PressPath = Literal["relay", "source"]

PINS = {"D1": SOUND, "D2": f"{LATCHES}\nleak_rail_v = 3.3"}
"""The leak of the second needs the rail: without power the pin forgets that it was pressed."""

ROLES = ("meter", "source", "switch", "supply", "relay_board", "board")
SERIALS = {
    "meter": "SIM-0001",
    "source": "SIM-0002",
    "switch": "SIM-0003",
    "supply": "SIM-0005",
    "relay_board": "SIM-0004",
    "board": "FH-2417-001",
}
"""What each identity must hold, so that another instrument is told from the one that the bench file names."""

SETUPS: Mapping[str, str] = {"relay": "reset default", "source": "pull-down off"}
"""One that a board which restarts has by itself, and one that it forgets."""

_SUPPLIED = "[unit]\nquiescent_a = 6e-3\n[supply]\nnoise_a = 1e-6\n"


def _rewired(text: str) -> str:
    """The fit relay far from the others: `CLOSE 14` that loses a digit would press the pin."""
    return text.replace("relay_board 5", "relay_board 14")


def plan(path: PressPath) -> str:
    """Two pins, with and without a resistor."""
    setups = f'pin_setups = ["{SETUPS[path]}"]'
    text = plan_text(list(PINS), path=path, resistors='["none", "8.2 kΩ"]', trials=setups)
    text += '[retest]\nfirst_wait = "100 ms"\nlongest_wait = "2 s"\n'
    # Stated, since the rail as measured has other noise where it is read anew.
    return text if path == "relay" else text.replace('path = "source"', 'path = "source"\nvoltage = "3.3 V"')


def bench(resources: Mapping[str, str]) -> str:
    """The bench file, with identities and a supply."""
    text = _rewired(bench_text(resources, list(PINS)))
    text = text.replace(f"speed = {SPEED:g}", f'resource = "{resources["clock"]}"')
    text += f'[supply]\nresource = "{resources["supply"]}"\ncurrent_limit = "100 mA"\nvoltage_max = "3.7 V"\n'
    for role, serial in SERIALS.items():
        text = text.replace(f"[{role}]\n", f'[{role}]\nidentity = "{serial}"\n')
    return text


@contextmanager
def served(folder: Path) -> Iterator[dict[str, str]]:
    """The simulated bench of the short run, as its own program."""
    path = folder / "board.toml"
    path.write_text(_rewired(board_text(PINS, _SUPPLIED)), encoding="utf-8")
    # Stepped: it waits for nothing in real time, and two runs are equal to the last bit.
    with simulated_bench(path, stepped=True) as resources:
        yield resources


def ordered(resources: Mapping[str, str], line: str) -> str:
    """Give an order at the simulated bench's hand port; returns what it answers."""
    host, port = resources["hand"].rsplit(":", 1)
    with socket.create_connection((host, int(port)), timeout=5) as hand:
        hand.sendall(f"{line}\n".encode())
        return hand.makefile("r").readline().strip()


@dataclass(frozen=True)
class Made:
    """What a run came to, and how often each armed fault took hold of something."""

    result: RunResult
    bites: tuple[int, ...]
    commands: Mapping[str, tuple[str, ...]]


def made(folder: Path, resources: Mapping[str, str], path: PressPath, armed: Sequence[tuple[str, Armed]] = ()) -> Made:
    """Carry the short run out with these faults armed: (role, fault)."""

    def order(line: str) -> None:
        answer = ordered(resources, line)
        if answer != "OK":
            raise AssertionError(f"{line}: {answer}")

    folder.mkdir(parents=True, exist_ok=True)
    clock = WallClock()
    with ExitStack() as open_wires:
        open_wires.enter_context(clock.in_force())
        wires = {role: Wire(role, resources[role], folder, order, clock.step) for role in ROLES}
        for wire in wires.values():
            open_wires.enter_context(wire)
        for role, wire in wires.items():
            wire.armed = tuple(one for where, one in armed if where == role)
        proxied = {**resources, **{role: wire.resource for role, wire in wires.items()}}
        result = run_plan(folder, plan(path), bench(proxied))
        # Before the wires are closed: the guard and the run have done with them.
        commands = {role: tuple(wire.commands) for role, wire in wires.items()}
    return Made(result, tuple(one.bites for _, one in armed), commands)
