"""Several commands in one program message: one round trip, and one error check for all of them."""

from __future__ import annotations

from drivers.errors import ReplyError
from drivers.instrument import Instrument

_TRUE = frozenset({"1", "+1", "ON"})
_FALSE = frozenset({"0", "+0", "OFF"})
_FAULTS = 0b0011_1100
"""Event status register, bits 2 to 5: query, device-dependent, execution, command error (IEEE 488.2, 11.5.1.1)."""


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
    message = joined(*commands)
    if not message:
        return
    link, dialect = instrument.link, instrument.dialect
    if not dialect.has("event_status"):
        link.send(message)
        instrument.check_errors(message)
        return
    text = link.ask(joined(message, dialect.text("event_status"))).strip()
    if not text.removeprefix("+").isdecimal():
        raise refused(instrument, "the event status must be a whole number", message, text)
    if int(text) & _FAULTS:
        instrument.check_errors(message)
        raise refused(instrument, "the event status tells of an error, yet the error queue is empty", message, text)


def truth(instrument: Instrument, message: str) -> bool:
    """Ask what is answered by 1 or 0 (ON or OFF). Raises ReplyError for anything else."""
    text = instrument.link.ask(message).strip()
    if text in _TRUE:
        return True
    if text in _FALSE:
        return False
    raise refused(instrument, "a truth value must be 1 or 0", message, text)


def refused(instrument: Instrument, rule: str, message: str, text: str) -> ReplyError:
    """The error for a reply outside of its grammar, which may answer another question: the link is given up."""
    instrument.link.revoke()
    return ReplyError(rule, resource=instrument.resource, command=message, received=text.encode("latin-1", "replace"))
