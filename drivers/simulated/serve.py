"""Serve the simulated bench: loopback TCP ports and pseudo-terminals in front of one world.

    serve(board_file, *, speed, seed, announce, stop)      in this process, until `stop` is set
    python -m drivers.simulated.serve BOARD.toml [--speed 10 | --stepped] [--seed 7] [--until-stdin-ends] [--no-pty]

prints one line on stdout when everything listens,

    ready {"meter": "TCPIP::127.0.0.1::40101::SOCKET", "source": "TCPIP::…", "switch": "TCPIP::…",
           "relay_board": "/dev/pts/4", "board": "/dev/pts/5", "clock": "socket://127.0.0.1:40109",
           "hand": "127.0.0.1:40111"}

(and "supply" and "chamber", where the board file has them)

and ends on SIGTERM, SIGINT or (with --until-stdin-ends) the end of its standard input. Where there are no
pseudo-terminals, or with --no-pty, relay_board and board are "socket://127.0.0.1:<port>". The board file's format
stands in board_file.py.

`hand` is a person's hand at the bench, one LF-terminated line a request, answered by `OK` or `ERR <text>`:

    CLIP D1 | CLIP none   the meter's clip (and the push button's) on that pin; one clip only
    PRESS D1              clip it and push the button: rail -> hand press resistor -> button (bounces) -> pin
    RELEASE               let the button go
    FIT D1 8200 | FIT D1 none    a resistor from that pin to ground, clipping the pin too; it stays until taken off
    CLEAN D1              what leaks from the rail over the board to that pin (rail_resistance_ohm) is gone
    LIFT D1 pad | LIFT D1 pin    that pin of the chip lifted off; the wire of D1 is on the pad, or on the lifted pin
    TEMPERATURE 358.15    the chamber, in kelvin, at once
    LOOK                  answered by JSON: {"closed": ["press", …], "source": "open" or "voltage" or "current",
                          "rail_v": 3.3, "bus_v": 0.0, "time_s": 12.5, "closings": {"relay_board 1": 7, …}}: contacts,
                          and not what instruments say of them
    RESTART meter | RESTART meter dropped    that instrument's power goes and comes back, in no time: its settings at
                          their defaults, outputs off, relays open, its error queue empty; or its connections break, too

`clock` is the bench's clock (see clock_line.py). With --stepped it stands still until somebody waits: for the clock, or
an instrument for its reading; the bench is then as fast as the computer, and the same to the last bit each time.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol

from drivers.simulated.board_file import BoardFileError, read_board_file
from drivers.simulated.chamber import Chamber
from drivers.simulated.clock import ScaledClock, SteppedClock
from drivers.simulated.clock_line import ClockLine
from drivers.simulated.console import BoardConsole, Hand, RelayBoard
from drivers.simulated.instrument import Instrument
from drivers.simulated.meter import Meter
from drivers.simulated.port import Ports, Session, line_session, scpi_session
from drivers.simulated.source import Source
from drivers.simulated.supply import Supply
from drivers.simulated.switch import Switch
from drivers.simulated.world import World

MAKER = "Invented Instruments"
STOP_LOOK_S = 0.1
SWITCH_INTERVAL_S = 2e-4


def serve(
    board_file: Path,
    *,
    speed: float | None,
    seed: int | None,
    announce: Callable[[dict[str, str]], None],
    stop: threading.Event,
    pty: bool = True,
    stepped: bool = False,
) -> None:
    """Serve the bench until `stop` is set; `announce` is given role -> resource once everything listens.

    `speed`, `seed`: None means the board file's. `stepped`: bench time passes only where somebody waits, at no speed.
    Raises BoardFileError before anything listens.
    """
    board = read_board_file(board_file)
    clock = SteppedClock() if stepped else ScaledClock(board.speed if speed is None else speed)
    world = World(board, seed)
    instruments = _instruments(world)
    lines: dict[str, RelayBoard | BoardConsole] = {
        "relay_board": RelayBoard(world, f"{MAKER},Relay board 16,SIM-0004,1.0"),
        "board": BoardConsole(world),
    }
    with Ports(world, clock, pty=pty) as ports:
        sessions = {
            **{role: scpi_session(instrument) for role, instrument in instruments.items()},
            **{role: line_session(device) for role, device in lines.items()},
        }
        clients = board.ports.clients
        resources = {role: f"TCPIP::127.0.0.1::{ports.tcp(sessions[role], clients)}::SOCKET" for role in instruments}
        resources |= {role: ports.serial(sessions[role]) for role in lines}
        devices: dict[str, Restarts] = {**instruments, **lines}
        restarts = {role: _restarting(device, ports, sessions[role]) for role, device in devices.items()}
        resources["clock"] = f"socket://127.0.0.1:{ports.tcp(line_session(ClockLine(clock)))}"
        resources["hand"] = f"127.0.0.1:{ports.tcp(line_session(Hand(world, restarts)))}"
        announce(resources)
        while not stop.wait(STOP_LOOK_S):
            ports.check()


def _instruments(world: World) -> dict[str, Instrument]:
    """Role -> SCPI instrument; supply and chamber where the board file has them."""
    board = world.board
    found: dict[str, Instrument] = {
        "meter": Meter(world, f"{MAKER},Voltmeter 61,SIM-0001,2.0"),
        "source": Source(world, f"{MAKER},Source-measure unit 24,SIM-0002,1.3"),
        "switch": Switch(world, f"{MAKER},Switch 48,SIM-0003,1.1"),
    }
    if board.supply is not None:
        found["supply"] = Supply(world, f"{MAKER},Power supply 30,SIM-0005,1.0", board.supply)
    if board.chamber is not None:
        found["chamber"] = Chamber(world, f"{MAKER},Chamber 20,SIM-0006,1.0", board.chamber)
    return found


class Restarts(Protocol):
    """What can be made to restart."""

    def restart(self) -> None: ...


def _restarting(device: Restarts, ports: Ports, session: Session) -> Callable[[bool], None]:
    def restart(dropped: bool) -> None:
        device.restart()
        if dropped:
            ports.drop(session)

    return restart


def main(argv: Sequence[str] | None = None, announced: Callable[[dict[str, str]], None] | None = None) -> int:
    """The command line of the module's text. Exit status 0 when told to stop, 2 for a wrong board file or option.

    `announced` is given role -> resource as well, before they are printed.
    """
    # Threads that solve must not keep the others from noting when a command arrived.
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    parser = argparse.ArgumentParser(prog="drivers.simulated.serve", description="Serve the simulated bench.")
    parser.add_argument("board", type=Path, help="board file (TOML)")
    passing = parser.add_mutually_exclusive_group()
    passing.add_argument("--speed", type=_positive, help="bench seconds a real second; the board file's by default")
    passing.add_argument("--stepped", action="store_true", help="bench time passes only where somebody waits")
    parser.add_argument("--seed", type=int, help="instead of the board file's")
    parser.add_argument("--until-stdin-ends", action="store_true", help="end when standard input does")
    parser.add_argument("--no-pty", action="store_true", help="serve the serial lines on TCP ports too")
    options = parser.parse_args(argv)
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    if options.until_stdin_ends:
        threading.Thread(target=_wait_for_end, args=(stop,), daemon=True).start()

    def announce(resources: dict[str, str]) -> None:
        if announced is not None:
            announced(resources)
        sys.stdout.write(f"ready {json.dumps(resources)}\n")
        sys.stdout.flush()

    try:
        serve(
            options.board,
            speed=options.speed,
            seed=options.seed,
            announce=announce,
            stop=stop,
            pty=not options.no_pty,
            stepped=options.stepped,
        )
    except BoardFileError as exc:
        sys.stderr.write(f"stuckpin: {exc}\n")
        return 2
    return 0


def _positive(text: str) -> float:
    value = float(text)
    if not 0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f"must be above zero: {text}")
    return value


def _wait_for_end(stop: threading.Event) -> None:
    while os.read(sys.stdin.fileno(), 4096):
        pass
    stop.set()


if __name__ == "__main__":
    sys.exit(main())
