"""A person at the terminal: told what to do, and asked to say when it is done. A stop request ends the waiting."""

from __future__ import annotations

import queue
import sys
import threading
from collections.abc import Callable

from drivers.errors import StopRequestedError
from drivers.operator import Operator
from harness.events import Listener, Prompt

LOOK_S = 0.02
"""How often the stop request is looked at while a person is asked."""


class Terminal:
    """Prompts go out as events; Enter on the standard input answers."""

    def __init__(
        self, listen: Listener, stop: Callable[[], bool], lines: Callable[[], str] = sys.stdin.readline
    ) -> None:
        self._listen = listen
        self._stop = stop
        self._read = lines
        self._answers: queue.Queue[str] = queue.Queue()
        self._reader: threading.Thread | None = None

    def operator(self) -> Operator:
        """The person behind this terminal, as the bench knows one."""
        return Operator(self.say, self.confirm)

    def say(self, text: str) -> None:
        """Tell, and go on at once."""
        self._listen(Prompt(text))

    def confirm(self, text: str) -> None:
        """Tell, and wait for Enter. Raises StopRequestedError if the run is asked to stop, or nobody can answer."""
        self._listen(Prompt(f"{text} Then press Enter."))
        if self._reader is None:
            # A blocked read of the standard input cannot be ended from outside, so it has a thread that may be left.
            self._reader = threading.Thread(target=self._listen_to_input, daemon=True)
            self._reader.start()
        while True:
            if self._stop():
                raise StopRequestedError("stopped while waiting for the operator")
            try:
                answer = self._answers.get(timeout=LOOK_S)
            except queue.Empty:
                continue
            if not answer:
                raise StopRequestedError(f"nobody can answer, the standard input has ended: {text}")
            return

    def _listen_to_input(self) -> None:
        while True:
            line = self._read()
            self._answers.put(line)
            if not line:
                return
