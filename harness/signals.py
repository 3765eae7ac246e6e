"""Ctrl-C, SIGTERM, SIGHUP and a closed console become one stop request; nothing is raised into running code."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

NAMES = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")


class StopRequest:
    """Set once, by whoever asks first; looked at by the bench's clock every 20 ms."""

    def __init__(self) -> None:
        self._asked = threading.Event()
        self.reason = ""

    def ask(self, reason: str) -> None:
        """Ask the run to stop; the first reason stays."""
        if not self._asked.is_set():
            self.reason = reason
            self._asked.set()

    def asked(self) -> bool:
        """Whether anybody asked."""
        return self._asked.is_set()


@contextmanager
def stop_on_signals(stop: StopRequest) -> Iterator[None]:
    """While inside, every signal that would end the program asks `stop` instead. Main thread only."""

    def handler(number: int, frame: FrameType | None) -> None:
        stop.ask(signal.Signals(number).name)

    before = {}
    for name in NAMES:
        if hasattr(signal, name):
            number = getattr(signal, name)
            before[number] = signal.signal(number, handler)
    try:
        yield
    finally:
        for number, old in before.items():
            signal.signal(number, old)
