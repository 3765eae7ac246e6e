"""A simulated bench, a run on it as the command line starts it, and an eye on the bench that goes through neither."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import harness
from tests.harness.faulty_wire import FaultyWire
from tests.harness.test_conditions_run import supplied_bench, supplied_board
from tests.harness.whole_bench import SOUND, plan_text, simulated
from tests.ways_of_dying.states import NEIGHBOUR, PIN, State, body
from tests.ways_of_dying.ways import STAYS, Way

HOUSE = Path(harness.__file__).parent.parent
PINS = {PIN: SOUND, NEIGHBOUR: SOUND}
WIRES = (
    f'[wiring.hold.{NEIGHBOUR}]\nchannel = "relay_board 9"\nresistor_ohm = 1000.0\n'
    '[[wiring.add]]\nnominal_f = 1e-7\nchannel = "relay_board 6"\n'
)
ENOUGH_S = 60.0
"""Longer than anything here takes on a busy computer: a run that takes longer is a failure."""

SILENT_S = 3.0
"""For how long the guard of these runs hears nothing before it ends one that presses nothing, in place of 30 s."""

HEAD = """\
import os
import sys
import time
from pathlib import Path

import numpy as np

from results.record.observation import Observation
from results.record.trace import Trace

kept = []


def there(mark):
    Path(__file__).with_name(mark).touch()


def made():
    return Observation(Trace(np.empty(0), np.empty(0)))


def dying(bench, trial, settings):
"""


class Eye:
    """How contacts, source and rail really stand, as the simulated bench itself tells."""

    def __init__(self, resources: Mapping[str, str]) -> None:
        host, port = resources["hand"].rsplit(":", 1)
        self._socket = socket.create_connection((host, int(port)), timeout=ENOUGH_S)
        self._file = self._socket.makefile("rw", encoding="ascii", newline="\n")

    def unsafe(self) -> list[str]:
        """What is not as it should be: contacts closed, the source joined to its terminals, the rail up."""
        self._file.write("LOOK\n")
        self._file.flush()
        seen = json.loads(self._file.readline())
        found = list(seen["closed"])
        if seen["source"] != "open":
            found.append(f"source {seen['source']}")
        if seen["rail_v"] > 0.05:
            found.append(f"rail {seen['rail_v']:.2f} V")
        return found

    def close(self) -> None:
        self._file.close()
        self._socket.close()


@contextmanager
def bench(folder: Path, clients: str = "many") -> Iterator[dict[str, str]]:
    """The simulated bench of all these runs: every relay there is, a source, a supply."""
    folder.mkdir(parents=True, exist_ok=True)
    board = supplied_board(PINS).replace("[supply]", f'{WIRES}[ports]\nclients = "{clients}"\n[supply]')
    with simulated(folder, board) as resources:
        yield resources


@dataclass
class Run:
    """A run as a process; its marks stand in `folder`."""

    process: subprocess.Popen[str]
    folder: Path
    terminal: int | None = None

    @property
    def pid(self) -> int:
        return self.process.pid

    def guard_pid(self) -> int:
        """The run's guard: its only child that is one."""
        for task in Path(f"/proc/{self.pid}/task").iterdir():
            for child in (task / "children").read_text().split():
                if "guard.py" in Path(f"/proc/{child}/cmdline").read_text():
                    return int(child)
        raise AssertionError("the run has no guard")

    def close_terminal(self) -> None:
        assert self.terminal is not None
        os.close(self.terminal)
        self.terminal = None

    def close_output(self) -> None:
        assert self.process.stdout is not None
        self.process.stdout.close()

    def close(self) -> None:
        """Whatever is left of it."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        if self.terminal is not None:
            self.close_terminal()
        if self.process.stdout is not None:
            self.process.stdout.close()


def bench_file(resources: Mapping[str, str], state: State, way: Way) -> str:
    text = supplied_bench(resources, list(PINS)) + f'[wiring.hold]\n{NEIGHBOUR} = "relay_board 9"\n'
    text = text.replace("[wiring.select]", '[wiring.add]\n"100 nF" = "relay_board 6"\n[wiring.select]')
    # Ten bench seconds are one here; a run that hangs is ended at its lease.
    text += f'[limits]\npress_time = "{10 if way.hangs else 600} s"\n'
    return text.replace('power_up = "50 ms"', 'power_up = "60 s"') if state.name.startswith("preparing") else text


def start(folder: Path, resources: Mapping[str, str], state: State, way: Way) -> Run:
    """Start a run that goes to the state, and there does the way's deed; returns at once."""
    folder.mkdir(parents=True)
    (folder / "dying.py").write_text(HEAD + body(state, way.deed if state.own else STAYS) + "\n", encoding="utf-8")
    if state.name == "making safe":
        (folder / "dying.py").write_text(f"{HEAD}    return None\n", encoding="utf-8")
    (folder / "bench.toml").write_text(bench_file(resources, state, way), encoding="utf-8")
    # The first fault ends the run: recovering from it is another matter.
    plan = plan_text([PIN], trials='procedure = "dying.py"') + "[retest]\nfailures = 0\n"
    (folder / "plan.toml").write_text(plan, encoding="utf-8")
    code = f"import harness.safety as s; s.SILENT_S = {SILENT_S}; from harness.entry import main; main()"
    command = [sys.executable, "-c", code, "run", "plan.toml", "--bench", "bench.toml", "--procedures", ".", "--no-pdf"]
    environment = {**os.environ, "PYTHONPATH": str(HOUSE), "TERM": "xterm"}
    if not way.terminal:
        with (folder / "errors").open("w") as errors:
            process = subprocess.Popen(
                command,
                cwd=folder,
                env=environment,
                text=True,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=errors,
            )
        return Run(process, folder)
    ours, theirs = os.openpty()
    # A session of its own, so that the pseudo-terminal is its controlling terminal once it opens it.
    opener = f"import os; os.setsid(); os.close(os.open({os.ttyname(theirs)!r}, os.O_RDWR)); " + code
    process = subprocess.Popen(
        [command[0], "-c", opener, *command[3:]],
        cwd=folder,
        env=environment,
        text=True,
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
    )
    os.close(theirs)
    return Run(process, folder, ours)


def wait_until_there(run: Run, state: State, eye: Eye, wire: FaultyWire | None) -> None:
    """Wait until the run is in the state."""
    until_s = time.monotonic() + ENOUGH_S
    while not _is_there(run, state, eye, wire):
        if time.monotonic() > until_s or (run.process.poll() is not None and not state.own):
            raise AssertionError(f"the run did not come to be {state.name}: {_errors(run)}")
        if run.process.poll() is not None and not (run.folder / "here").exists():
            raise AssertionError(f"the run ended before it was {state.name}: {_errors(run)}")
        time.sleep(0.005)


def _is_there(run: Run, state: State, eye: Eye, wire: FaultyWire | None) -> bool:
    if wire is not None:
        return wire.commands.count("OPEN ALL") >= 2
    if state.name.startswith("preparing"):
        return any(each.startswith("rail") for each in eye.unsafe())
    return (run.folder / "here").exists()


def _errors(run: Run) -> str:
    with suppress(OSError):
        return " ".join((run.folder / "errors").read_text().split())
    return ""
