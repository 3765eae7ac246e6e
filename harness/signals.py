"""Ctrl-C, SIGTERM, SIGHUP and a closed console become one stop request; nothing is raised into running code.

Ctrl-Z is not obeyed while a bench is open: a program that sleeps lets no pin go. SIGQUIT (Ctrl-\\) and whatever else
ends a program at once do so: they are the way out of one that hangs, and the guard makes the bench safe.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType

NAMES = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")

SLEEPS = ("SIGTSTP", "SIGTTIN", "SIGTTOU")
"""What puts a program to sleep: Ctrl-Z; in the background, reading from the terminal or writing to it."""

AWAKE = "stuckpin: not put to sleep while a bench is open; Ctrl-C ends the run and makes safe"


class StopRequest:
    """Set once, by whoever asks first; looked at by the bench thread every 20 ms while it waits, for whatever it is.

    `on_look`, where it is set, is called at each look: that the bench thread looks is its sign of life.
    """

    def __init__(self) -> None:
        self._asked = False
        self.reason = ""
        self.on_look: Callable[[], None] | None = None

    def ask(self, reason: str) -> None:
        """Ask the run to stop; the first reason stays.

        May be called while it is being called: a signal handler does, and a lock in here would be waited for by the
        thread that holds it.
        """
        if not self._asked:
            self.reason = self.reason or reason
            self._asked = True

    def asked(self) -> bool:
        """Whether anybody asked."""
        if self.on_look is not None:
            self.on_look()
        return self._asked


@contextmanager
def stop_on_signals(stop: StopRequest) -> Iterator[None]:
    """While inside, every signal that asks the program to end asks `stop` instead, however often it comes, and none
    puts it to sleep. Main thread only."""

    def ends(number: int, frame: FrameType | None) -> None:
        stop.ask(signal.Signals(number).name)

    def sleeps(number: int, frame: FrameType | None) -> None:
        if number == getattr(signal, "SIGTSTP", None):
            # The terminal may be gone, or be nobody's to write to.
            with suppress(OSError):
                os.write(2, f"{AWAKE}\n".encode())

    before = {}
    for names, handler in ((NAMES, ends), (SLEEPS, sleeps)):
        for name in names:
            if hasattr(signal, name):
                number = getattr(signal, name)
                before[number] = signal.signal(number, handler)
    try:
        yield
    finally:
        for number, old in before.items():
            signal.signal(number, old)
