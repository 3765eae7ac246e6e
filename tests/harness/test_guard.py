"""Whatever becomes of the run, a second process lets the pin go and proves it."""

from __future__ import annotations

import json
import os
import queue
import re
import socket
import subprocess
import sys
import threading
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from drivers.claim import claim
from drivers.dialect import Dialect
from drivers.errors import LinkError
from drivers.safe_state import look_at_bus, safe_steps
from drivers.simulated.board_file import Clients
from drivers.simulated.clock import ScaledClock
from drivers.simulated.port import Ports, scpi_session
from drivers.simulated.switch import Switch as SimulatedSwitch
from drivers.simulated.world import World
from harness import guard
from harness.errors import SafetyError
from harness.safety import SILENT_S, Safety
from tests.drivers.simulated.by_hand import PATHS, board

GUARD = Path(guard.__file__)


class LatchedOutput:
    """An instrument on a socket whose output is on until told off; `deaf_for` connections are accepted and ignored."""

    def __init__(self, deaf_for: int = 0, stuck: bool = False) -> None:
        self.on = True
        self.heard: list[str] = []
        self.reads = ""
        self.told_off: Callable[[], object] = lambda: None
        self._deaf = deaf_for
        self._stuck = stuck
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        while True:
            try:
                peer, _ = self._listener.accept()
            except OSError:
                return
            if self._deaf > 0:
                self._deaf -= 1
                peer.close()
                continue
            with peer, peer.makefile("rwb", buffering=0) as file:
                for line in file:
                    self._answer(line.decode().strip(), file)

    def _answer(self, line: str, file: Any) -> None:
        self.heard.append(line)
        for part in line.split(";"):
            if part == "OUTP:STAT OFF" and not self._stuck:
                self.on = False
                self.told_off()
            elif part == "READ?":
                file.write(f"{self.reads}\n".encode())
            elif part == "OUTP:STAT?":
                file.write(b"1\n" if self.on else b"0\n")

    def close(self) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)  # ends the accept that waits in the thread
        self._listener.close()

    @property
    def resource(self) -> str:
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    def steps(self) -> dict[str, Any]:
        message = "OUTP:STAT OFF;OUTP:STAT?"
        return {
            "kind": "visa-socket",
            "resource": self.resource,
            "steps": [{"command": "OUTP:STAT OFF", "query": "OUTP:STAT?", "message": message, "expect": "[+]?0|OFF"}],
        }


@contextmanager
def latched(**kind: Any) -> Iterator[LatchedOutput]:
    instrument = LatchedOutput(**kind)
    try:
        yield instrument
    finally:
        instrument.close()


def start_guard(*instruments: dict[str, Any], pid: int, report: Path) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-I", str(GUARD)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(json.dumps({"run_pid": pid, "instruments": instruments, "report": str(report)}) + "\n")
    process.stdin.flush()
    assert process.stdout.readline().strip() == "guard ready"
    return process


def finish(process: subprocess.Popen[str]) -> int:
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.close()
    status = process.wait(timeout=30)
    process.stdout.close()
    return status


def test_the_end_of_the_run_however_it_came_switches_the_output_off(tmp_path: Path) -> None:
    with latched() as source:
        process = start_guard(source.steps(), pid=0, report=tmp_path / "guard.json")
        assert finish(process) == 0
        assert not source.on
    assert json.loads((tmp_path / "guard.json").read_text()) == {"reason": "run ended", "not_verified": {}}


def test_a_run_that_ends_well_is_left_alone(tmp_path: Path) -> None:
    with latched() as source:
        process = start_guard(source.steps(), pid=0, report=tmp_path / "guard.json")
        assert process.stdin is not None
        process.stdin.write('{"done": true}\n')
        process.stdin.flush()
        assert finish(process) == 0
        assert source.on
        assert source.heard == []


def test_a_lease_that_runs_out_ends_the_hanging_run_and_makes_safe(tmp_path: Path) -> None:
    hanging = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"])
    with latched() as source:
        process = start_guard(source.steps(), pid=hanging.pid, report=tmp_path / "guard.json")
        assert process.stdin is not None
        process.stdin.write('{"lease_s": 0.05}\n')
        process.stdin.flush()
        assert process.wait(timeout=30) == 0
        assert hanging.wait(timeout=30) != 0
        assert not source.on
        finish(process)
    assert json.loads((tmp_path / "guard.json").read_text())["reason"] == "lease"


def test_a_run_that_gives_no_sign_of_life_any_more_is_ended_and_made_safe(tmp_path: Path) -> None:
    hanging = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"])
    with latched() as source:
        process = start_guard(source.steps(), pid=hanging.pid, report=tmp_path / "guard.json")
        assert process.stdin is not None
        for message in ('{"hang_s": 600}', '{"lease_s": 600}', '{"hang_s": 0.05}'):
            process.stdin.write(message + "\n")
        process.stdin.flush()
        assert process.wait(timeout=30) == 0
        assert hanging.wait(timeout=30) != 0
        assert not source.on
        finish(process)
    assert json.loads((tmp_path / "guard.json").read_text())["reason"] == "hang"


def test_a_sign_of_life_covers_no_press_and_a_lease_no_silence() -> None:
    """Each has an end of its own; the first that comes counts."""
    for messages, reason in (
        ([{"hang_s": 600}, {"lease_s": 0.02}, {"hang_s": 600}], "lease"),
        ([{"lease_s": 600}, {"hang_s": 0.02}, {"lease_s": 600}], "hang"),
        ([{"lease_s": 0.01}, {"lease_s": None}, {"hang_s": 0.02}], "hang"),
    ):
        lines: queue.Queue[dict[str, Any] | None] = queue.Queue()
        for message in messages:
            lines.put(message)
        assert guard._watch(lines) == reason


@pytest.mark.skipif(not hasattr(os, "pidfd_open"), reason="only Linux tells of the end of a process that is no child")
def test_a_child_that_keeps_the_line_to_the_guard_open_does_not_hide_the_end_of_the_run(tmp_path: Path) -> None:
    with latched() as source:
        run = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"])
        process = start_guard(source.steps(), pid=run.pid, report=tmp_path / "guard.json")
        run.kill()
        run.wait(timeout=30)
        assert process.wait(timeout=30) == 0  # though its input is still open, here
        assert not source.on
        finish(process)


def test_what_drives_the_board_is_switched_off_after_what_presses_it() -> None:
    order: list[str] = []
    with latched() as relays, latched() as supply:
        for name, instrument in (("relays", relays), ("supply", supply)):
            instrument.told_off = partial(order.append, name)
        steps = [{**supply.steps(), "phase": 4}, {**relays.steps(), "phase": 1}]
        assert guard.make_all_safe(steps) == {}
    assert order == ["relays", "supply"]


def test_a_deaf_instrument_delays_the_next_phase_by_half_a_second_only(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "PHASE_S", 0.05)
    with latched(stuck=True) as relays, latched() as supply:
        problems = guard.make_all_safe([{**relays.steps(), "phase": 1}, {**supply.steps(), "phase": 4}], give_up_s=0.3)
        assert list(problems) == [relays.resource]
        assert not supply.on


@pytest.mark.parametrize(
    ("reads", "told"),
    [
        ("+1.2000000E-03", "the bus reads 0.001 V"),
        (
            "+3.2900000E+00",
            "THE BUS reads 3.290 V after every relay was told to open: a contact is welded, or something else drives "
            "the bus (a pin connected by hand may); take the rail away from the unit",
        ),
        (
            "+9.9000000E+37",
            "THE BUS is beyond the meter's range after every relay was told to open: a contact is welded, or something "
            "else drives the bus (a pin connected by hand may); take the rail away from the unit",
        ),
        (
            "#18",
            "not proven at the contacts: the meter could not be read: ValueError: could not convert string to float: "
            "'#18'",
        ),
    ],
)
def test_the_guard_reads_the_bus_once_all_is_open(reads: str, told: str) -> None:
    with latched() as relays, latched() as meter:
        meter.reads = reads
        look = look_at_bus(meter.resource, Dialect("meter"))
        assert look is not None
        bus: list[str] = []
        assert guard.make_all_safe([dict(look), {**relays.steps(), "phase": 1}], bus=bus) == {}
        assert bus == [told]
        assert meter.heard == ["", "ABOR", "TRIG:SOUR IMM", "FORM ASC", "TRIG:COUN 1", "READ?"]


def test_a_bus_that_is_driven_is_told_and_no_success(tmp_path: Path) -> None:
    with latched() as relays, latched() as meter:
        meter.reads = "3.29"
        look = look_at_bus(meter.resource, Dialect("meter"))
        process = start_guard(relays.steps(), dict(look or {}), pid=0, report=tmp_path / "guard.json")
        assert finish(process) == 1
    report = json.loads((tmp_path / "guard.json").read_text())
    assert report["not_verified"] == {}
    assert report["bus"].startswith("THE BUS reads 3.290 V")


def test_an_instrument_that_hangs_up_at_first_is_tried_again() -> None:
    with latched(deaf_for=3) as source:
        assert guard.make_all_safe([source.steps()]) == {}
        assert not source.on


def test_what_cannot_be_proven_is_reported_and_delays_nobody() -> None:
    with latched(stuck=True) as bad, latched() as good:
        problems = guard.make_all_safe([bad.steps(), good.steps()], give_up_s=0.2)
        assert problems == {bad.resource: "'OUTP:STAT OFF;OUTP:STAT?' answered '1', expected '[+]?0|OFF'"}
        assert not good.on


def test_a_dead_address_is_reported() -> None:
    with latched() as source:
        steps = source.steps()
    problems = guard.make_all_safe([steps], give_up_s=0.1)
    assert list(problems) == [steps["resource"]]
    assert "refused" in problems[steps["resource"]].lower()


@pytest.mark.skipif(not hasattr(__import__("os"), "openpty"), reason="no pseudo-terminals here")
def test_a_line_device_is_made_safe_even_after_half_a_command() -> None:
    import os
    import tty

    ours, theirs = os.openpty()
    tty.setraw(theirs)
    state = {"closed": True}

    def board() -> None:
        text = b"CLOS"  # what the dead run left behind
        while True:
            try:
                text += os.read(ours, 64)
            except OSError:
                return
            while b"\n" in text:
                line, text = text.split(b"\n", 1)
                answer = b"ERR -113 what?\n"
                if line == b"OPEN ALL":
                    state["closed"], answer = False, b"OK\n"
                elif line == b"CLOSED?":
                    answer = b"1\n" if state["closed"] else b"NONE\n"
                os.write(ours, answer)

    threading.Thread(target=board, daemon=True).start()
    steps = [{"command": "OPEN ALL", "acknowledge": "OK", "query": "CLOSED?", "expect": "NONE"}]
    relays = {"kind": "serial", "resource": os.ttyname(theirs), "steps": steps}
    assert guard.make_all_safe([relays]) == {}
    assert not state["closed"]
    os.close(theirs)


@pytest.mark.skipif(sys.platform == "win32", reason="links need a privilege there")
def test_the_report_is_not_written_through_a_link_that_somebody_planted(tmp_path: Path) -> None:
    """In a folder of checks that came from a stranger it used to overwrite any file of the user's."""
    (tmp_path / "victim").write_text("precious")
    report = tmp_path / "guard.json"
    report.symlink_to(tmp_path / "victim")
    with latched() as source:
        safety = Safety([source.steps()], report)
        safety.start()
        assert safety.hand_over() == 0
    assert (tmp_path / "victim").read_text() == "precious"
    assert json.loads(report.read_text()) == {"reason": "handed over", "not_verified": {}}


def test_the_run_starts_leases_and_stands_its_guard_down(tmp_path: Path) -> None:
    with latched() as source:
        safety = Safety([source.steps()], tmp_path / "guard.json")
        safety.start()
        safety.lease(100.0)
        safety.lease(None)
        safety.stand_down()
        assert source.on
        safety = Safety([source.steps()], tmp_path / "guard.json")
        safety.start()
        assert safety.hand_over() == 0
        assert not source.on


@pytest.mark.skipif(os.name == "nt", reason="lock files cannot be handed on there")
def test_nobody_has_the_bench_before_the_guard_has_made_it_safe(tmp_path: Path) -> None:
    """A killed run let go of its claim at once, so that another could press while the guard was opening its relays."""
    with latched() as source:
        held = claim([source.resource], tmp_path)
        safety = Safety([source.steps()], tmp_path / "guard.json")
        safety.start(held.descriptors)
        for descriptor in held.descriptors:  # as the end of a process does it
            os.close(descriptor)
        with pytest.raises(LinkError, match=r"in use by .*process"):
            claim([source.resource], tmp_path)
        assert safety.hand_over() == 0
        assert not source.on
        claim([source.resource], tmp_path).close()


def test_a_guard_that_does_not_come_up_in_time_is_no_guard(monkeypatch: pytest.MonkeyPatch) -> None:
    """Used to be waited for without an end."""
    monkeypatch.setattr("harness.safety.READY_S", 0.2)
    monkeypatch.setattr("harness.safety.sys.executable", "sleeper")
    real = subprocess.Popen

    def asleep(command: list[str], **options: Any) -> Any:
        assert command[0] == "sleeper"
        return real(["sleep", "600"], **options)

    monkeypatch.setattr("harness.safety.subprocess.Popen", asleep)
    with pytest.raises(SafetyError, match="guard: did not come up, so nothing is pressed: answered ''"):
        Safety([]).start()


@pytest.mark.parametrize("said", [True, False], ids=["its steps told", "nothing told"])
def test_a_run_that_is_gone_before_its_guard_is_up_leaves_no_traceback(said: bool) -> None:
    """Used to: the guard could not answer, and died of it without making anything safe."""
    process = subprocess.Popen(
        [sys.executable, "-I", str(GUARD)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdin is not None
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.close()
    with latched() as output:
        if said:
            process.stdin.write(json.dumps({"run_pid": os.getpid(), "instruments": [output.steps()]}) + "\n")
        process.stdin.close()
        assert process.wait(timeout=20) == 0
        assert output.on is not said
    assert process.stderr.read() == ("stuckpin guard: everything made safe\n" if said else "")
    process.stderr.close()


def test_the_guard_hears_of_a_living_run_now_and_then_and_of_a_long_exchange_at_once() -> None:
    safety, said = Safety([]), []
    safety._guard = Told(said)  # type: ignore[assignment]
    for _ in range(50):
        safety.alive()
    safety.alive(2.0)
    assert said == [{"hang_s": SILENT_S}]
    safety.alive(241.0)
    safety.alive()
    safety.alive()
    assert said[1:] == [{"hang_s": SILENT_S + 241.0}, {"hang_s": SILENT_S}]


class Told:
    """A guard that is only told."""

    def __init__(self, said: list[dict[str, Any]]) -> None:
        self.stdin = self
        self._said = said

    def write(self, text: str) -> None:
        self._said.append(json.loads(text))

    def flush(self) -> None: ...


@pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork here")
def test_a_process_that_a_procedure_forks_keeps_nothing_from_the_guard(tmp_path: Path) -> None:
    """The copy of the guard's line that a child held used to hide the end of the run, and its copies of links kept an
    instrument for one client from everybody."""
    with latched() as source:
        safety, closed = Safety([source.steps()], tmp_path / "guard.json"), tmp_path / "closed"
        safety.start()
        safety.kept_from_children(closed.touch)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # that this process has threads, is the point
            child = os.fork()
        if child == 0:
            os._exit(0 if safety._guard is None else 1)
        assert os.waitpid(child, 0)[1] == 0
        assert closed.exists()
        safety.lease(10.0)
        safety.stand_down()
        assert source.on


@pytest.mark.parametrize(
    ("clients", "told"),
    [
        ("one, others wait", "no answer within 1 s: it is deaf, or another client has it and it takes one only"),
        ("one, others are refused", "the connection was closed at once (.*): another client may have it"),
    ],
)
def test_an_instrument_that_a_half_open_connection_keeps_busy_is_not_verified_and_said_so(
    clients: Clients, told: str
) -> None:
    """What a peer leaves behind that died without a word; once the instrument drops it, the guard is let in."""
    world = World(board(PATHS + '[[pins]]\nname = "D1"\n'))
    switch = SimulatedSwitch(world, "Invented Instruments,One,1,1")
    with Ports(world, ScaledClock(10.0), pty=False) as ports:
        port = ports.tcp(scpi_session(switch), clients)
        steps = dict(safe_steps("switch", f"TCPIP::127.0.0.1::{port}::SOCKET", Dialect("switch")) or {})
        with socket.create_connection(("127.0.0.1", port)) as left:
            left.sendall(b"ROUT:CLOS (@101);*OPC?\n")
            assert left.recv(10) == b"1\n"
            (problem,) = guard.make_all_safe([steps], give_up_s=0.2).values()
            assert re.fullmatch(told.replace("(.*)", r"\(.*\)"), problem), problem
        assert guard.make_all_safe([steps]) == {}
        world.move_to(world.now_s + 1.0)
        assert world.seen()["closed"] == []
