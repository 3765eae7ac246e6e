"""One death: a run brought to a state, made to die in one way, and the bench looked at until it is safe."""

from __future__ import annotations

import time
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from tests.harness.faulty_wire import FaultyWire
from tests.ways_of_dying.scene import ENOUGH_S, Eye, start, wait_until_there
from tests.ways_of_dying.states import STATES, State
from tests.ways_of_dying.ways import WAYS, Way

SAFE_WITHIN_S = 2.0
LOOK_S = 0.005
STAYS_S = 0.3
"""For so long the bench is looked at after it is safe and the run and its guard have ended: it must stay so."""


@dataclass(frozen=True)
class Death:
    """`safe_s`: real seconds from the death until the bench was safe; None where it was not within ENOUGH_S.

    `left`: what was not safe at the end. `was_unsafe`: whether anything was energised or joined when it died.
    """

    state: State
    way: Way
    safe_s: float | None
    left: tuple[str, ...] = ()
    failed: str = ""

    @property
    def fell_short(self) -> bool:
        return self.safe_s is None or bool(self.left) or bool(self.failed)


def applies(state: State, way: Way) -> bool:
    """Whether a run in this state can die in this way."""
    if not state.own:
        return way.act is not None and not way.hangs
    return not (way.needs == "no press" and (state.presses or "grounded" in state.name or "idle" in state.name))


def planned() -> list[tuple[State, Way]]:
    """Every state with every way of dying that there is in it."""
    return [(state, way) for state in STATES for way in WAYS if applies(state, way)]


def died(folder: Path, resources: Mapping[str, str], state: State, way: Way) -> Death:
    """Let one run die, and see how long the bench takes to be safe, and that it stays so."""
    with ExitStack() as ends:
        eye = Eye(resources)
        ends.callback(eye.close)
        wire = None
        if state.name == "making safe":
            # The relay board swallows one command of making safe, so that the run waits for its deadline just then.
            wire = ends.enter_context(FaultyWire(resources["relay_board"], at="^OPEN ALL$", nth=2, lasting=False))
            resources = {**resources, "relay_board": wire.resource}
        run = start(folder, resources, state, way)
        ends.callback(run.close)
        try:
            wait_until_there(run, state, eye, wire)
        except AssertionError as exc:
            return Death(state, way, None, failed=str(exc))
        began_s = time.monotonic()
        if way.act is not None:
            way.act(run)
        if way.hangs:
            # Only the guard can end it, once its lease or its patience is over.
            run.process.wait(timeout=ENOUGH_S)
            began_s = time.monotonic()
        safe_s = _until_safe(eye, began_s)
        try:
            run.process.wait(timeout=ENOUGH_S)
        except Exception as exc:  # noqa: BLE001 - a run that does not end is a row of the table
            return Death(state, way, safe_s, tuple(eye.unsafe()), f"the run did not end: {type(exc).__name__}")
        time.sleep(STAYS_S)
        return Death(state, way, safe_s, tuple(eye.unsafe()))


def _until_safe(eye: Eye, began_s: float) -> float | None:
    while eye.unsafe():
        if time.monotonic() - began_s > ENOUGH_S:
            return None
        time.sleep(LOOK_S)
    return time.monotonic() - began_s
