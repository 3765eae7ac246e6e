"""Several commands to one instrument at the price of one round trip, and a command proven by the query behind it."""

from __future__ import annotations

from contextlib import suppress

from drivers.errors import LinkError, LinkTimeoutError, ReplyError
from drivers.instrument import Instrument

_TRUE = frozenset({"1", "+1", "ON"})
_FALSE = frozenset({"0", "+0", "OFF"})


ANSWER_S = 0.5
"""Real seconds for an instrument that has just missed a deadline to answer on a fresh link, if it is there at all."""


def joined(*commands: str) -> str:
    """The commands as one program message, in order; empty ones are left out.

    A header after a semicolon continues at the level of the one before it unless it starts with a colon (SCPI-99
    vol. 1, 6.2.4); a common command does not care (IEEE 488.2, 10).
    """
    parts: list[str] = []
    for command in filter(None, commands):
        relative = parts and command[0] not in ":*"
        parts.append(f":{command}" if relative else command)
    return ";".join(parts)


def send_together(instrument: Instrument, *commands: str) -> None:
    """Send the commands in one message and check for errors once. Raises InstrumentError with all that was reported."""
    if message := joined(*commands):
        instrument.carry_out(message)


def told(instrument: Instrument, command: str, query: str) -> str:
    """Send a command and the query that proves it right behind; returns the reply, blanks around it removed.

    Two messages, because an instrument that gives a message up at its first error would not come to the query. Where
    the query is refused as well (a channel that does not exist), no reply comes at all: then the error queue is read
    over a fresh link, so that the instrument's own words are raised (InstrumentError) and not a deadline.
    """
    instrument.link.send(command)
    try:
        return instrument.link.ask(query).strip()
    except LinkTimeoutError:
        # Where nobody is there at all, the deadline that was missed first is what is told.
        with suppress(LinkError):
            instrument.link.reopen()
            instrument.check_errors(command, timeout_s=ANSWER_S)
        raise


def truth(instrument: Instrument, query: str, text: str) -> bool:
    """The reply to a query that is answered by 1 or 0 (ON or OFF). Raises ReplyError for anything else."""
    if text in _TRUE:
        return True
    if text in _FALSE:
        return False
    raise refused(instrument, "a truth value must be 1 or 0", query, text)


def refused(instrument: Instrument, rule: str, message: str, text: str) -> ReplyError:
    """The error for a reply outside of its grammar, which may answer another question: the link is given up."""
    instrument.link.revoke()
    return ReplyError(rule, resource=instrument.resource, command=message, received=text.encode("latin-1", "replace"))
