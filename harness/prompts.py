"""A person at the terminal: told what to do, and asked to say when it is done. A stop request ends the waiting."""

from __future__ import annotations

import queue
import sys
import threading
from collections.abc import Callable
from contextlib import suppress

from drivers.errors import StopRequestedError
from drivers.operator import Operator
from harness.events import Listener, Prompt

LOOK_S = 0.02
"""How often the stop request is looked at while a person is asked."""


class Terminal:
    """Prompts go out as events; Enter on the standard input answers."""

    def __init__(
        self,
        listen: Listener,
        stop: Callable[[], bool],
        lines: Callable[[], str] | None = None,
        forget: Callable[[], None] | None = None,
    ) -> None:
        """`lines` gives the next line, "" at the end; `forget` drops what was typed and not yet read.

        Both None: the standard input. On a terminal an Enter from before a prompt is no answer to it, for nobody has
        pressed the pin yet; what a pipe brings was written in advance, and all of it counts.
        """
        self._listen = listen
        self._stop = stop
        self._read = sys.stdin.readline if lines is None else lines
        self._forget = typed_ahead_forgotten() if lines is None and forget is None else forget
        self._answers: queue.Queue[str] = queue.Queue()
        self._reader: threading.Thread | None = None
        self._ended = False

    def operator(self) -> Operator:
        """The person behind this terminal, as the bench knows one."""
        return Operator(self.say, self.confirm, self.ask)

    def say(self, text: str) -> None:
        """Tell, and go on at once."""
        self._listen(Prompt(text))

    def confirm(self, text: str) -> None:
        """Tell, and wait for Enter. Raises StopRequestedError if the run is asked to stop, or nobody can answer."""
        self._answered(f"{text} Then press Enter.", text)

    def ask(self, text: str) -> str:
        """Tell, and wait for a line, which is returned without its end. Raises as `confirm`."""
        return self._answered(f"{text} Then press Enter.", text).strip()

    def _answered(self, prompt: str, text: str) -> str:
        if self._forget is not None:
            self._forget()
            self._drop_early_answers()
        self._listen(Prompt(prompt))
        if self._reader is None:
            # A blocked read of the standard input cannot be ended from outside, so it has a thread that may be left.
            self._reader = threading.Thread(target=self._listen_to_input, daemon=True)
            self._reader.start()
        while not self._ended:
            if self._stop():
                raise StopRequestedError("stopped while waiting for the operator")
            with suppress(queue.Empty):
                line = self._answers.get(timeout=LOOK_S)
                self._ended = not line
                if not self._ended:
                    return line
        raise StopRequestedError(f"nobody can answer, the standard input has ended: {text}")

    def _drop_early_answers(self) -> None:
        with suppress(queue.Empty):
            while True:
                self._ended |= not self._answers.get_nowait()

    def _listen_to_input(self) -> None:
        while True:
            try:
                line = self._read()
            except (OSError, ValueError):
                line = ""  # the terminal is gone, or another program's: nobody can answer any more
            self._answers.put(line)
            if not line:
                return


def typed_ahead_forgotten() -> Callable[[], None] | None:
    """What empties the terminal's input; None where the standard input is none, or the system has no such call."""
    try:
        import termios
    except ImportError:
        return None
    if sys.stdin is None or not sys.stdin.isatty():
        return None

    def forget() -> None:
        with suppress(termios.error):
            termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)

    return forget
