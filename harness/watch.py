"""A run in a thread of its own, and the main thread for the view and the signals."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from contextlib import suppress

from harness.events import Event, Listener
from harness.run import RunResult
from harness.signals import StopRequest, stop_on_signals

LOOK_S = 0.1


def watched(work: Callable[[Listener], RunResult], view: Listener, stop: StopRequest) -> RunResult:
    """Carry `work` out in the bench thread and show its events here. Main thread only.

    All I/O with the bench happens in one thread, whatever the view is busy with. A view that fails (a closed terminal)
    asks the run to stop; a defect in the work is raised here, after the bench was made safe.
    """
    events: queue.Queue[Event] = queue.Queue()
    outcome: list[RunResult | BaseException] = []

    def carry_out() -> None:
        try:
            outcome.append(work(events.put))
        except BaseException as exc:  # noqa: BLE001 - handed to the main thread, which raises it
            outcome.append(exc)

    thread = threading.Thread(target=carry_out, name="bench")
    with stop_on_signals(stop):
        thread.start()
        try:
            while thread.is_alive() or not events.empty():
                with suppress(queue.Empty):
                    view(events.get(timeout=LOOK_S))
        finally:
            if thread.is_alive():
                stop.ask("the view failed")
            thread.join()
    result = outcome[0]
    if isinstance(result, BaseException):
        raise result
    return result
