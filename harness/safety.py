"""Starts the guard before any instrument is opened, leases every press, tells it that the run lives, stands it down."""

from __future__ import annotations

import json
import os
import queue
import subprocess
import sys
import threading
import time
import weakref
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from harness.errors import SafetyError
from harness.guard import GIVE_UP_S

READY_S = 20.0
"""Real seconds for the guard to come up, on a busy computer."""

LEASE_MARGIN_S = 2.5
"""A press may last as long as it was announced, and this much longer, before the guard ends the run: a little more than
the deadline of one question, so that the run itself finds an instrument deaf, and says which, before it is killed."""


BEAT_EVERY_S = 1.0
"""How often the guard is told that the run lives, where the run has the occasion."""

SILENT_S = 30.0
"""For so long the guard may hear nothing of a run that presses nothing, beyond what was announced, before it ends it: a
disk may take seconds for a trial, and so may the sums of a procedure."""

LONG_S = 5.0
"""An exchange that may take longer is announced, and its end told at once."""


class Safety:
    """The run's side of the guard. May be told from any thread.

    `instruments` is the list that drivers.safe_state writes. No guard, no press: `start` raises SafetyError.
    """

    def __init__(self, instruments: Sequence[Mapping[str, Any]], report: Path | None = None) -> None:
        self._instruments = list(instruments)
        self._report = report
        self._guard: subprocess.Popen[str] | None = None
        self._lock = threading.Lock()
        self._told_s = -SILENT_S
        self._announced = False
        self._not_for_children: list[Callable[[], object]] = []
        _of_this_process.add(self)

    def start(self, claim: Sequence[int] = ()) -> None:
        """Start the guard and wait until it answers. Raises SafetyError if it does not.

        `claim`: open lock files which the guard holds too. A run that is killed leaves its bench to the guard, and
        nobody else shall have it before it is safe.
        """
        guard = Path(__file__).with_name("guard.py")
        try:
            # A session of its own: what ends the run's terminal or process group must not end the guard.
            self._guard = subprocess.Popen(
                [sys.executable, "-I", str(guard)],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
                start_new_session=True,
                # Windows can hand on no such thing; there a claim ends with the run.
                pass_fds=() if os.name == "nt" else tuple(claim),
            )
            first = {"run_pid": os.getpid(), "instruments": self._instruments, "give_up_s": GIVE_UP_S}
            if self._report is not None:
                first["report"] = str(self._report)
            self._say(first)
            answer = self._first_line()
        except OSError as exc:
            raise SafetyError(f"guard: could not be started, so nothing is pressed: {exc}") from exc
        if answer != "guard ready":
            self._guard.kill()
            self._finish(None)
            raise SafetyError(f"guard: did not come up, so nothing is pressed: answered {answer!r}")

    @property
    def pid(self) -> int | None:
        """The number of the guard's process; None where there is none."""
        return None if self._guard is None else self._guard.pid

    def _first_line(self) -> str:
        """What the guard answers; empty if nothing came within READY_S."""
        assert self._guard is not None
        stdout = self._guard.stdout
        assert stdout is not None
        lines: queue.Queue[str] = queue.Queue()
        # A pipe cannot be read with a deadline on every system; killing the guard ends the thread.
        threading.Thread(target=lambda: lines.put(stdout.readline()), daemon=True).start()
        try:
            return lines.get(timeout=READY_S).strip()
        except queue.Empty:
            return ""

    def _say(self, message: Mapping[str, Any]) -> None:
        assert self._guard is not None
        assert self._guard.stdin is not None
        line = json.dumps(message) + "\n"
        with self._lock:
            self._guard.stdin.write(line)
            self._guard.stdin.flush()

    def alive(self, for_s: float = 0.0) -> None:
        """The bench thread lives; nothing more may be heard of it for so many real seconds. Never raises.

        A guard that is gone is told of by the next press.
        """
        now_s = time.monotonic()
        announced = for_s > LONG_S
        if not announced and not self._announced and now_s - self._told_s < BEAT_EVERY_S:
            return
        self._told_s, self._announced = now_s, announced
        if self._guard is not None:
            with suppress(OSError, ValueError):
                self._say({"hang_s": SILENT_S + for_s})

    def kept_from_children(self, close: Callable[[], object]) -> None:
        """Close this in a process that a procedure forks: its copies would keep an instrument from the guard."""
        self._not_for_children.append(close)

    def in_child(self) -> None:
        """This process is a copy of the run's: let go of what belongs to the run."""
        guard, self._guard = self._guard, None
        closing = [*self._not_for_children]
        if guard is not None and guard.stdin is not None:
            closing.append(guard.stdin.close)
        for close in closing:
            with suppress(Exception):
                close()

    def lease(self, seconds: float | None) -> None:
        """Announce that the pin may stay pressed for so many real seconds; None: it has been let go.

        Raises SafetyError if the guard is gone: without it nothing may be pressed.
        """
        try:
            self._say({"lease_s": None if seconds is None else seconds + LEASE_MARGIN_S})
        except OSError as exc:
            raise SafetyError("guard: ended during the run, so nothing more is pressed") from exc

    def stand_down(self) -> None:
        """All is safe and verified: the guard ends without doing anything."""
        self._finish({"done": True})

    def hand_over(self) -> int:
        """The run could not verify the safe state: the guard tries by itself. Returns its exit status."""
        return self._finish({"handed_over": True})

    def _finish(self, message: Mapping[str, Any] | None) -> int:
        if self._guard is None:
            return 0
        guard, self._guard = self._guard, None
        assert guard.stdin is not None
        assert guard.stdout is not None
        try:
            if message is not None:
                guard.stdin.write(json.dumps(message) + "\n")
            guard.stdin.close()
        except OSError:
            pass  # it is gone already; its exit status tells
        status = guard.wait()
        guard.stdout.close()
        return status


_of_this_process: weakref.WeakSet[Safety] = weakref.WeakSet()


def _let_go_in_child() -> None:
    for safety in list(_of_this_process):
        safety.in_child()


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_let_go_in_child)
