"""What can fail on the bench, split by who is at fault.

BenchError                  anything below; carries a message of one line
├── LinkError               the wire: nobody answered, or too late
│   ├── LinkClosedError     the peer closed the connection
│   ├── LinkTimeoutError    a deadline passed
│   └── LinkDirtyError      the link was used after a failure without being reopened
├── ReplyError              an answer came, but not one that the grammar allows
├── InstrumentError         the instrument itself reports errors
│   ├── NotAsSetError       it restarted, or somebody turned a knob: it does not stand as it was set
│   └── OtherInstrumentError  it is not the one expected
├── LimitError              a request beyond the limits of the bench; nothing was sent
├── WiringError             the wiring cannot do it, or does not do what it was told (welded, broken)
└── StopRequestedError      a person or the system asked the run to stop
"""

from __future__ import annotations

_SHOWN = 160


def cut(text: str) -> str:
    """What an instrument said, as a message shows it: one that talks without an end shall not fill the screen."""
    return text if len(text) <= _SHOWN else f"{text[: _SHOWN - 1]}…"


class BenchError(Exception):
    """Something on the bench failed; the message is one line that a person can act on."""


class LinkError(BenchError):
    """The wire to an instrument failed.

    Attributes say which instrument (`resource`), what was sent (`command`) and what had arrived (`received`).
    """

    def __init__(self, rule: str, *, resource: str, command: str = "", received: bytes = b"") -> None:
        self.resource = resource
        self.command = command
        self.received = received
        parts = [f"{resource}: {rule}"]
        if command:
            parts.append(f"command {command!r}")
        if received:
            parts.append(f"received {received[:80]!r}")
        super().__init__("; ".join(parts))


class LinkClosedError(LinkError):
    """The peer closed or reset the connection, or was never there."""


class LinkTimeoutError(LinkError):
    """A deadline passed while writing or while waiting for a reply."""


class LinkDirtyError(LinkError):
    """The link was used after a failure between write and read; a stale reply could be taken for a fresh one."""


class ReplyError(LinkError):
    """A reply that the expected grammar does not allow: not a number, wrong count, bad block header."""


class InstrumentError(BenchError):
    """The instrument put errors into its queue, or did not do as it was told.

    `errors` holds (number, text) as drained from the queue, oldest first.
    """

    def __init__(
        self, rule: str, *, resource: str, command: str = "", errors: tuple[tuple[int, str], ...] = (), reply: str = ""
    ) -> None:
        self.resource = resource
        self.command = command
        self.errors = errors
        self.reply = reply
        parts = [f"{resource}: {rule}"]
        if command:
            parts.append(f"command {command!r}")
        if reply:
            parts.append(f"reply {cut(reply)!r}")
        parts.extend(f"{number} {cut(text)}" for number, text in errors)
        super().__init__("; ".join(parts))


class NotAsSetError(InstrumentError):
    """An instrument no longer stands as it was set: it restarted, or somebody turned a knob. What was measured since it
    was last seen to stand so is worth nothing."""


class OtherInstrumentError(InstrumentError):
    """Another instrument answers than the one that the bench file names, or than the one that answered before."""


class LimitError(BenchError):
    """A request lies beyond the limits of the bench; it was refused before anything was sent."""


class WiringError(BenchError):
    """The wiring cannot do what was asked, or was found not to do what it was told: welded, open, no such channel."""


class StopRequestedError(BenchError):
    """A person or the system asked the run to stop."""
