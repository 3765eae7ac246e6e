"""Whatever becomes of the run, a second process lets the pin go and proves it."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from drivers.claim import claim
from drivers.errors import LinkError
from harness import guard
from harness.errors import SafetyError
from harness.safety import Safety

GUARD = Path(guard.__file__)


class LatchedOutput:
    """An instrument on a socket whose output is on until told off; `deaf_for` connections are accepted and ignored."""

    def __init__(self, deaf_for: int = 0, stuck: bool = False) -> None:
        self.on = True
        self.heard: list[str] = []
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
