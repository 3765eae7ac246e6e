"""Whether the simulated bench is safe, asked at the instruments' own ports, past every wire that goes wrong."""

from __future__ import annotations

import time
from collections.abc import Mapping

from tests.faults.ends import Far

SAFE = {
    "switch": ("ROUT:CLOS:STAT?", "(@)"),
    "source": ("OUTP:STAT?;:OUTP:SMOD?", "0;HIMP"),
    "supply": ("OUTP:STAT?", "0"),
    "relay_board": ("CLOSED?", "NONE"),
}
"""Role -> what is asked, and what a safe bench answers."""

RESTARTED = {"source": "0;NORM"}
"""What one answers that restarted after it was proven safe: off, and at 0 V; its relay in series has opened before."""

ANSWER_S = 5.0


def not_safe(resources: Mapping[str, str]) -> list[tuple[str, str]]:
    """(role, what it answers) of all that is not safe."""
    answers = {role: _asked(resources[role], query) for role, (query, _) in SAFE.items()}
    safe = {role: {answer} for role, (_, answer) in SAFE.items()}
    if answers["relay_board"] == SAFE["relay_board"][1]:
        safe = {role: good | {RESTARTED.get(role, "")} for role, good in safe.items()}
    return [(role, answer) for role, answer in answers.items() if answer not in safe[role]]


FORGOTTEN_S = 1.0
"""Bench seconds without power after which no pin is latched any more."""


def put_in_order(resources: Mapping[str, str]) -> None:
    """Make the bench as it was before the first run, whatever became of it."""
    for role, command in (
        ("switch", "ROUT:OPEN:ALL;:ROUT:CLOS:STAT?"),
        ("source", "OUTP:STAT OFF;:OUTP:SMOD HIMP;:OUTP:STAT?"),
        ("supply", "OUTP:STAT OFF;:OUTP:STAT?"),
        ("relay_board", "OPEN ALL"),
    ):
        _asked(resources[role], command)
    # What the display shows is the key of all chance.
    _asked(resources["meter"], '*CLS;:DISP:TEXT "";TEXT?')
    now_s = float(_asked(resources["clock"], "NOW?"))
    while float(_asked(resources["clock"], f"UNTIL {now_s + FORGOTTEN_S!r}")) < now_s + FORGOTTEN_S - 1e-6:
        pass


def _asked(resource: str, query: str) -> str:
    """What an instrument answers over a connection of its own; old replies in a serial line are passed over."""
    far = Far(resource)
    try:
        if resource.startswith("/"):
            _empty(far)
        far.write(query.encode() + b"\n")
        data, deadline_s = b"", time.monotonic() + ANSWER_S
        while not data.endswith(b"\n"):
            if time.monotonic() > deadline_s:
                raise AssertionError(f"{resource}: {query!r} was not answered: {data!r}")
            data += _ready(far, 0.1)
        return data.decode("latin-1").strip()
    finally:
        far.close()


def _empty(far: Far) -> None:
    """A line that is begun is ended, and what stands in the line is read away."""
    far.write(b"\n")
    while _ready(far, 0.05):
        pass


def _ready(far: Far, timeout_s: float) -> bytes:
    import select

    return far.read() if select.select([far], [], [], timeout_s)[0] else b""
