"""Still as set: settings read back, to be compared with what was last told, and proof that nothing restarted meanwhile.

An instrument may restart behind a connection that stays open (a gateway, a serial line), and somebody may turn a knob;
either shows in no reading. So what a trial measured lies between two of these proofs.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass

from drivers import reply
from drivers.errors import InstrumentError, LinkError, LinkTimeoutError, NotAsSetError, ReplyError
from drivers.instrument import Instrument
from drivers.message import ANSWER_S, joined

ON, OFF = frozenset({"1", "+1", "ON"}), frozenset({"0", "+0", "OFF"})


@dataclass(frozen=True)
class Setting:
    """One setting: `purpose` is the query that reads it back, `fits` says whether a reply is what was told.

    `name` and `expected` are what a message calls them.
    """

    purpose: str
    name: str
    expected: str
    fits: Callable[[str], bool]


def near(
    purpose: str, name: str, value: float, unit: str, *, rel: float = 1e-6, absolute: float = 0.0, scale: float = 1.0
) -> Setting:
    """A number, within `rel` (relative) and `absolute` together; the reply is divided by `scale` first."""

    def fits(text: str) -> bool:
        try:
            found = reply.number(text, overload=False) / scale
        except ReplyError:
            return False
        return abs(found - value) <= rel * abs(value) + absolute

    return Setting(purpose, name, f"{value:.6g} {unit}".rstrip(), fits)


def state(purpose: str, name: str, is_on: bool) -> Setting:
    """A truth value."""
    return Setting(purpose, name, "on" if is_on else "off", lambda text: text.upper() in (ON if is_on else OFF))


def word(purpose: str, name: str, command: str) -> Setting:
    """The last word of a command, in short or long form."""
    sent = command.split()[-1]
    return Setting(purpose, name, sent, lambda text: same_word(sent.upper(), text.upper()))


def same_word(sent: str, read: str) -> bool:
    """Whether both are one word, in short form (four letters, three where the fourth is a vowel) or long form (SCPI-99
    vol. 1, 6.2.1): HIMP and HIMPEDANCE, TIM and TIMER."""
    short, long = sorted((sent, read), key=len)
    return short == long or (len(short) >= 3 and long.startswith(short))


def prove(instrument: Instrument, settings: Sequence[Setting]) -> None:
    """Read all of them back in one message, the event status first. A purpose without a command is left out.

    Raises NotAsSetError where the instrument restarted, or for the first setting that is not as it was told; ReplyError
    where the reply answers other questions; InstrumentError where the instrument does not know one of the queries.
    """
    dialect = instrument.dialect
    asked = [setting for setting in settings if dialect.has(setting.purpose)]
    status = dialect.text("event_status") if dialect.has("event_status") else ""
    message = joined(status, *(dialect.text(setting.purpose) for setting in asked))
    if not message:
        return
    answers = _answers(instrument, message, len(asked) + bool(status))
    if status:
        instrument.check_status(message, answers.pop(0), status)
    for setting, found in zip(asked, answers, strict=True):
        if not setting.fits(found):
            raise not_as_set(instrument, setting.name, setting.expected, found, dialect.text(setting.purpose))


def not_as_set(instrument: Instrument, name: str, expected: str, found: str, query: str) -> NotAsSetError:
    """The error for a setting that is not what was told. The reply may also answer another question: the link is given
    up, so that nothing is asked over it before it was reopened."""
    instrument.link.revoke()
    rule = f"{name} was set to {expected}, it reads back another: it restarted, or somebody changed it"
    return NotAsSetError(rule, resource=instrument.resource, command=query, reply=found)


def _answers(instrument: Instrument, message: str, count: int) -> list[str]:
    """As many replies as were asked for."""
    try:
        text = instrument.link.ask(message)
        answers = reply.parts(text)
        if len(answers) == count:
            return answers
        instrument.link.revoke()
        rule = f"{len(answers)} replies to {count} queries"
        raise ReplyError(rule, resource=instrument.resource, command=message, received=text.encode("latin-1"))
    except (LinkTimeoutError, ReplyError):
        _refused(instrument, message)
        raise


def _refused(instrument: Instrument, message: str) -> None:
    """Where the instrument gave the message up at a query that it does not know, its own words are told."""
    try:
        with suppress(LinkError):  # where nobody is there at all, what was missed first is what is told
            instrument.link.reopen()
            instrument.check_errors(message, timeout_s=ANSWER_S)
    except InstrumentError as exc:
        role = instrument.dialect.role
        rule = f'cannot be asked how it is set (what it lacks, the bench file sets to "" in {role}.commands)'
        raise InstrumentError(rule, resource=exc.resource, command=message, errors=exc.errors) from exc
