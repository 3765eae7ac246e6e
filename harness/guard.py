"""The second process: makes the bench safe when the run can no longer do it.

Started by path, isolated (`python -I guard.py`), before any instrument is opened. It reads JSON lines from its standard
input: first the safe steps as data, then leases ("energised for at most so many seconds"), at last `done`. It acts on
the first of: end of its standard input (the run died, however), a lease that ran out (the run hangs; it is ended
first, because a serial port can have one owner only), or `handed_over` (the run could not prove the safe state). Every
instrument is made safe in its own thread, on a fresh connection, with the command and its proof in one message,
repeated until the proof is right or ten seconds are over.

Standard library, pyserial and, for buses that are no socket, pyvisa only: nothing of the project is imported, so that
nothing of the project can keep it from acting. Order holds inside one instrument; instruments are made safe in
parallel, so that a deaf one delays nobody.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import re
import signal
import socket
import sys
import threading
import time
from typing import Any

GIVE_UP_S = 10.0
"""How long one instrument is tried before it is reported as not verified."""

STALE_LINES = 4
"""Replies to the dead run that may still stand in the line before our own."""

ATTEMPT_S = 1.0
"""Deadline of one connection and one message."""


class _Wire:
    """A fresh connection to one instrument, by the kind that its safe steps name."""

    def __init__(self, instrument: dict[str, Any]) -> None:
        self.kind = str(instrument["kind"])
        if self.kind == "visa-socket":
            _, host, port, _ = str(instrument["resource"]).rsplit("::", 3)
            self._socket = socket.create_connection((host, int(port)), timeout=ATTEMPT_S)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        elif self.kind == "serial":
            import serial

            self._serial = serial.serial_for_url(
                instrument["resource"],
                baudrate=115200,
                timeout=ATTEMPT_S,
                write_timeout=ATTEMPT_S,
            )
        else:
            import pyvisa

            self._visa: Any = pyvisa.ResourceManager(instrument.get("visa", "@py")).open_resource(
                instrument["resource"], open_timeout=int(1000 * ATTEMPT_S)
            )
            self._visa.timeout = int(1000 * ATTEMPT_S)

    def send(self, message: str) -> None:
        data = message.encode("latin-1") + b"\n"
        if self.kind == "visa-socket":
            self._socket.sendall(data)
        elif self.kind == "serial":
            self._serial.write(data)
        else:
            self._visa.write_raw(data)

    def receive(self) -> str:
        """One line, or a TimeoutError."""
        if self.kind == "visa":
            return str(self._visa.read_raw().decode("latin-1")).strip()
        line = b""
        deadline = time.monotonic() + ATTEMPT_S
        while not line.endswith(b"\n"):
            if time.monotonic() > deadline:
                raise TimeoutError(f"no reply within {ATTEMPT_S:g} s")
            got = self._socket.recv(256) if self.kind == "visa-socket" else self._serial.read(1)
            if not got and self.kind == "visa-socket":
                raise ConnectionError("the instrument closed the connection")
            line += got
        return line.decode("latin-1").strip()

    def close(self) -> None:
        with contextlib.suppress(Exception):
            if self.kind == "visa-socket":
                self._socket.close()
            elif self.kind == "serial":
                self._serial.close()
            else:
                self._visa.close()


def _attempt(instrument: dict[str, Any]) -> str:
    """Carry out all steps on a fresh connection; returns what is not proven, empty when all is."""
    wire = _Wire(instrument)
    try:
        # A half-sent command of the dead run may stand in the instrument's input: the newline ends it.
        wire.send("")
        for step in instrument["steps"]:
            problem = _carry_out(wire, step)
            if problem:
                return problem
    finally:
        wire.close()
    return ""


def _carry_out(wire: _Wire, step: dict[str, str]) -> str:
    """One step: command and proof, in one message where the device takes that; returns what is not proven."""
    if "message" in step:
        return _expected(wire, step["message"], step["expect"])
    problem = _expected(wire, step["command"], step["acknowledge"])
    return problem or _expected(wire, step["query"], step["expect"])


def _expected(wire: _Wire, message: str, expect: str) -> str:
    wire.send(message)
    reply = wire.receive()
    # Answers to the newline and to what the dead run had left in the line may come first.
    for _ in range(STALE_LINES):
        if re.fullmatch(expect, reply):
            return ""
        try:
            reply = wire.receive()
        except TimeoutError:
            break
    return "" if re.fullmatch(expect, reply) else f"{message!r} answered {reply!r}, expected {expect!r}"


def make_safe(instrument: dict[str, Any], give_up_s: float = GIVE_UP_S) -> str:
    """Repeat the steps of one instrument until they are proven; returns what could not be, empty when all is safe."""
    deadline = time.monotonic() + give_up_s
    while True:
        try:
            problem = _attempt(instrument)
        except Exception as exc:  # noqa: BLE001 - whatever goes wrong here, the next attempt is the only answer
            problem = f"{type(exc).__name__}: {exc}"
        if not problem or time.monotonic() > deadline:
            return problem
        time.sleep(0.02)


def make_all_safe(instruments: list[dict[str, Any]], give_up_s: float = GIVE_UP_S) -> dict[str, str]:
    """All instruments at once; returns resource -> what could not be verified, for those where something could not."""
    problems: dict[str, str] = {}

    def one(instrument: dict[str, Any]) -> None:
        problem = make_safe(instrument, give_up_s)
        if problem:
            problems[str(instrument["resource"])] = problem

    threads = [threading.Thread(target=one, args=(each,), daemon=True) for each in instruments]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(give_up_s + 3 * ATTEMPT_S)
    for instrument, thread in zip(instruments, threads, strict=True):
        if thread.is_alive():
            problems[str(instrument["resource"])] = "no answer from the port itself"
    return problems


def _read_lines(lines: queue.Queue[dict[str, Any] | None]) -> None:
    for line in sys.stdin:
        with contextlib.suppress(ValueError):
            lines.put(json.loads(line))
    lines.put(None)


def _watch(lines: queue.Queue[dict[str, Any] | None]) -> str:
    """Wait until something must be done; returns why (`done`: nothing)."""
    lease_end: float | None = None
    while True:
        patience = None if lease_end is None else max(0.0, lease_end - time.monotonic())
        try:
            message = lines.get(timeout=patience)
        except queue.Empty:
            return "lease"
        if message is None:
            return "run ended"
        if message.get("done"):
            return "done"
        if message.get("handed_over"):
            return "handed over"
        if "lease_s" in message:
            lease_end = None if message["lease_s"] is None else time.monotonic() + float(message["lease_s"])


def _tell(text: str) -> None:
    """A line for the person at the terminal, if there still is one."""
    with contextlib.suppress(OSError, ValueError):
        print(f"stuckpin guard: {text}", file=sys.stderr, flush=True)  # noqa: T201 - the run can say nothing any more


def _listed(problems: dict[str, str]) -> str:
    return "; ".join(f"{resource}: {problem}" for resource, problem in problems.items())


def _write(path: str, text: str) -> None:
    """A new file in place of what stands there: a link that somebody planted is removed, not written through."""
    with contextlib.suppress(FileNotFoundError):
        os.unlink(path)  # noqa: PTH108
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666), "w", encoding="utf-8") as file:
        file.write(text)


def main() -> int:
    """Guard one run. Exit status 0: nothing had to be done, or all was made safe and proven; 1: something was not."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        # The guard outlives whatever ends the run: only the end of its input, a lease or `done` ends it.
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    lines: queue.Queue[dict[str, Any] | None] = queue.Queue()
    told = sys.stdin.readline()
    if not told.endswith("\n"):
        return 0  # the run ended before it had said anything, let alone opened an instrument
    first = json.loads(told)
    threading.Thread(target=_read_lines, args=(lines,), daemon=True).start()
    # The answer that the run waits for. One that is gone already is found out by the end of its lines; nothing stays in
    # a buffer, which would be complained of at the end.
    with contextlib.suppress(OSError):
        os.write(sys.stdout.fileno(), b"guard ready\n")
    reason = _watch(lines)
    if reason == "done":
        return 0
    if reason == "lease":
        with contextlib.suppress(OSError):
            os.kill(int(first["run_pid"]), getattr(signal, "SIGKILL", signal.SIGTERM))
        _tell("the run hung while a pin was pressed, and was ended")
    problems = make_all_safe(first["instruments"], float(first.get("give_up_s", GIVE_UP_S)))
    if reason != "handed over":
        # The run is gone and can say nothing; else it tells by itself what this process could not prove.
        _tell("everything made safe" if not problems else f"NOT VERIFIED to be safe: {_listed(problems)}")
    report = {"reason": reason, "not_verified": problems}
    if first.get("report"):
        with contextlib.suppress(OSError):
            _write(str(first["report"]), json.dumps(report))
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
