"""The safe state as plain data: for each resource the commands in order, and the reply that proves each.

JSON-able, because a process of its own carries it out when the run cannot. One resource:

    {"kind": "visa-socket", "resource": "TCPIP::127.0.0.1::5025::SOCKET", "phase": 2, "steps": [
        {"command": "OUTP:STAT OFF", "query": "OUTP:STAT?", "expect": "[+]?0|OFF"}]}

`phase` is the order between instruments: relays, then the source, then the look at the bus, then supply and chamber.
`kind` is `visa-socket` (a raw TCP socket, which needs nothing but the standard library), `serial` (a port or pyserial
URL), or `visa` (any other bus, which only a VISA library reaches: then `visa` says which). `expect` is a regular
expression for the whole reply to `query`, blanks around it removed. A SCPI step has `message`: command and query in one
program message. A step of a line device has `acknowledge` instead, a regular expression for the line that answers
`command` itself. A meter's resource has `look` in place of `steps`: messages that end a log and set it for single
readings in text, the query, and the volts below which the bus is free.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Literal, NotRequired, TypedDict

from drivers.dialect import Dialect
from drivers.free_bus import FREE_V
from drivers.message import joined

Kind = Literal["visa-socket", "serial", "visa"]

PHASES = {"switch": 1, "relay_board": 1, "source": 2, "meter": 3, "supply": 4, "chamber": 4}
"""Role to phase; see making_safe."""

_OFF = r"[+]?0|OFF"
_NONE_CLOSED = r"\(\s*@\s*\)"


class SafeStep(TypedDict):
    """One command, the query that proves it, and the replies as regular expressions."""

    command: str
    query: str
    expect: str
    message: NotRequired[str]
    acknowledge: NotRequired[str]


class Look(TypedDict):
    """How a meter is made to read the bus once, in text, and what of it is near 0 V."""

    messages: list[str]
    query: str
    below_v: float


class SafeSteps(TypedDict):
    """What makes one resource safe, in order."""

    kind: Kind
    resource: str
    phase: int
    steps: list[SafeStep]
    look: NotRequired[Look]
    visa: NotRequired[str]


def safe_steps(role: str, resource: str, dialect: Dialect) -> SafeSteps | None:
    """What makes the instrument of this role safe; None for one that energises nothing (meter, board)."""
    makers = {"switch": _switch, "relay_board": _relay_board, "source": _source, "supply": _output, "chamber": _output}
    if role not in makers:
        return None
    steps = makers[role](dialect)
    return {"kind": _kind(role, resource), "resource": resource, "phase": PHASES[role], "steps": steps}


def look_at_bus(resource: str, dialect: Dialect) -> SafeSteps | None:
    """The meter's reading of the bus once everything is open; None for one that has no words for it."""
    if not dialect.has("format_text"):
        return None
    # A log that still runs is given up first: it takes no settings.
    words = ("stop", "trigger_immediate", "format_text")
    messages = [*(dialect.text(word) for word in words), dialect.text("count", value=1)]
    look: Look = {"messages": messages, "query": dialect.text("read"), "below_v": FREE_V}
    phase = PHASES["meter"]
    return {"kind": _kind("meter", resource), "resource": resource, "phase": phase, "steps": [], "look": look}


def safe_state(instruments: Sequence[tuple[str, str, Dialect]]) -> list[SafeSteps]:
    """What makes a bench safe, a resource each: relays first, because a release is a relay that opens, then the source,
    then the board's supply and the chamber.

    `instruments`: (role, resource, dialect) in any order; without the supply where it is to stay on.
    """
    order = tuple(PHASES)
    ranked = sorted((one for one in instruments if one[0] in order), key=lambda one: order.index(one[0]))
    return [steps for one in ranked if (steps := safe_steps(*one)) is not None]


def through(steps: Sequence[SafeSteps], visa: str) -> list[SafeSteps]:
    """The same, each resource reached by this VISA library, where it takes one."""
    return [{**one, "visa": visa} if one["kind"] == "visa" else one for one in steps]


def _switch(dialect: Dialect) -> list[SafeStep]:
    return [_scpi(dialect.text("open_all"), dialect.text("closed_list"), _NONE_CLOSED)]


def _relay_board(dialect: Dialect) -> list[SafeStep]:
    return [
        {
            "command": dialect.text("open_all"),
            "query": dialect.text("closed_list"),
            "expect": "NONE",
            "acknowledge": "OK",
        }
    ]


def _source(dialect: Dialect) -> list[SafeStep]:
    mode = dialect.text("off_high_impedance")
    # SCPI answers in short or long form: the first four letters, then any (HIMP, HIMPEDANCE).
    word = re.escape(mode.split()[-1][:4].upper())
    # Off comes first: one that carries the steps out may stop at the first that is not proven.
    return [
        _scpi(dialect.text("output_off"), dialect.text("output_state"), _OFF),
        _scpi(mode, dialect.text("off_mode"), rf"(?i:{word}\w*)"),
    ]


def _output(dialect: Dialect) -> list[SafeStep]:
    return [_scpi(dialect.text("output_off"), dialect.text("output_state"), _OFF)]


def _scpi(command: str, query: str, expect: str) -> SafeStep:
    return {"command": command, "query": query, "expect": expect, "message": joined(command, query)}


def _kind(role: str, resource: str) -> Kind:
    if role == "relay_board":
        return "serial"
    return "visa-socket" if re.fullmatch(r"(?i)TCPIP\d*::.+::\d+::SOCKET", resource) else "visa"
