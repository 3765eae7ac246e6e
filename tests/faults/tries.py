"""What is tried: each fault on each wire that can have it, at several moments of the short run."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from tests.faults.armed import Armed, Fault
from tests.faults.faults import FAULTS, named
from tests.faults.short_run import ROLES, PressPath

A_WHILE_S = 3.0
"""Longer than the deadline of a question."""

FOR_GOOD = ("deaf", "mute", "garbage", "turned away", "refused", "unanswered")
"""Also tried as what never ends: the bench may then not be proven safe, and the run must say so."""

SERIAL_ROLES = ("relay_board", "board")


@dataclass(frozen=True)
class Injection:
    """One fault on one wire. `moment`: the share of the messages of an undisturbed run, 0 to 1, that come before it."""

    fault: str
    role: str
    moment: float
    lasts_s: float = 0.0

    def armed(self, messages: Mapping[str, int]) -> Armed:
        """`messages`: role -> how many an undisturbed run sends."""
        return Armed(named(self.fault), 1 + math.floor(self.moment * messages[self.role]), self.lasts_s)


@dataclass(frozen=True)
class Try:
    """A run with these faults."""

    path: PressPath
    injections: tuple[Injection, ...]

    @property
    def roles(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(injection.role for injection in self.injections))


def roles_of(fault: Fault) -> tuple[str, ...]:
    """The roles whose wires can have this fault."""
    able = [role for role in fault.roles or ROLES if ("serial" if role in SERIAL_ROLES else "socket") in fault.wires]
    if fault.acts_on == "block":
        able = ["meter"]  # nothing else answers in blocks
    if fault.acts_on == "number":
        able = [role for role in able if role != "board"]  # which answers in words
    return tuple(able)


def every_try(seed: int, moments: int) -> Iterator[Try]:
    """Each fault on each wire, at so many moments, one in each equal part of the run; and for a while; and for good."""
    chance = random.Random(seed)
    for fault in FAULTS:
        for role in roles_of(fault):
            for part in range(moments):
                moment = 0.0 if fault.acts_on == "identity" else (part + chance.random()) / moments
                yield _one(chance, fault, role, moment, 0.0)
            if not fault.once and fault.acts_on != "identity":
                yield _one(chance, fault, role, chance.random(), A_WHILE_S)
            if fault.name in FOR_GOOD:
                yield _one(chance, fault, role, chance.random(), math.inf)


def _one(chance: random.Random, fault: Fault, role: str, moment: float, lasts_s: float) -> Try:
    path: PressPath = chance.choice(("relay", "source"))
    return Try(path, (Injection(fault.name, role, moment, lasts_s),))


def spread(tries: Sequence[Try], count: int) -> list[Try]:
    """So many of them, evenly from the whole list."""
    return [tries[index * len(tries) // count] for index in range(min(count, len(tries)))]
