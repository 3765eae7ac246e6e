"""Starts the guard before any instrument is opened, leases every press, and stands it down when all is safe."""

from __future__ import annotations

import json
import os
import queue
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from harness.errors import SafetyError
from harness.guard import GIVE_UP_S

READY_S = 20.0
"""Real seconds for the guard to come up, on a busy computer."""

LEASE_MARGIN_S = 2.5
"""A press may last as long as it was announced, and this much longer, before the guard ends the run: a little more than
the deadline of one question, so that the run itself finds an instrument deaf, and says which, before it is killed."""


class Safety:
    """The run's side of the guard.

    `instruments` is the list that drivers.safe_state writes. No guard, no press: `start` raises SafetyError.
    """

    def __init__(self, instruments: Sequence[Mapping[str, Any]], report: Path | None = None) -> None:
        self._instruments = list(instruments)
        self._report = report
        self._guard: subprocess.Popen[str] | None = None

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
        self._guard.stdin.write(json.dumps(message) + "\n")
        self._guard.stdin.flush()

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
