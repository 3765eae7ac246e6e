"""The simulated bench is a program on real sockets and serial lines, and ends when it is told to."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import serial

from drivers.simulated.board_file import BoardFileError
from drivers.simulated.serve import main, serve
from tests.drivers.simulated.by_hand import MID_LEVEL
from tests.drivers.simulated.served import PATIENCE_S, served

ROOT = Path(__file__).parents[3]
BOARD = f"""
seed = 3
speed = 50.0
[wiring]
press = {{ channel = "relay_board 1", resistor_ohm = 1000.0 }}
[[pins]]
name = "D1"
leak = {MID_LEVEL}
"""


class Peer:
    """A client of one TCP port, line by line."""

    def __init__(self, resource: str) -> None:
        parts = resource.split("::")
        port = int(parts[2] if len(parts) > 1 else resource.rpartition(":")[2])
        self.socket = socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S)
        self.file = self.socket.makefile("rb")

    def send(self, text: str) -> None:
        self.socket.sendall(text.encode("latin-1"))

    def ask(self, text: str) -> str:
        self.send(text + "\n")
        return self.file.readline().decode("latin-1").removesuffix("\n")

    def close(self) -> None:
        self.file.close()
        self.socket.close()


@pytest.fixture
def board_file(tmp_path: Path) -> Path:
    path = tmp_path / "board.toml"
    path.write_text(BOARD)
    return path


@pytest.fixture(params=[True, False], ids=["pty", "tcp"])
def resources(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[dict[str, str]]:
    """The bench served in this process, with and without pseudo-terminals."""
    with served(tmp_path, BOARD, pty=request.param) as found:
        yield found


@pytest.fixture
def stepped(tmp_path: Path) -> Iterator[dict[str, str]]:
    """The bench whose time passes only where somebody waits."""
    with served(tmp_path, BOARD, stepped=True) as found:
        yield found


def _until(peer: Peer, question: str, good: Callable[[str], bool]) -> str:
    """The first good answer; it must come while the peer is patient."""
    end = time.monotonic() + PATIENCE_S
    while not good(told := peer.ask(question)):
        assert time.monotonic() < end, told
    return told


def _line(resource: str, *lines: str) -> list[str]:
    with serial.serial_for_url(resource, baudrate=115200, timeout=PATIENCE_S) as port:
        answers = []
        for line in lines:
            port.write(f"{line}\n".encode("latin-1"))
            answers.append(port.read_until(b"\n").decode("latin-1").strip())
        return answers


def test_every_role_answers_on_its_own_wire(resources: dict[str, str]) -> None:
    assert list(resources) == ["meter", "source", "switch", "relay_board", "board", "clock", "hand"]
    names = []
    for role in ("meter", "source", "switch"):
        peer = Peer(resources[role])
        names.append(peer.ask("*IDN?").split(",")[0])
        peer.close()
    assert names == ["Invented Instruments"] * 3
    assert _line(resources["relay_board"], "\nIDN?", "CLOSED?\r", "JUMP")[0].startswith("Invented Instruments,")
    assert _line(resources["board"], "id", "reset", "setup? D1") == [
        "Fernhill irrigation controller,C,FH-2417-001,1.4",
        "ok",
        "reset default",
    ]
    hand = Peer(resources["hand"])
    assert hand.ask("PRESS D1") == "OK"
    assert hand.ask("PRESS D8") == "ERR no pin 'D8'"
    hand.close()


def test_a_trial_runs_over_the_wires(resources: dict[str, str]) -> None:
    """Pressed at 3.246 V through 1 kohm, D1 latches at 2.031 V and the board itself reads it high."""
    meter, switch = Peer(resources["meter"]), Peer(resources["switch"])
    meter.send("*RST;:SENS:VOLT:DC:RANG 10;APER 1E-4;:CAL:ZERO:AUTO OFF;:FORM REAL,64;:FORM:BORD NORM\n")
    meter.send('DISP:TEXT "D1 none 1"\nTRIG:SOUR TIM;TIM 1E-3;COUN 9000;:TRAC:POIN 9000;FEED SENS;FEED:CONT NEXT\n')
    assert switch.ask("ROUT:CLOS (@101);*OPC?") == "1"
    assert _line(resources["relay_board"], "CLOSE 1") == ["OK"]
    assert meter.ask("SYST:ERR?") == '0,"No error"'
    assert meter.ask("INIT;:STAT:OPER:COND?") == "16"
    while int(meter.ask("TRAC:POIN:ACT?")) < 100:
        pass
    assert _line(resources["relay_board"], "OPEN 1") == ["OK"]
    assert meter.ask("*OPC?") == "1"
    meter.send("TRAC:DATA?\n")
    assert meter.file.read(7) == b"#572000"
    trace = np.frombuffer(meter.file.read(72_000), ">f8")
    assert meter.file.read(1) == b"\n"
    meter.close()
    switch.close()

    assert trace[50] == pytest.approx(3.3 * 60e3 / 61e3, abs=2e-3)
    assert trace[-1] == pytest.approx(2.0309, abs=1e-3)
    assert _line(resources["board"], "read D1") == ["high"]


def test_a_message_in_pieces_and_several_in_one_are_read_alike(resources: dict[str, str]) -> None:
    meter = Peer(resources["meter"])
    for piece in ("*ES", "E 5;*E", "SE?\r\n*SR", "E 7\n*SRE?\n"):
        meter.send(piece)

    assert [meter.file.readline(), meter.file.readline()] == [b"5\n", b"7\n"]
    meter.close()


def test_two_connections_share_one_instrument(resources: dict[str, str]) -> None:
    first, second = Peer(resources["meter"]), Peer(resources["meter"])
    first.send("TRIG:COUN 77\n")
    assert first.ask("TRIG:COUN?") == "77"

    assert second.ask("TRIG:COUN?") == "77"
    second.send("FOO\n")
    assert second.ask("SYST:ERR?").startswith("-113,")
    first.close()
    assert second.ask("TRIG:COUN?") == "77"
    second.close()


def test_a_new_message_interrupts_a_reply_that_is_awaited(resources: dict[str, str]) -> None:
    meter = Peer(resources["meter"])
    meter.send("TRIG:SOUR BUS;:INIT;*OPC?\n")
    meter.send("ABOR\n")

    assert meter.ask("*ESR?") == str(128 | 4)
    assert meter.ask("SYST:ERR?") == '-410,"Query INTERRUPTED"'
    meter.close()


def test_a_log_that_waits_can_be_aborted_from_another_connection(resources: dict[str, str]) -> None:
    meter, other = Peer(resources["meter"]), Peer(resources["meter"])
    meter.send("TRIG:SOUR BUS;:INIT;*OPC?\n")
    # Two connections have no order of their own: the meter must be waiting before it is told to stop waiting.
    waiting = b"0\n"
    while waiting == b"0\n":
        other.send("STAT:OPER:COND?\n")
        waiting = other.file.readline()
    other.send("ABOR\n")

    assert meter.file.readline() == b"1\n"
    meter.close()
    other.close()


def _start(board_file: Path, *options: str) -> tuple[subprocess.Popen[str], dict[str, str]]:
    process = subprocess.Popen(
        [sys.executable, "-m", "drivers.simulated.serve", str(board_file), *options],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    word, _, rest = process.stdout.readline().partition(" ")
    assert word == "ready"
    return process, json.loads(rest)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_the_program_ends_when_it_is_told_to(board_file: Path, number: int) -> None:
    process, resources = _start(board_file, "--speed", "20", "--seed", "9")
    peer = Peer(resources["meter"])
    assert peer.ask("*IDN?").startswith("Invented Instruments,")
    os.kill(process.pid, number)
    output, errors = process.communicate(timeout=PATIENCE_S)

    assert (process.returncode, output, errors) == (0, "", "")
    assert peer.file.readline() == b""
    peer.close()


def test_the_program_ends_with_its_standard_input(board_file: Path) -> None:
    process, _ = _start(board_file, "--until-stdin-ends")
    output, errors = process.communicate(timeout=PATIENCE_S)

    assert (process.returncode, output, errors) == (0, "", "")


def test_a_wrong_board_file_is_one_line_and_nothing_listens(
    board_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    board_file.write_text("colour = 1\n" + BOARD)

    assert main([str(board_file)]) == 2
    output = capsys.readouterr()
    assert output.out == ""
    assert output.err == f"stuckpin: {board_file}: colour: unknown key\n"
    with pytest.raises(BoardFileError, match="colour: unknown key"):
        serve(board_file, speed=None, seed=None, announce=lambda _: None, stop=threading.Event())


def test_a_speed_of_nothing_is_refused(board_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="2"):
        main([str(board_file), "--speed", "0"])
    assert "argument --speed: must be above zero: 0" in capsys.readouterr().err


def test_on_a_stepped_bench_messages_take_no_time_and_a_reading_takes_its_own(stepped: dict[str, str]) -> None:
    clock, meter = Peer(stepped["clock"]), Peer(stepped["meter"])
    for _ in range(20):
        meter.ask("*IDN?")
    assert clock.ask("NOW?") == "0.0"
    meter.ask("CAL:ZERO:AUTO OFF;:SENS:VOLT:DC:APER 0.02;:READ?")
    took_s = float(clock.ask("NOW?"))
    assert took_s == pytest.approx(0.022, abs=2e-6)  # arming time and aperture
    assert float(clock.ask("UNTIL 3600")) == pytest.approx(3600.0, abs=1e-6)
    for peer in (clock, meter):
        peer.close()


def test_a_wait_for_a_trigger_does_not_stop_a_stepped_bench(stepped: dict[str, str]) -> None:
    """The next message interrupts it (IEEE 488.2, 6.3.2.3), and so does an ABORt on another connection."""
    clock, meter, other = Peer(stepped["clock"]), Peer(stepped["meter"]), Peer(stepped["meter"])
    meter.send("TRIG:SOUR BUS;:READ?\n")
    assert meter.ask("SYST:ERR?").startswith("-410")
    meter.send("ABOR\n")
    assert meter.ask("STAT:OPER:COND?") == "0"
    meter.send("READ?\n")
    assert _until(other, "STAT:OPER:COND?", lambda told: told != "0") == "32"
    other.send("ABOR\n")
    assert _until(other, "SYST:ERR?", lambda told: not told.startswith("0,")).startswith("-230")
    assert clock.ask("NOW?") == "0.0"
    for peer in (clock, meter, other):
        peer.close()
