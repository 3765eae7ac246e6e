"""The second process: makes the bench safe when the run can no longer do it.

Started by path, isolated (`python -I guard.py`), before any instrument is opened. It reads JSON lines from its standard
input: first the safe steps as data, then leases ("energised for at most so many seconds") and signs of life ("the next
within so many seconds"), at last `done`. It acts on the first of: end of its standard input or of the process (the run
died, however), a lease that ran out or a sign of life that stayed away (the run hangs; it is ended first, because a
serial port can have one owner only, and many instruments take one client), or `handed_over` (the run could not prove
the safe state). Every instrument is made safe in its own thread, on a fresh connection, with the command and its proof
in one message, repeated until the proof is right or ten seconds are over.

Standard library, pyserial and, for buses that are no socket, pyvisa only: nothing of the project is imported, so that
nothing of the project can keep it from acting. Order holds inside one instrument, and from phase to phase: relays, the
source, a look at the bus, the board's supply. Within a phase they are made safe at once, so that a deaf one delays
nobody, and a phase waits for the one before it for half a second at most.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import re
import select
import signal
import socket
import sys
import threading
import time
from typing import Any

GIVE_UP_S = 10.0
"""How long one instrument is tried before it is reported as not verified."""

PHASE_S = 0.5
"""How long a phase waits for the one before it."""

STALE_LINES = 4
"""Replies to the dead run that may still stand in the line before our own."""

ATTEMPT_S = 1.0
"""Deadline of one connection and one message."""

ALONE_S = 2.0
"""For so long a serial port is asked for as its only owner; a child that a run left behind may own it for ever."""

FALL_S = 0.05
"""Real seconds that a bus is given to fall before it is read."""

OVERLOAD = 9.9e37
"""From here on a number is an overload or no number at all (SCPI-99 vol. 1, 7.2.1.4)."""


class _Wire:
    """A fresh connection to one instrument, by the kind that its safe steps name."""

    def __init__(self, instrument: dict[str, Any], *, alone: bool = True) -> None:
        self.kind = str(instrument["kind"])
        if self.kind == "visa-socket":
            _, host, port, _ = str(instrument["resource"]).rsplit("::", 3)
            self._socket = socket.create_connection((host, int(port)), timeout=ATTEMPT_S)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        elif self.kind == "serial":
            self._serial = _serial_port(str(instrument["resource"]), alone)
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


def _serial_port(port: str, alone: bool) -> Any:
    """Opened as the run opens it: an edge of DTR or RTS resets many boards."""
    import serial

    opened = serial.serial_for_url(port, do_not_open=True, baudrate=115200, exclusive=alone or os.name == "nt")
    opened.dtr = opened.rts = False
    opened.timeout = opened.write_timeout = ATTEMPT_S
    opened.open()
    return opened


def _attempt(instrument: dict[str, Any], alone: bool) -> str:
    """Carry out all steps on a fresh connection; returns what is not proven, empty when all is."""
    wire = _Wire(instrument, alone=alone)
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
    began = time.monotonic()
    while True:
        try:
            problem = _attempt(instrument, alone=time.monotonic() < began + min(ALONE_S, give_up_s / 2.0))
        except Exception as exc:  # noqa: BLE001 - whatever goes wrong here, the next attempt is the only answer
            problem = _told(exc)
        if not problem or time.monotonic() > began + give_up_s:
            return problem
        time.sleep(0.02)


def _told(exc: Exception) -> str:
    """What is wrong, in words: a connection that is not answered may be one too many."""
    if isinstance(exc, TimeoutError):
        return f"no answer within {ATTEMPT_S:g} s: it is deaf, or another client has it and it takes one only"
    if isinstance(exc, ConnectionError) and not isinstance(exc, ConnectionRefusedError):
        return f"the connection was closed at once ({exc}): another client may have it"
    return f"{type(exc).__name__}: {exc}"


def look_at_bus(instrument: dict[str, Any]) -> str:
    """What the meter reads once everything is open: a query tells what drives a relay's coil, the bus its contact."""
    look = instrument["look"]
    try:
        wire = _Wire(instrument)
        try:
            for message in ("", *look["messages"]):
                wire.send(message)
            time.sleep(FALL_S)
            wire.send(look["query"])
            volts = float(wire.receive())
        finally:
            wire.close()
    except Exception as exc:  # noqa: BLE001 - what cannot be told is said to be so
        return f"not proven at the contacts: the meter could not be read: {type(exc).__name__}: {exc}"
    if abs(volts) <= look["below_v"]:
        return f"the bus reads {round(volts, 3) + 0.0:.3f} V"
    reads = f"reads {volts:.3f} V" if abs(volts) < OVERLOAD else "is beyond the meter's range"
    return (
        f"THE BUS {reads} after every relay was told to open: a contact is welded, or something else drives the bus (a "
        "pin connected by hand may); take the rail away from the unit"
    )


def make_all_safe(
    instruments: list[dict[str, Any]], give_up_s: float = GIVE_UP_S, bus: list[str] | None = None
) -> dict[str, str]:
    """Phase by phase, all of one at once; returns resource -> what could not be verified, where something could not.

    `bus` gets a line on what the meter read of it, where one is among the instruments.
    """
    problems: dict[str, str] = {}
    told = [] if bus is None else bus

    def one(instrument: dict[str, Any]) -> None:
        if "look" in instrument:
            told.append(look_at_bus(instrument))
        elif problem := make_safe(instrument, give_up_s):
            problems[str(instrument["resource"])] = problem

    begun: list[tuple[dict[str, Any], threading.Thread]] = []
    for phase in sorted({int(each.get("phase", 1)) for each in instruments}):
        until = time.monotonic() + PHASE_S
        for _, thread in begun:
            thread.join(max(0.0, until - time.monotonic()))
        for instrument in instruments:
            if int(instrument.get("phase", 1)) == phase:
                begun.append((instrument, threading.Thread(target=one, args=(instrument,), daemon=True)))
                begun[-1][1].start()
    end = time.monotonic() + give_up_s + 3 * ATTEMPT_S
    for instrument, thread in begun:
        thread.join(max(0.0, end - time.monotonic()))
        if thread.is_alive() and "look" not in instrument:
            problems[str(instrument["resource"])] = "no answer from the port itself"
    return problems


def _read_lines(lines: queue.Queue[dict[str, Any] | None]) -> None:
    for line in sys.stdin:
        with contextlib.suppress(ValueError):
            lines.put(json.loads(line))
    lines.put(None)


def _await_end(pid: int, lines: queue.Queue[dict[str, Any] | None]) -> None:
    """Tell when the run has ended, though a child of it may hold our input open (Linux only)."""
    try:
        handle = os.pidfd_open(pid)  # type: ignore[attr-defined,unused-ignore]
    except (AttributeError, OSError):
        return
    select.select([handle], [], [])
    lines.put(None)


def _watch(lines: queue.Queue[dict[str, Any] | None]) -> str:
    """Wait until something must be done; returns why (`done`: nothing)."""
    ends: dict[str, float] = {}
    while True:
        reason = min(ends, key=lambda name: ends[name], default="")
        try:
            message = lines.get(timeout=max(0.0, ends[reason] - time.monotonic()) if reason else None)
        except queue.Empty:
            return reason
        if message is None:
            return "run ended"
        if message.get("done"):
            return "done"
        if message.get("handed_over"):
            return "handed over"
        for name in ("lease", "hang"):
            if f"{name}_s" in message:
                seconds = message[f"{name}_s"]
                ends.pop(name, None)
                if seconds is not None:
                    ends[name] = time.monotonic() + float(seconds)


ENDED = {
    "lease": "the run hung while a pin was pressed, and was ended",
    "hang": "the run gave no sign of life any more, and was ended",
}


def _tell(text: str) -> None:
    """A line for the person at the terminal, if there still is one."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
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
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGTSTP", "SIGBREAK"):
        # The guard outlives whatever ends the run: only the end of its input, a lease or `done` ends it.
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    lines: queue.Queue[dict[str, Any] | None] = queue.Queue()
    told = sys.stdin.readline()
    if not told.endswith("\n"):
        return 0  # the run ended before it had said anything, let alone opened an instrument
    first = json.loads(told)
    threading.Thread(target=_read_lines, args=(lines,), daemon=True).start()
    threading.Thread(target=_await_end, args=(int(first["run_pid"]), lines), daemon=True).start()
    # The answer that the run waits for. One that is gone already is found out by the end of its lines; nothing stays in
    # a buffer, which would be complained of at the end.
    with contextlib.suppress(OSError):
        os.write(sys.stdout.fileno(), b"guard ready\n")
    reason = _watch(lines)
    if reason == "done":
        return 0
    if reason in ENDED:
        with contextlib.suppress(OSError):
            os.kill(int(first["run_pid"]), getattr(signal, "SIGKILL", signal.SIGTERM))
        _tell(ENDED[reason])
    bus: list[str] = []
    problems = make_all_safe(first["instruments"], float(first.get("give_up_s", GIVE_UP_S)), bus)
    driven = [line for line in bus if line.startswith("THE BUS")]
    if reason != "handed over":
        # The run is gone and can say nothing; else it tells by itself what this process could not prove.
        safe = "everything made safe" if not problems else f"NOT VERIFIED to be safe: {_listed(problems)}"
        _tell("; ".join([safe, *bus]))
    report = {"reason": reason, "not_verified": problems, **({"bus": bus[0]} if bus else {})}
    if first.get("report"):
        with contextlib.suppress(OSError):
            _write(str(first["report"]), json.dumps(report))
    return 1 if problems or driven else 0


if __name__ == "__main__":
    sys.exit(main())
